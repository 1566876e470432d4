"""A stage's plan as terminal text: plain when piped, coloured only where it helps."""

from __future__ import annotations

from rich.console import Console

from shaping.capture.cautions import EXPOSURE, TEST_SIGNAL
from shaping.report import stage_words
from shaping.report.safety import AGAIN_HEADING
from shaping.report.terminal_text import Column, bold, heading, lines, rows, setting_rows
from shaping.stage.stage_plan import StagePlan, WedgePlan
from shaping.stage.weeks.last_plan import WeekToWeek
from shaping.text.names import shown
from shaping.text.quantities import gain_text

_SEND = (
    Column("Mic", leads=True),
    Column("Wedge", leads=True),
    Column("Send", right=True),
    Column("Now", right=True),
    Column("With settings", right=True, bold=True),
)
_CHANGED = (
    Column("May go up alone", leads=True),
    Column("Planned", right=True),
    Column("Changed", right=True, bold=True),
)


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
    bold(console, stage_words.title(plan))
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
    if after.doubts:
        lines(console, [("!", text) for text in stage_words.answer(after)])
    elif before.after is not None and after.after is not None:
        was, now = before.after.stable_gain_low_db, after.after.stable_gain_low_db
        told = [f"All sends together: {gain_text(now)} ({gain_text(now - was)} by the changes)."]
        if after.after.deciding is not None:
            told.append(
                "First to howl is then "
                + stage_words.deciding_text(after, after.after.deciding)
                + "."
            )
        lines(console, [("-", text) for text in told])
    old_sends = {(one.mic, one.wedge): one.headroom_after_db for one in before.sends}
    rows(
        console,
        _CHANGED,
        [
            *(
                (
                    f"all of {shown(new.name)}",
                    stage_words.margin_text(old.headroom_after_db),
                    stage_words.margin_text(new.headroom_after_db),
                )
                for old, new in zip(before.wedges, after.wedges, strict=True)
            ),
            *(
                (
                    f"{shown(one.mic)} in {shown(one.wedge)}",
                    stage_words.margin_text(old_sends.get((one.mic, one.wedge), float("nan"))),
                    stage_words.margin_text(one.headroom_after_db),
                )
                for one in after.sends
            ),
        ],
    )


def _wedge(one: WedgePlan, console: Console) -> None:
    heading(console, f"{shown(one.name)} ({shown(one.plan.limits.name)})")
    lines(console, [("-", stage_words.wedge_margin(one))])
    settings = stage_words.settings_lines(one)
    if not settings:
        lines(console, [("-", "Nothing to dial in.")])
        return
    setting_rows(console, settings)


def _sends(plan: StagePlan, console: Console) -> None:
    if not plan.sends:
        return
    heading(console, "How far each send may go up alone")
    rows(
        console,
        _SEND,
        [
            (
                shown(one.mic),
                shown(one.wedge),
                gain_text(one.gain_db),
                stage_words.margin_text(one.headroom_db),
                stage_words.margin_text(one.headroom_after_db),
            )
            for one in plan.sends
        ],
    )


def _matrix(plan: StagePlan, console: Console) -> None:
    if not plan.paths:
        return
    heading(console, "Who hears whom")
    columns = [Column("Mic", leads=True)]
    columns += [Column(shown(wedge.name), right=True) for wedge in plan.stage.wedges]
    rows(
        console,
        columns,
        [
            (shown(row[0].mic), *(f"[{one.text}]" if one.send else one.text for one in row))
            for row in stage_words.matrix(plan)
        ],
    )
    lines(console, [("-", stage_words.MATRIX_CAPTION)])


def _told(console: Console, title: str, mark: str, told: tuple[str, ...]) -> None:
    if told:
        heading(console, title)
        lines(console, [(mark, text) for text in told])
