"""A comparison as terminal text."""

from __future__ import annotations

from rich.console import Console

from shaping.capture.cautions import EXPOSURE, RING_OUT
from shaping.capture.recording import CaptureKind
from shaping.comparison.changes import BandChange, Fate, RingChange
from shaping.comparison.compare import Comparison
from shaping.comparison.next_step import explanation_text
from shaping.report import words
from shaping.report.terminal_text import Column, heading, lines, rows
from shaping.text.frequency import frequency_text
from shaping.text.names import shown
from shaping.text.quantities import change_text, gain_text

_FATE_WORDS = {Fate.GONE: "gone", Fate.REMAINS: "still there", Fate.NEW: "new"}
_RING = (
    Column("Frequency", leads=True),
    Column("Now", bold=True, leads=True),
    Column("Before"),
    Column("After"),
    Column("Plan", right=True),
)
_BAND = (
    Column("Band", right=True, leads=True),
    Column("Measured", right=True),
    Column("Promised", right=True),
    Column("Missed by", right=True, bold=True),
)
_MISSED_DB = 1.5  # a choice: about what a person hears in one third-octave band
_LEVEL_DB = 1.0  # a choice: less is how well two recordings agree anyway


def print_comparison(comparison: Comparison, console: Console) -> None:
    """Print what changed between two captures, and the one next step.

    Parameters
    ----------
    comparison : Comparison
        What changed.
    console : rich Console
        Where to print; its width decides the layout.
    """
    for name, capture in (("Before", comparison.before), ("After", comparison.after)):
        lines(console, [(f"{name + ':':8}", words.capture_text(capture))])
        lines(
            console,
            [("!", shown(note.message)) for note in capture.quality],
        )
    if comparison.before.kind is CaptureKind.RING_OUT:
        _rings(comparison, console)
    else:
        _gain(comparison, console)
        _bands(comparison, console)
        _diagnosis(comparison, console)
    heading(console, "The next step")
    lines(console, [(">", comparison.next_step)])
    heading(console, "Mind")
    lines(console, [("!", caution) for caution in (*RING_OUT, EXPOSURE)])


def _rings(comparison: Comparison, console: Console) -> None:
    heading(console, "Rings, before and after")
    if not comparison.rings:
        lines(console, [("-", "None, in either.")])
        return
    planned = comparison.plan is not None
    rows(
        console,
        _RING if planned else _RING[:-1],
        [_ring_row(ring)[: None if planned else -1] for ring in comparison.rings],
    )
    lines(
        console,
        [
            (
                "-",
                "A ring-out shows what rang at the send level it reached: a ring counts as gone "
                "only if the send went as high as before.",
            )
        ],
    )


def _ring_row(ring: RingChange) -> tuple[str, ...]:
    return (
        frequency_text(ring.frequency_hz),
        _FATE_WORDS[ring.fate],
        _behaviour(ring, before=True),
        _behaviour(ring, before=False),
        "" if ring.promised_db is None else gain_text(ring.promised_db),
    )


def _behaviour(change: RingChange, *, before: bool) -> str:
    ring = change.before if before else change.after
    return "-" if ring is None else f"{words.ring_word(ring)}, {words.growth_text(ring)}"


def _gain(comparison: Comparison, console: Console) -> None:
    gain = comparison.gain
    if gain is None and not comparison.doubtful:
        return
    heading(console, "Stable gain, worst case over phase")
    if gain is None:
        lines(console, [("!", "Not told: what is said of the recordings above puts it in doubt.")])
        return
    told = [
        (
            "-",
            f"{change_text(gain.added_db)} gain before it howls: "
            f"{gain_text(gain.before_db)} before, {gain_text(gain.after_db)} after.",
        )
    ]
    if gain.promised_after_db is not None:
        told.append(("-", f"The plan promised {gain_text(gain.promised_after_db)} after."))
    lines(console, told)


def _bands(comparison: Comparison, console: Console) -> None:
    heading(console, "Change in each third-octave band")
    planned = comparison.plan is not None
    rows(
        console,
        _BAND if planned else _BAND[:2],
        [_band_row(band)[: None if planned else 2] for band in comparison.bands],
    )


def _band_row(band: BandChange) -> tuple[str, ...]:
    promised = "" if band.promised_db is None else gain_text(band.promised_db)
    return f"{band.nominal_hz:g} Hz", gain_text(band.measured_db), promised, _missed(band)


def _missed(band: BandChange) -> str:
    missed_db = band.measured_db - (band.promised_db or 0.0)
    return "" if abs(missed_db) < max(_MISSED_DB, 2 * band.error_db) else gain_text(missed_db)


def _diagnosis(comparison: Comparison, console: Console) -> None:
    found, plan = comparison.diagnosis, comparison.plan
    if found is None or plan is None:
        return
    heading(console, "Against the plan")
    told = [
        (
            "-",
            f"Measured and promised differ by {found.misfit_db:.1f} dB (root mean square over "
            f"1/12-octave bands, level left out).",
        )
    ]
    if abs(found.level_change_db) >= _LEVEL_DB:
        told.append(
            (
                "!",
                f"Everything came back {change_text(found.level_change_db)}: a gain was "
                "touched, or the recording level.",
            )
        )
    told += [("!", explanation_text(explanation, plan)) for explanation in found.explanations]
    if not found.explanations and found.misfit_db < _MISSED_DB:
        told.append(("-", "The settings do what the plan said."))
    lines(console, told)
