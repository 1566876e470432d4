"""What an exposure says, in plain sentences and table rows; never that a level is harmless."""

from __future__ import annotations

import math
from dataclasses import dataclass

from shaping.analysis.exposure.documents import WHO_LEVEL_DB, WORKING_DAY_S, Reference
from shaping.analysis.exposure.ear import EarMeasurement
from shaping.analysis.exposure.exposure import Exposure, Minute
from shaping.analysis.exposure.uncertainty import MicClass
from shaping.capture.cautions import SAFE_LEVELS
from shaping.text.durations import duration_text, moment_text
from shaping.text.frequency import frequency_text
from shaping.text.names import file_text
from shaping.text.sentences import listing

LOUDEST_MINUTES = 5  # a choice: lines that are read
DOCUMENTS_HEADING = "What documents say, beside this recording"
_LITTLE = 0.005  # half a percent shows as nothing
_A_WORKING_DAY = "8 h"
_MINUTES_FROM_S = 300.0  # from five minutes on seconds say nothing
_LONGEST_S = 7 * 24 * 3600.0  # a week: longer is as good as no limit

_INSTRUMENT = {
    MicClass.ONE: "a class 1 microphone",
    MicClass.TWO: "a class 2 microphone",
    MicClass.UNKNOWN: "a microphone of unknown class",
}


@dataclass(frozen=True, slots=True)
class Row:
    """One value of a document beside the recording.

    Attributes
    ----------
    document, value : str
        The document, and what it says.
    here : str
        What the recording makes of it.
    time, span : str
        How long its level takes to reach it, and between what; "" where no time belongs to it.
    passed : bool
        Whether the recording alone reaches it.
    """

    document: str
    value: str
    here: str
    time: str
    span: str
    passed: bool


def title(exposure: Exposure) -> str:
    """Return the heading."""
    return f"Levels of {file_text(exposure.path)}"


def level_text(level_db: float, unit: str = "dBA") -> str:
    """Return a sound pressure level.

    >>> level_text(94.04), level_text(112.0, "dBC"), level_text(math.nan)
    ('94.0 dBA', '112.0 dBC', 'not known')
    """
    return "not known" if math.isnan(level_db) else f"{level_db:.1f} {unit}"


def answer(exposure: Exposure) -> tuple[str, ...]:
    """Return what matters, first: the level, the loudest quarter of an hour, what was passed."""
    e = exposure
    least = "at least " if e.at_least else ""
    at_ear = "" if e.ear is None else ", as a sound field that gives the same at the eardrum"
    told = [
        f"{least}{level_text(e.laeq_db)} on average over {duration_text(e.duration_s)} (LAeq), "
        f"within {e.uncertainty.expanded_db:.1f} dB either way{at_ear}.",
    ]
    if not math.isnan(e.laeq_15min_db):
        told.append(
            f"The loudest 15 minutes had {level_text(e.laeq_15min_db)} (LAeq,15min), until "
            f"{moment_text(e.laeq_15min_until_s)}."
        )
    told.append(
        f"C-weighted {least}{level_text(e.lceq_db, 'dBC')} (LCeq), highest peak "
        f"{least}{level_text(e.lcpeak_db, 'dBC')} (LCpeak)."
    )
    return (told[0][:1].upper() + told[0][1:], *told[1:], _passed_text(e))


def _passed_text(e: Exposure) -> str:
    timed = [f"{one.document} ({one.name})" for one in e.references if one.passed]
    peaks = [f"{one.document} (peak, {one.name})" for one in e.peaks if one.passed]
    passed = [*timed, *peaks]
    if e.venue_passed:
        passed.append(f"WHO venues ({WHO_LEVEL_DB:.0f} dBA over 15 minutes)")
    if passed:
        return f"This recording alone reaches values of {listing(passed)}. {SAFE_LEVELS}"
    return (
        "This recording alone reaches none of the values below, but a day or a week counts whole. "
        + SAFE_LEVELS
    )


def rows(exposure: Exposure) -> tuple[Row, ...]:
    """Return the documents' values, side by side."""
    e = exposure
    found = [
        Row(
            one.document,
            f"{one.name}, {one.level_db:.0f} dBA over {_span_text(one.span_s)}",
            f"{_percent(one.share)}" + _reached(one),
            _time_text(one.time_s),
            f"{_time_text(one.time_low_s)} to {_time_text(one.time_high_s)}",
            one.passed,
        )
        for one in e.references
    ]
    found.append(
        Row(
            "WHO venues",
            f"for the audience, {WHO_LEVEL_DB:.0f} dBA over any 15 min",
            "shorter than 15 min"
            if math.isnan(e.laeq_15min_db)
            else level_text(e.laeq_15min_db) + (", passed" if e.venue_passed else ""),
            "",
            "",
            e.venue_passed,
        )
    )
    reached = [one.name for one in e.peaks if one.passed]
    found.append(
        Row(
            e.peaks[0].document,
            "peak, " + listing([f"{one.name} {one.level_db:.0f} dBC" for one in e.peaks]),
            level_text(e.lcpeak_db, "dBC") + (f", reaches the {reached[-1]}" if reached else ""),
            "",
            "",
            bool(reached),
        )
    )
    return tuple(found)


def _span_text(span_s: float) -> str:
    return _A_WORKING_DAY if span_s == WORKING_DAY_S else f"{span_s / 3600:.0f} h a week"


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %" if share < 0.1 else f"{100 * share:.0f} %"


def _reached(one: Reference) -> str:
    return f", reached at {moment_text(one.reached_at_s)}" if one.passed else ""


def _time_text(time_s: float) -> str:
    if time_s > _LONGEST_S:
        return "over a week"
    # Seconds beside minutes would be more than the level knows.
    return duration_text(time_s if time_s < _MINUTES_FROM_S else 60 * round(time_s / 60))


def energy_texts(exposure: Exposure) -> tuple[str, ...]:
    """Return where the energy lies, and what it would be without."""
    shares = exposure.shares
    low_mids = (
        f"Low mids (125 to 500 Hz) hold {_percent(shares.low_mids_a)} of the A-weighted energy and "
        f"{_percent(shares.low_mids_c)} of the C-weighted."
    )
    if not exposure.howls:
        return ("No sure howls were found.", low_mids)
    places = listing([frequency_text(one.frequency_hz) for one in exposure.howls[:3]])
    more = "" if len(exposure.howls) <= 3 else f" and {len(exposure.howls) - 3} more"
    howling_s = sum(one.stop_s - one.start_s for one in exposure.howls)
    found = (
        f"Howls at {places}{more}, {duration_text(howling_s)} in all, hold "
        f"{_percent(shares.howls_a)} of the A-weighted energy"
    )
    if shares.howls_a < _LITTLE:
        return (f"{found}.", low_mids)
    saved_db = -10 * math.log10(max(1 - shares.howls_a, 1e-3))
    return (f"{found}: without them LAeq would be {saved_db:.1f} dB lower.", low_mids)


def loudest_minutes(exposure: Exposure) -> tuple[Minute, ...]:
    """Return the loudest minutes, in order of time."""
    loudest = sorted(exposure.minutes, key=lambda one: -one.laeq_db)[:LOUDEST_MINUTES]
    return tuple(sorted(loudest, key=lambda one: one.start_s))


def basis_texts(exposure: Exposure) -> tuple[str, ...]:
    """Return what the levels rest on."""
    e = exposure
    if e.calibration.stated:
        rests = (
            f"A stated sensitivity: a full-scale sine at {e.calibration.sensitivity_db - 3.01:.1f} "
            "dB SPL."
        )
    else:
        tones = listing(
            [f"{file_text(one.path)} ({one.steady_s:.0f} s steady)" for one in e.calibration.tones]
        )
        rests = (
            f"A calibrator of {e.calibration.calibrator_db:g} dB on channel {e.channel}: {tones}; "
            "the gain unchanged since."
        )
    u = e.uncertainty
    parts = [
        f"calibration {u.calibration_db:.1f}",
        f"{_INSTRUMENT[e.mic_class]} {u.instrument_db:.1f}",
    ]
    parts.append(
        f"place {u.position_db:.1f}" if e.ear is None else f"fit in the ear {u.ear_db:.1f}"
    )
    told = [
        rests,
        f"Uncertainty, standard, in dB: {listing(parts)}; twice their root sum of squares is told "
        "(about 95 %).",
        "A- and C-weighting of IEC 61672-1; levels over seconds, minutes and the whole are of the "
        "mean power.",
        "Times are how long the average level of this recording takes to reach a value, from "
        "nothing; in brackets for the ends of the uncertainty.",
        f"LEX,8h of this recording and nothing else that day: {level_text(e.daily_level_db)}.",
        "NIOSH 98-126 is for work, the WHO's level for audiences, ITU-T H.870 for personal "
        "listening devices; the directive's limit value counts worn protection.",
    ]
    if e.ear is not None:
        where = "an ear simulator" if e.ear is EarMeasurement.EAR_SIMULATOR else "a coupler"
        told.append(f"Measured on {where} and corrected: {e.correction}.")
    return tuple(told)
