"""A plan as terminal text: plain when piped, coloured only where it helps.

Every value comes from a plan or a file name, so nothing is read as markup.
"""

from __future__ import annotations

import textwrap

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text

from shaping.capture.recording import CaptureKind, Severity
from shaping.plan.plan import LoopSummary, Plan
from shaping.plan.suggestion import Suggestion
from shaping.report import gains_text, safety, words
from shaping.report.figures.marked_frequencies import MOST_CRITICAL
from shaping.text.durations import duration_text
from shaping.text.frequency import frequency_text
from shaping.text.names import shown
from shaping.text.quantities import gain_text

_NARROW = 74


def print_plan(suggestion: Suggestion, console: Console) -> None:
    """Print a plan for a person at a desk.

    Parameters
    ----------
    suggestion : Suggestion
        The plan with what it was made from.
    console : rich Console
        Where to print; its width decides the layout.
    """
    plan = suggestion.plan
    _captures(plan, console)
    _settings(plan, console)
    _gains(plan, console)
    _found(plan, console)
    _left(plan, console)
    _mind(plan, console)
    _assumptions(plan, console)


def heading(console: Console, text: str) -> None:
    """Print a heading with a blank line before it."""
    console.print()
    console.print(Text(text, style="bold"))


def lines(console: Console, marked: list[tuple[str, str]]) -> None:
    """Print short marks with hanging text beside them."""
    for mark, text in marked:
        lead = f" {mark} "
        wrapped = textwrap.wrap(
            text, console.width, initial_indent=lead, subsequent_indent=" " * len(lead)
        )
        console.print(Text("\n".join(wrapped)))


def new_table(console: Console) -> Table:
    """Return an empty table: ruled on a terminal, plain when piped."""
    return Table(box=SIMPLE_HEAD if console.is_terminal else None, padding=(0, 1), pad_edge=False)


def _captures(plan: Plan, console: Console) -> None:
    if not plan.captures:
        console.print(Text("Nothing was recorded: starting points.", style="bold"))
    for capture in plan.captures:
        console.print(Text(words.capture_text(capture), style="bold"))
    notes = [
        ("-" if severity is Severity.INFO else "!", text)
        for severity, text in words.quality_notes(plan)
    ]
    if plan.captures:
        lines(console, notes or [("-", "Recording quality: nothing to complain about.")])


def _found(plan: Plan, console: Console) -> None:
    if plan.rings:
        _rings(plan, console)
    elif plan.loop is not None:
        _critical(plan.loop, console)
    elif plan.resonances:
        _resonances(plan, console)
    elif plan.captures and plan.captures[0].kind is CaptureKind.RING_OUT:
        heading(console, "No rings found")


def _rings(plan: Plan, console: Console) -> None:
    heading(console, "Rings found, most urgent first")
    narrow = console.width < _NARROW
    table = new_table(console)
    table.add_column("Frequency", no_wrap=True)
    table.add_column("Finding", no_wrap=True)
    table.add_column("Peak", justify="right", no_wrap=True)
    table.add_column("From", justify="right", no_wrap=True)
    between = ":\n" if narrow else ": "
    shown, others = words.shown_rings(plan)
    for ring in shown:
        frequency = frequency_text(ring.frequency_hz)
        table.add_row(
            Text(frequency.replace(" (", "\n(") if narrow else frequency),
            Text(words.ring_word(ring) + between + words.growth_text(ring)),
            Text(words.peak_text(ring)),
            Text(duration_text(ring.onset_s)),
        )
    console.print(table)
    if others:
        lines(console, [("-", others)])


def _critical(loop: LoopSummary, console: Console) -> None:
    heading(console, "Where it howls without the settings, first one first")
    table = new_table(console)
    table.add_column("Frequency", no_wrap=True)
    table.add_column("From send gain", justify="right", no_wrap=True)
    for point in loop.critical[:MOST_CRITICAL]:
        table.add_row(
            Text(frequency_text(point.frequency_hz)),
            Text(gain_text(point.gain_db)),
        )
    console.print(table)


def _resonances(plan: Plan, console: Console) -> None:
    heading(console, "Resonances found, most prominent first")
    table = new_table(console)
    for name in ("Frequency", "Height", "Width"):
        table.add_column(name)
    for peak in plan.resonances:
        table.add_row(
            Text(frequency_text(peak.frequency_hz)),
            Text(words.height_text(peak)),
            Text(words.width_text(peak.q)),
        )
    console.print(table)


def _settings(plan: Plan, console: Console) -> None:
    limits = plan.limits
    if not plan.filters:
        heading(console, "Nothing to dial in")
        return
    before, said = safety.before_acting(plan)
    heading(console, before)
    lines(console, [("!", caution) for caution in said])
    heading(console, f"Settings to dial in, in this order ({shown(limits.name)})")
    narrow = console.width < _NARROW
    table = new_table(console)
    table.add_column("", justify="right", no_wrap=True)
    table.add_column("Filter", no_wrap=True)
    table.add_column("Frequency", no_wrap=True)
    table.add_column("Gain", justify="right", no_wrap=True)
    table.add_column("Width", no_wrap=True)
    settings = words.settings(plan)
    for setting in settings:
        frequency = setting.frequency.replace(" (", "\n(") if narrow else setting.frequency
        table.add_row(
            Text(str(setting.number), style="bold"),
            Text(setting.kind),
            Text(frequency, style="bold"),
            Text(setting.gain, style="bold"),
            Text(setting.width),
        )
    console.print(table)
    lines(console, [("-", words.convention_text(limits))])
    heading(console, "Why")
    lines(console, [(str(setting.number), setting.reason) for setting in settings])


def _gains(plan: Plan, console: Console) -> None:
    told = gains_text.gain_texts(plan)
    if plan.loop is not None:
        told = (*told, gains_text.added_by_cuts_text(plan.loop))
    if any(told):
        heading(console, "What it buys")
        lines(console, [("-", text) for text in told if text])


def _left(plan: Plan, console: Console) -> None:
    if plan.unserved:
        heading(console, "Left without a cut")
        lines(console, [("-", text) for text in gains_text.left_texts(plan)])


def _mind(plan: Plan, console: Console) -> None:
    for title, said in (
        ("Mind", safety.to_mind(plan)),
        (safety.AGAIN_HEADING, safety.before_measuring(plan)),
    ):
        if said:
            heading(console, title)
            lines(console, [("!", shown(caution)) for caution in said])


def _assumptions(plan: Plan, console: Console) -> None:
    heading(console, "What the figures rest on")
    lines(console, [("-", shown(text)) for text in gains_text.assumption_texts(plan)])
    lines(console, [("!", safety.exposure(plan))])
