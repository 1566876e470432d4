"""A plan as terminal text: plain when piped, coloured only where it helps.

Every value comes from a plan or a file name, so nothing is read as markup.
"""

from __future__ import annotations

import textwrap

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text

from shaping.capture.cautions import RING_OUT
from shaping.capture.recording import CaptureKind, Severity
from shaping.plan.plan import Plan
from shaping.report import words
from shaping.report.marks import MOST_CRITICAL

_WIDE = 116
_NARROW = 74


def print_plan(plan: Plan, console: Console) -> None:
    """Print a plan for a person at a desk.

    Parameters
    ----------
    plan : Plan
        The plan.
    console : rich Console
        Where to print; its width decides the layout.
    """
    _captures(plan, console)
    _rings(plan, console)
    _settings(plan, console)
    _gains(plan, console)
    _left(plan, console)
    _cautions(plan, console)


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
    for capture in plan.captures:
        console.print(Text(words.capture_text(capture), style="bold"))
        notes = [
            ("-" if note.severity is Severity.INFO else "!", words.plain(note.message))
            for note in capture.quality
        ]
        lines(console, notes or [("-", "Recording quality: nothing to complain about.")])


def _rings(plan: Plan, console: Console) -> None:
    if plan.rings:
        heading(console, "Rings found, most urgent first")
        narrow = console.width < _NARROW
        table = new_table(console)
        table.add_column("Frequency", no_wrap=True)
        table.add_column("Finding", no_wrap=True)
        table.add_column("Peak", justify="right", no_wrap=True)
        table.add_column("At", justify="right", no_wrap=True)
        between = ":\n" if narrow else ": "
        shown, others = words.shown_rings(plan)
        for ring in shown:
            frequency = words.frequency_text(ring.frequency_hz)
            table.add_row(
                Text(frequency.replace(" (", "\n(") if narrow else frequency),
                Text(words.ring_word(ring) + between + words.growth_text(ring)),
                Text(f"{ring.peak_dbfs:.0f} dBFS"),
                Text(words.duration_text(ring.onset_s)),
            )
        console.print(table)
        if others:
            lines(console, [("-", others)])
    elif plan.loop is not None:
        heading(console, "Where it can howl, first one first")
        table = new_table(console)
        table.add_column("Frequency", no_wrap=True)
        table.add_column("Send gain", justify="right", no_wrap=True)
        for point in plan.loop.critical[:MOST_CRITICAL]:
            table.add_row(
                Text(words.frequency_text(point.frequency_hz)),
                Text(words.gain_text(point.gain_db)),
            )
        console.print(table)
    elif plan.resonances:
        heading(console, "Resonances found, most prominent first")
        table = new_table(console)
        for name in ("Frequency", "Height", "Width"):
            table.add_column(name)
        for peak in plan.resonances:
            table.add_row(
                Text(words.frequency_text(peak.frequency_hz)),
                Text(f"{peak.prominence_db:.1f} dB ± {peak.error_db:.1f}"),
                Text(words.q_text(peak.q)),
            )
        console.print(table)
    elif plan.captures and plan.captures[0].kind is CaptureKind.RING_OUT:
        heading(console, "No rings found")


def _settings(plan: Plan, console: Console) -> None:
    limits = plan.limits
    if not plan.filters:
        heading(console, "Nothing to dial in")
        return
    heading(console, f"Settings to dial in, in this order ({words.plain(limits.name)})")
    lines(console, [("!", caution) for caution in RING_OUT])
    wide = console.width >= _WIDE
    narrow = console.width < _NARROW
    table = new_table(console)
    table.add_column("", justify="right", no_wrap=True)
    table.add_column("Filter", no_wrap=True)
    table.add_column("Frequency", no_wrap=True)
    table.add_column("Gain", justify="right", no_wrap=True)
    table.add_column("Width", no_wrap=True)
    if wide:
        table.add_column("Why")
    settings = words.settings(plan)
    for setting in settings:
        frequency = setting.frequency.replace(" (", "\n(") if narrow else setting.frequency
        row = [
            Text(str(setting.number), style="bold"),
            Text(setting.kind),
            Text(frequency, style="bold"),
            Text(setting.gain, style="bold"),
            Text(setting.width),
        ]
        table.add_row(*row, *([Text(setting.reason)] if wide else []))
    console.print(table)
    if not wide:
        heading(console, "Why")
        lines(console, [(str(setting.number), setting.reason) for setting in settings])
    console.print()
    lines(console, [("-", words.convention_text(limits))])


def _gains(plan: Plan, console: Console) -> None:
    if plan.loop is None and plan.thinning is None:
        return
    heading(console, "What it buys")
    told = [("-", text) for text in (words.loop_texts(plan.loop) if plan.loop else ())]
    told += [("-", text) for text in (words.thinning_texts(plan.thinning) if plan.thinning else ())]
    lines(console, told)


def _left(plan: Plan, console: Console) -> None:
    if not plan.unserved:
        return
    heading(console, "Left without a cut")
    lines(console, [("-", words.finding_text(finding)) for finding in plan.unserved])


def _cautions(plan: Plan, console: Console) -> None:
    cautions = [words.plain(caution) for caution in plan.cautions if caution not in RING_OUT]
    if cautions:
        heading(console, "Mind")
        lines(console, [("!", caution) for caution in cautions])
    if plan.thinning is not None and plan.thinning.assumptions:
        heading(console, "Assumptions")
        lines(console, [("-", words.plain(text)) for text in plan.thinning.assumptions])
