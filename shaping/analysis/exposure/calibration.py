"""From a calibrator's tone to a sensitivity, and every reason not to trust one.

A calibrator puts a known sound pressure level on the mic. What the recorder then writes says how
many dB SPL stand for full scale, as long as nothing is touched. Wrong tones are common: a hand that
moved, a seal that leaked, a tone of another frequency, a channel at its limit, another gain. None
of them gives a level.

Conventions: a sensitivity is the sound pressure level of a mean square of 1 (a sine that touches
full scale has half of that, 3.01 dB less).

References
----------
.. [1] IEC 60942:2017, sound calibrators; limits from memory, and not decisive here: level within
   0.25 dB (class 1) or 0.40 dB (class 2), frequency within 0.7 % or 1.7 %, short-term fluctuation
   within 0.07 dB or 0.14 dB, total distortion within 2.5 % or 3 %.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from shaping.capture.audio import RecordingInfo
from shaping.capture.clipping import find_flat_tops
from shaping.errors import CaptureError, ParameterError
from shaping.text.durations import duration_text
from shaping.text.frequency import hertz_text
from shaping.text.names import shown

USUAL_CALIBRATOR_DB = 94.0
"""1 Pa; many calibrators also have 114 dB, 10 Pa."""

CALIBRATOR_HZ = 1000.0
"""At 1 kHz the A-, C- and unweighted levels agree."""

FREQUENCY_WITHIN = 0.02
"""A class 2 calibrator is within 1.7 %; what is further off is no calibrator at 1 kHz."""

STEADY_WITHIN_DB = 0.2
"""Between the highest and the lowest quarter of a second: a class 2 calibrator moves by 0.14 dB at
most, a seal that leaks or a hand that moves by more."""

LEAST_STEADY_S = 3.0  # a choice: twelve frames, enough to see that the level stands
LEAST_OVER_REST_DB = 20.0
"""What else sounds then adds less than 0.05 dB to the tone."""

MOST_DISTORTION = 0.04
"""Harmonics against the tone, in amplitude: a class 2 calibrator has 3 %, a clipped sine more."""

SAME_GAIN_DB = 0.5
"""Tones before and after a measurement further apart than this: nothing in between counts
(ISO 9612:2009, 12.2; from memory)."""

LONGEST_TONE_S = 300.0  # a choice: longer is another recording

CALIBRATOR_LEVELS_DB = (74.0, 130.0)
"""What calibrators and pistonphones give."""

_FRAME_S = 0.25  # a choice: a level that drifts by a quarter of a second is no calibrator's
_REST_HZ = (100.0, 10_000.0)  # where a mic that is not sealed hears the room
_MAIN_LOBE = 6  # bins on each side of a tone, with a Hann window and its leakage

_Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Tone:
    """A calibrator's tone as it was recorded.

    Attributes
    ----------
    path : str
        The file.
    channel : int
        Counted from 1.
    level_dbfs : float
        Its mean square, in dB re a mean square of 1.
    frequency_hz : float
        Its frequency.
    steady_s : float
        How long it stood steady: what was measured.
    wander_db : float
        Between its highest and its lowest quarter of a second.
    """

    path: str
    channel: int
    level_dbfs: float
    frequency_hz: float
    steady_s: float
    wander_db: float


def measure_tone(
    samples: NDArray[np.floating],
    sample_rate_hz: int,
    *,
    path: str,
    channel: int = 1,
    expected_hz: float = CALIBRATOR_HZ,
) -> Tone:
    """Measure the steadiest stretch of a calibrator's tone.

    Parameters
    ----------
    samples : ndarray of float, shape (n,)
        One channel, full scale +-1.
    sample_rate_hz : int
        Sample rate in Hz.
    path : str
        The file's name, for messages.
    channel : int
        Counted from 1.
    expected_hz : float
        The calibrator's frequency in Hz.

    Returns
    -------
    Tone

    Raises
    ------
    CaptureError
        If the tone is of another frequency, unsteady, too short, clipped, distorted, or not alone.
    """
    name = shown(path)
    sound = np.asarray(samples, np.float64)
    frequency_hz = _strongest_hz(sound, sample_rate_hz, name)
    if abs(frequency_hz / expected_hz - 1) > FREQUENCY_WITHIN:
        raise CaptureError(
            f"{name}: the strongest tone is at {hertz_text(frequency_hz)}, not at the "
            f"calibrator's {hertz_text(expected_hz)}: record the calibrator itself, pushed fully "
            "over the mic, or say --calibrator-hz if yours has another frequency"
        )
    first, last, wander_db = _steadiest(sound, sample_rate_hz, frequency_hz, name)
    steady = sound[first:last]
    _refuse_clipped(steady, name)
    level_dbfs, harmonics, rest_db = _tone_and_rest(steady, sample_rate_hz, frequency_hz)
    if harmonics > MOST_DISTORTION:
        raise CaptureError(
            f"{name}: the tone is clipped or distorted ({100 * harmonics:.0f} % of harmonics), as "
            "by a channel at its limit or a calibrator whose battery is low: turn the gain down, "
            "record the tone again and then the measurement with that gain"
        )
    if rest_db > -LEAST_OVER_REST_DB:
        raise CaptureError(
            f"{name}: the tone stands only {-rest_db:.0f} dB over everything else: seal the mic in "
            "the calibrator, keep the stage quiet, and record it again"
        )
    return Tone(path, channel, level_dbfs, frequency_hz, (last - first) / sample_rate_hz, wander_db)


def _strongest_hz(samples: _Real, sample_rate_hz: int, name: str) -> float:
    if samples.size < LEAST_STEADY_S * sample_rate_hz:
        raise CaptureError(
            f"{name}: {duration_text(samples.size / sample_rate_hz)} of calibration tone is too "
            "short; record 10 s"
        )
    if not np.any(samples):
        raise CaptureError(f"{name}: the calibration tone is silent: check channel and patch")
    frequency_hz, power = signal.welch(
        samples, sample_rate_hz, nperseg=round(sample_rate_hz * _FRAME_S), detrend="constant"
    )
    power[frequency_hz < _REST_HZ[0] / 2] = 0.0
    near = slice(max(int(np.argmax(power)) - 3, 0), int(np.argmax(power)) + 4)
    # The centroid of the main lobe: closer than a bin.
    return float(np.average(frequency_hz[near], weights=power[near]))


def _steadiest(
    samples: _Real, sample_rate_hz: int, frequency_hz: float, name: str
) -> tuple[int, int, float]:
    """Return start and stop, in samples, and the wander of the longest steady stretch."""
    frame = round(_FRAME_S * sample_rate_hz)
    count = samples.size // frame
    window = signal.windows.hann(frame, sym=False)
    turning = np.exp(-2j * np.pi * frequency_hz / sample_rate_hz * np.arange(frame))
    # The power of the tone alone, frame by frame: rumble and voices do not count.
    at_tone = samples[: count * frame].reshape(count, frame) @ (window * turning)
    level = 20 * np.log10(np.maximum(np.abs(at_tone), 1e-12))
    best = (0, 0)
    start = 0
    for stop in range(1, count + 1):
        while np.ptp(level[start:stop]) > STEADY_WITHIN_DB:
            start += 1
        stretch = level[start:stop]
        longer = stop - start > best[1] - best[0]
        if longer and stretch.max() > level.max() - 1.0:
            best = (start, stop)
    if (best[1] - best[0]) * _FRAME_S < LEAST_STEADY_S:
        raise CaptureError(
            f"{name}: the calibration tone is not steady: nowhere does it stay within "
            f"{STEADY_WITHIN_DB:g} dB for {LEAST_STEADY_S:g} s. Seal the mic in the calibrator, "
            "keep hands still, switch automatic gain off, and record 10 s"
        )
    wander_db = float(np.ptp(level[best[0] : best[1]]))
    return best[0] * frame, best[1] * frame, wander_db


def _refuse_clipped(steady: _Real, name: str) -> None:
    tops = find_flat_tops(steady.astype(np.float32))
    if tops is not None or np.abs(steady).max() >= 1.0:
        raise CaptureError(
            f"{name}: the calibration tone is clipped: turn the gain down until the tone fits, "
            "record it again, and record the measurement with that gain"
        )


def _tone_and_rest(
    steady: _Real, sample_rate_hz: int, frequency_hz: float
) -> tuple[float, float, float]:
    """Return the tone's level in dB, its harmonics in amplitude, and the rest against it in dB."""
    window = signal.windows.hann(steady.size, sym=False)
    power = np.abs(np.fft.rfft(steady * window)) ** 2 * 2 / (steady.size * np.sum(window**2))
    step_hz = sample_rate_hz / steady.size

    def around(hz: float, bins: int) -> slice:
        at = round(hz / step_hz)
        return slice(max(at - bins, 0), at + bins + 1)

    # A real calibrator's frequency wanders a little: its tone is as wide as one part in 500.
    reach = _MAIN_LOBE + math.ceil(frequency_hz / 500 / step_hz)
    tone = float(power[around(frequency_hz, reach)].sum())
    harmonic = sum(
        float(power[around(order * frequency_hz, reach * order)].sum())
        for order in range(2, 6)
        if order * frequency_hz < 0.5 * sample_rate_hz
    )
    rest = power.copy()
    rest[around(frequency_hz, reach)] = 0.0
    low, high = (round(hz / step_hz) for hz in _REST_HZ)
    other = float(rest[low:high].sum())
    return (
        10 * math.log10(tone),
        math.sqrt(harmonic / tone),
        10 * math.log10(max(other, 1e-30) / tone),
    )


def refuse_other_format(recording: RecordingInfo, tone: RecordingInfo) -> None:
    """Refuse a tone that was not written as the recording was.

    Raises
    ------
    CaptureError
        If sample rate, channels or file format differ: then the gain may as well.
    """
    differs = [
        f"{what} ({theirs} and {ours})"
        for what, theirs, ours in (
            ("sample rate", f"{tone.sample_rate_hz} Hz", f"{recording.sample_rate_hz} Hz"),
            ("number of channels", tone.channels, recording.channels),
            ("file format", f"{tone.format} {tone.subtype}", _format(recording)),
        )
        if theirs != ours
    ]
    if differs:
        raise CaptureError(
            f"{shown(tone.path)} and {shown(recording.path)} differ in {' and '.join(differs)}: "
            "the tone was recorded in another way, so it says nothing of the gain; record both "
            "alike, and export both alike"
        )


def _format(info: RecordingInfo) -> str:
    return f"{info.format} {info.subtype}"


def sensitivity_of(tones: list[Tone], calibrator_db: float) -> float:
    """Return the sound pressure level, in dB, of a mean square of 1.

    Parameters
    ----------
    tones : list of Tone
        One, or those before and after the measurement.
    calibrator_db : float
        The calibrator's level in dB.

    Raises
    ------
    CaptureError
        If the tones are more than 0.5 dB apart: the gain moved in between.
    ParameterError
        If no calibrator has such a level.
    """
    low, high = CALIBRATOR_LEVELS_DB
    if not low <= calibrator_db <= high:
        raise ParameterError(
            f"a calibrator's level lies between {low:g} and {high:g} dB, not {calibrator_db:g}; "
            "it stands on the calibrator"
        )
    levels = [tone.level_dbfs for tone in tones]
    apart_db = max(levels) - min(levels)
    if apart_db > SAME_GAIN_DB:
        raise CaptureError(
            f"the calibration tones are {apart_db:.1f} dB apart (more than {SAME_GAIN_DB:g} dB): "
            "the gain was changed, or the mic; nothing recorded in between has a level"
        )
    return calibrator_db - float(np.mean(levels))
