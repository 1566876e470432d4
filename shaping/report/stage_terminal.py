"""A stage's plan as terminal text: plain when piped, coloured only where it helps."""

from __future__ import annotations

from rich.console import Console
from rich.text import Text

from shaping.capture.cautions import EXPOSURE, TEST_SIGNAL
from shaping.report import stage_words
from shaping.report.safety import AGAIN_HEADING
from shaping.report.terminal import heading, lines, new_table
from shaping.stage.last_plan import WeekToWeek
from shaping.stage.stage_plan import StagePlan, WedgePlan
from shaping.text.names import shown
from shaping.text.quantities import gain_text


def print_stage(plan: StagePlan, console: Console, *, week: WeekToWeek | None = None) -> None:
    """Print a stage's plan for a person at a desk.

    Parameters
    ----------
    plan : StagePlan
        The plan.
    console : rich Console
        Where to print; its width decides the layout.
    week : WeekToWeek, optional
        What became of last week's plan.
    """
    console.print(Text(stage_words.title(plan), style="bold"))
    lines(console, [("-", text) for text in stage_words.answer(plan)])
    heading(console, stage_words.BEFORE_HEADING)
    lines(console, [("!", text) for text in stage_words.BEFORE])
    if week is not None:
        _told(console, "Since last week", "-", stage_words.week_texts(week))
    for one in plan.wedges:
        _wedge(one, console)
    _sends(plan, console)
    _matrix(plan, console)
    _told(console, "What would win most", "-", stage_words.remedy_texts(plan))
    _told(console, "Where to put it", "-", stage_words.place_texts(plan))
    _told(console, "Mind", "!", stage_words.to_mind(plan))
    _told(console, AGAIN_HEADING, "!", TEST_SIGNAL)
    lines(console, [("!", EXPOSURE)])
    _told(console, "What the words and figures mean", "-", stage_words.conventions(plan))


def print_margins(before: StagePlan, after: StagePlan, console: Console) -> None:
    """Print what changes do to the margins: of all sends together, each wedge, each send.

    Parameters
    ----------
    before, after : StagePlan
        With the planned settings, and with the changes.
    console : rich Console
        Where to print.
    """
    heading(console, "What the changes do, against the planned settings")
    if before.after is not None and after.after is not None:
        was, now = before.after.stable_gain_db, after.after.stable_gain_db
        told = [f"All sends together: {gain_text(now)} ({gain_text(now - was)} by the changes)."]
        if after.after.deciding is not None:
            told.append(
                "First to howl is then "
                + stage_words.deciding_text(after, after.after.deciding)
                + "."
            )
        lines(console, [("-", text) for text in told])
    table = new_table(console)
    table.add_column("May go up alone")
    for name in ("Planned", "Changed"):
        table.add_column(name, justify="right")
    for old, new in zip(before.wedges, after.wedges, strict=True):
        table.add_row(
            Text(f"all of {shown(new.name)}"),
            Text(stage_words.margin_text(old.headroom_after_db)),
            Text(stage_words.margin_text(new.headroom_after_db), style="bold"),
        )
    old_sends = {(one.mic, one.wedge): one.headroom_after_db for one in before.sends}
    for one in after.sends:
        table.add_row(
            Text(f"{shown(one.mic)} in {shown(one.wedge)}"),
            Text(stage_words.margin_text(old_sends.get((one.mic, one.wedge), float("nan")))),
            Text(stage_words.margin_text(one.headroom_after_db), style="bold"),
        )
    console.print(table)


def _wedge(one: WedgePlan, console: Console) -> None:
    heading(console, f"{shown(one.name)} ({shown(one.plan.limits.name)})")
    lines(console, [("-", stage_words.wedge_margin(one))])
    settings = stage_words.settings_lines(one)
    if not settings:
        lines(console, [("-", "Nothing to dial in.")])
        return
    table = new_table(console)
    for name, justify in (
        ("", "right"),
        ("Filter", "left"),
        ("Frequency", "left"),
        ("Gain", "right"),
        ("Width", "left"),
    ):
        table.add_column(name, justify=justify, no_wrap=True)  # type: ignore[arg-type]
    for setting in settings:
        table.add_row(
            Text(str(setting.number), style="bold"),
            Text(setting.kind),
            Text(setting.frequency, style="bold"),
            Text(setting.gain, style="bold"),
            Text(setting.width),
        )
    console.print(table)


def _sends(plan: StagePlan, console: Console) -> None:
    if not plan.sends:
        return
    heading(console, "How far each send may go up alone")
    table = new_table(console)
    for name in ("Mic", "Wedge"):
        table.add_column(name)
    for name in ("Send", "Now", "With settings"):
        table.add_column(name, justify="right", no_wrap=True)
    for one in plan.sends:
        table.add_row(
            Text(shown(one.mic)),
            Text(shown(one.wedge)),
            Text(gain_text(one.gain_db)),
            Text(stage_words.margin_text(one.headroom_db)),
            Text(stage_words.margin_text(one.headroom_after_db), style="bold"),
        )
    console.print(table)


def _matrix(plan: StagePlan, console: Console) -> None:
    if not plan.paths:
        return
    heading(console, "Who hears whom")
    table = new_table(console)
    table.add_column("Mic")
    for wedge in plan.stage.wedges:
        table.add_column(shown(wedge.name), justify="right")
    for row in stage_words.matrix(plan):
        cells = [f"[{cell.text}]" if cell.send else cell.text for cell in row]
        table.add_row(Text(shown(row[0].mic)), *(Text(cell) for cell in cells))
    console.print(table)
    lines(console, [("-", stage_words.MATRIX_CAPTION)])


def _told(console: Console, title: str, mark: str, told: tuple[str, ...]) -> None:
    if told:
        heading(console, title)
        lines(console, [(mark, text) for text in told])
