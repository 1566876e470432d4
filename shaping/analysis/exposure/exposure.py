"""From a calibrated recording to levels, doses and times.

Conventions: sound pressure levels in dB re 20 uPa. Every level here rests on a calibrator's tone or
a stated sensitivity, and on a gain that nobody touched; without one of them there is no level.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.exposure import documents, levels
from shaping.analysis.exposure.calibrated import Calibration, one_channel
from shaping.analysis.exposure.ear import CORRECTION, EarMeasurement, refuse_electrical, to_field
from shaping.analysis.exposure.shares import Howl, Shares, energy_shares
from shaping.analysis.exposure.uncertainty import MicClass, Uncertainty, uncertainty_of
from shaping.capture.audio import RecordingInfo
from shaping.errors import CaptureError
from shaping.text.durations import duration_text, moment_text
from shaping.text.names import shown

LEAST_S = 1.0  # a choice: a shorter stretch has no level to speak of

PLAUSIBLE_DBA = (25.0, 135.0)
"""Quieter than any hall and louder than any stage: outside, tone and recording do not belong
together."""

_Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Minute:
    """One minute of a recording.

    Attributes
    ----------
    start_s : float
        Its beginning.
    laeq_db, lceq_db, lcpeak_db : float
        Its levels.
    laeq_15min_db : float
        Level of the 15 minutes that end with it; NaN before 15 minutes are full.
    """

    start_s: float
    laeq_db: float
    lceq_db: float
    lcpeak_db: float
    laeq_15min_db: float


@dataclass(frozen=True, eq=False)
class Exposure:
    """Levels of a recording, and what documents say of such levels.

    Attributes
    ----------
    path : str
        The recording.
    channel, sample_rate_hz : int
        Channel counted from 1, and its rate.
    duration_s : float
        Its length.
    calibration : Calibration
        What the levels rest on.
    mic_class : MicClass
        What the instrument is worth.
    ear : EarMeasurement or None
        Where an in-ear was measured; None in a sound field.
    correction : str or None
        Name of the correction that was applied, in-ears only.
    laeq_db, lceq_db, lcpeak_db : float
        Levels of the whole.
    laeq_15min_db, laeq_15min_until_s : float
        The highest level over 15 minutes, and when they ended; NaN where it is shorter.
    minutes : tuple of Minute
        One after the other; the last may be shorter.
    second_laeq_db, running_15min_db : ndarray
        Level of each second; of each 15 minutes, by the second (empty where it is shorter).
    daily_level_db : float
        LEX,8h of this recording and nothing else that day.
    uncertainty : Uncertainty
        Of the levels.
    references, peaks : tuple
        Values of the documents.
    shares : Shares
        Of the energy.
    howls : tuple of Howl
        What counts as howls.
    at_least : bool
        Whether the recording was clipped, so that levels are at least what is told.
    notes : tuple of str
        What is doubtful, in plain sentences.
    """

    path: str
    channel: int
    sample_rate_hz: int
    duration_s: float
    calibration: Calibration
    mic_class: MicClass
    ear: EarMeasurement | None
    correction: str | None
    laeq_db: float
    lceq_db: float
    lcpeak_db: float
    laeq_15min_db: float
    laeq_15min_until_s: float
    minutes: tuple[Minute, ...]
    second_laeq_db: _Real
    running_15min_db: _Real
    daily_level_db: float
    uncertainty: Uncertainty
    references: tuple[documents.Reference, ...]
    peaks: tuple[documents.PeakReference, ...]
    shares: Shares
    howls: tuple[Howl, ...]
    at_least: bool
    notes: tuple[str, ...]

    @property
    def venue_passed(self) -> bool:
        """Whether some 15 minutes were louder than the WHO's level for venues."""
        return bool(self.laeq_15min_db > documents.WHO_LEVEL_DB)

    @property
    def any_passed(self) -> bool:
        """Whether the recording alone reaches a value of any document."""
        timed = any(one.passed for one in self.references)
        return self.venue_passed or timed or any(one.passed for one in self.peaks)


def measure_exposure(
    info: RecordingInfo,
    calibration: Calibration,
    *,
    channel: int,
    mic_class: MicClass = MicClass.UNKNOWN,
    ear: EarMeasurement | None = None,
    howls: Sequence[Howl] = (),
) -> Exposure:
    """Measure a recording's levels, streaming.

    Parameters
    ----------
    info : RecordingInfo
        The recording.
    calibration : Calibration
        From `calibrate` or `stated_sensitivity`.
    channel : int
        Counted from 1.
    mic_class : MicClass
        What the instrument is worth.
    ear : EarMeasurement, optional
        Where an in-ear was measured; None in a sound field.
    howls : sequence of Howl
        Found elsewhere; their share of the energy is told.

    Returns
    -------
    Exposure

    Raises
    ------
    CaptureError
        If the recording cannot be read, is too short, lies where no stage does, or is a pack's
        electrical output.
    ParameterError
        If its sample rate is too low for the weightings.
    """
    if ear is not None:
        refuse_electrical(ear)
    if info.duration_s < LEAST_S:
        raise CaptureError(
            f"{shown(info.path)}: {duration_text(info.duration_s)} is too short for a level"
        )
    rate = info.sample_rate_hz

    def heard() -> Iterator[NDArray[np.floating]]:
        blocks = one_channel(info, channel)
        return blocks if ear is None else to_field(blocks, rate)

    trace = levels.measure_levels(heard(), rate)
    shares = energy_shares(heard(), rate, howls)
    spread = uncertainty_of(mic_class, stated=calibration.stated, in_ear=ear is not None)
    up_db = calibration.sensitivity_db
    laeq_db = _leq(trace.a_power, trace.weight_s) + up_db
    _refuse_implausible(info, laeq_db)
    seconds_db = levels.level_db(trace.a_power) + up_db
    running_db = levels.level_db(levels.running_mean(trace.a_power, documents.WHO_SPAN_S)) + up_db
    highest = int(np.argmax(running_db)) if running_db.size else -1
    lcpeak_db = float(levels.level_db(trace.c_peak.max() ** 2)) + up_db
    return Exposure(
        path=info.path,
        channel=channel,
        sample_rate_hz=rate,
        duration_s=trace.duration_s,
        calibration=calibration,
        mic_class=mic_class,
        ear=ear,
        correction=None if ear is None else CORRECTION,
        laeq_db=laeq_db,
        lceq_db=_leq(trace.c_power, trace.weight_s) + up_db,
        lcpeak_db=lcpeak_db,
        laeq_15min_db=float(running_db[highest]) if running_db.size else math.nan,
        laeq_15min_until_s=(float(highest + documents.WHO_SPAN_S) if running_db.size else math.nan),
        minutes=_minutes(trace, running_db, up_db),
        second_laeq_db=seconds_db,
        running_15min_db=running_db,
        daily_level_db=documents.daily_level_db(laeq_db, trace.duration_s),
        uncertainty=spread,
        references=documents.references(
            seconds_db, trace.weight_s, leq_db=laeq_db, expanded_db=spread.expanded_db
        ),
        peaks=documents.peak_references(lcpeak_db),
        shares=shares,
        howls=tuple(howls),
        at_least=trace.full_scale > 0,
        notes=_notes(info, trace, ear, calibration),
    )


def _leq(power: _Real, weight_s: _Real) -> float:
    return float(levels.level_db(levels.mean_power(power, weight_s)))


def _minutes(trace: levels.LevelTrace, running_db: _Real, up_db: float) -> tuple[Minute, ...]:
    starts = np.arange(0, trace.a_power.size, 60)
    a, c = (
        levels.level_db(levels.per_minute(power, trace.weight_s)) + up_db
        for power in (trace.a_power, trace.c_power)
    )
    peaks = levels.level_db(np.maximum.reduceat(trace.c_peak, starts) ** 2) + up_db
    found = []
    for at, start in enumerate(starts):
        full = int(start) + 60 - documents.WHO_SPAN_S
        quarter = float(running_db[full]) if 0 <= full < running_db.size else math.nan
        found.append(Minute(float(start), float(a[at]), float(c[at]), float(peaks[at]), quarter))
    return tuple(found)


def _refuse_implausible(info: RecordingInfo, laeq_db: float) -> None:
    low, high = PLAUSIBLE_DBA
    if not low <= laeq_db <= high:
        raise CaptureError(
            f"{shown(info.path)}: would be at {laeq_db:.0f} dBA, where no stage is: the tone or "
            "the sensitivity belongs to another gain, another mic or another channel"
        )


def _notes(
    info: RecordingInfo,
    trace: levels.LevelTrace,
    ear: EarMeasurement | None,
    calibration: Calibration,
) -> tuple[str, ...]:
    notes = []
    if trace.full_scale:
        notes.append(
            f"The recording is clipped ({trace.full_scale} samples on full scale): levels and peak "
            "are at least those told. Turn the gain down, calibrate again, and record again."
        )
    if info.cut_short:
        notes.append(info.cut_short)
    if trace.duration_s < documents.WHO_SPAN_S:
        notes.append(
            f"{moment_text(trace.duration_s)} is shorter than 15 minutes, so there is no "
            "LAeq,15min, and what is told of a day rests on this much of it."
        )
    if calibration.stated:
        notes.append(
            "The sensitivity was stated, not measured on the day: a calibrator's tone before and "
            "after shows what mic, cable and gain really did."
        )
    elif len(calibration.tones) == 1:
        notes.append(
            "There is one calibration tone: a second one after the recording shows that nobody "
            "touched the gain in between."
        )
    if ear is EarMeasurement.COUPLER:
        notes.append(
            "A coupler is larger than an ear and reads lower, more so at high frequencies: the "
            "level in an ear is likely higher than what is told."
        )
    return tuple(notes)
