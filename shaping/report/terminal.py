"""A plan as terminal text: plain when piped, coloured only where it helps.

Every value comes from a plan or a file name, so nothing is read as markup.
"""

from __future__ import annotations

from rich.console import Console

from shaping.capture.recording import CaptureKind, Severity
from shaping.plan.plan import LoopSummary, Plan
from shaping.plan.suggestion import Suggestion
from shaping.report import gains_text, safety, words
from shaping.report.figures.marked_frequencies import MOST_CRITICAL
from shaping.report.terminal_text import Column, bold, heading, lines, rows, setting_rows
from shaping.text.frequency import frequency_text
from shaping.text.names import shown
from shaping.text.quantities import gain_text

_RING = (
    Column("Frequency", leads=True),
    Column("Finding"),
    Column("Peak", right=True),
    Column("From", right=True),
)
_CRITICAL = (Column("Frequency", leads=True), Column("From send gain", right=True))
_RESONANCE = (Column("Frequency", leads=True), Column("Height"), Column("Width"))


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


def _captures(plan: Plan, console: Console) -> None:
    if plan.name:
        bold(console, shown(plan.name))
    if not plan.captures:
        bold(console, "Nothing was recorded: starting points.")
    for capture in plan.captures:
        bold(console, words.capture_text(capture))
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
    found, others = words.shown_rings(plan)
    rows(
        console,
        _RING,
        [
            (
                frequency_text(ring.frequency_hz),
                f"{words.ring_word(ring)}: {words.growth_text(ring)}",
                words.peak_text(ring),
                words.onset_text(ring, plan),
            )
            for ring in found
        ],
    )
    if others:
        lines(console, [("-", others)])


def _critical(loop: LoopSummary, console: Console) -> None:
    heading(console, "Where it howls without the settings, first one first")
    rows(
        console,
        _CRITICAL,
        [
            (frequency_text(point.frequency_hz), gain_text(point.gain_db))
            for point in loop.critical[:MOST_CRITICAL]
        ],
    )


def _resonances(plan: Plan, console: Console) -> None:
    heading(console, "Resonances found, most prominent first")
    rows(
        console,
        _RESONANCE,
        [
            (
                frequency_text(peak.frequency_hz),
                words.height_text(peak),
                words.width_text(peak.q),
            )
            for peak in plan.resonances
        ],
    )


def _settings(plan: Plan, console: Console) -> None:
    limits = plan.limits
    if not plan.filters:
        heading(console, "Nothing to dial in")
        return
    before, said = safety.before_acting(plan)
    heading(console, before)
    lines(console, [("!", caution) for caution in said])
    heading(console, f"Settings to dial in, in this order ({shown(limits.name)})")
    settings = words.settings(plan)
    setting_rows(console, settings)
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
