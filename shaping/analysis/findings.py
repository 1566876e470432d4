"""What analysis finds in captures: small frozen records, no computation.

Levels named ``*_dbfs`` are relative to full scale of the recording, never a sound pressure level.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.capture.recording import QualityNote

CERTAIN = 0.78
"""Confidence below this is a `possible ring`. Our choice: on the image-source stages 4.5 % of the
certain rings were false and 95.9 % of the clear ones found (tests/bench/ring_outs.py)."""


@dataclass(frozen=True, slots=True)
class Ring:
    """One feedback ring found in a capture.

    Attributes
    ----------
    frequency_hz : float
        Frequency of the fundamental in Hz.
    frequency_error_hz : float
        One standard deviation of `frequency_hz`.
    width_hz : float
        Spread of the ring's frequency: how far it wandered or how far unresolved neighbours lie
        apart. Zero for one steady ring.
    onset_s : float
        When it first stood out, from the start of the capture.
    duration_s : float
        Time it stood out, over all its occurrences.
    growth_db_per_s : float
        Steepest straight-line growth seen; 0.0 when it was never seen growing (it only rang on).
    decay_db_per_s : float or None
        Rate of its fall (positive), where a fall was seen.
    peak_dbfs : float
        Highest level of the ring alone.
    occurrences : int
        How often it came up in the capture.
    clipped : bool
        Whether it was loud enough to clip or be limited, so that its harmonics showed.
    confidence : float
        0..1. Below `CERTAIN` people are told `possible ring`.
    evidence : str
        The reason in plain words.
    spells : tuple of (float, float)
        Start and stop of each occurrence, in seconds from the start of the capture. Empty where
        they are not known.
    capture : int
        Which of several captures its times count from, from 1: clocks of two do not compare.
    """

    frequency_hz: float
    frequency_error_hz: float
    width_hz: float
    onset_s: float
    duration_s: float
    growth_db_per_s: float
    decay_db_per_s: float | None
    peak_dbfs: float
    occurrences: int
    clipped: bool
    confidence: float
    evidence: str
    spells: tuple[tuple[float, float], ...] = ()
    capture: int = 1

    @property
    def certain(self) -> bool:
        """Whether people are told `ring` and not `possible ring`."""
        return self.confidence >= CERTAIN


@dataclass(frozen=True, slots=True)
class Recurring:
    """A frequency at which one channel howled again and again, over its recordings.

    Attributes
    ----------
    frequency_hz : float
        Mean, weighted by confidence.
    spread_hz : float
        Standard deviation between events.
    events, sure : int
        Events, and those that are more than possible rings.
    dates : tuple of str
        Days on which it occurred.
    total_s : float
        Time it stood out.
    worst_growth_db_per_s, worst_over_db, peak_dbfs : float
        Of its events.
    clipped : bool
        Whether any of them clipped.
    confidence : float
        Of the surest event.
    """

    frequency_hz: float
    spread_hz: float
    events: int
    sure: int
    dates: tuple[str, ...]
    total_s: float
    worst_growth_db_per_s: float
    worst_over_db: float
    peak_dbfs: float
    clipped: bool
    confidence: float


@dataclass(frozen=True, eq=False)
class Nearness:
    """How near to howling each small cell of frequency came in a ring-out.

    Attributes
    ----------
    frequency_hz : ndarray, shape (n,)
        Where each cell stands out most, rising; a ring's own frequency where there is one.
    level_db : ndarray, shape (n,)
        Loop gain there over the gain at which the loop first howls: 0 dB howls first.
    error_db : ndarray, shape (n,)
        One standard deviation of `level_db`.
    """

    frequency_hz: NDArray[np.float64]
    level_db: NDArray[np.float64]
    error_db: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Resonance:
    """One peak of a magnitude response over its smooth trend.

    Attributes
    ----------
    frequency_hz : float
        Centre in Hz.
    prominence_db : float
        Height over the smooth trend in dB.
    q : float
        Centre over half-power bandwidth, window bias removed.
    error_db : float
        One standard deviation of `prominence_db`.
    q_error, frequency_error_hz : float
        One standard deviation of `q` and `frequency_hz`.
    """

    frequency_hz: float
    prominence_db: float
    q: float
    error_db: float
    q_error: float = math.nan
    frequency_error_hz: float = math.nan


@dataclass(frozen=True, eq=False)
class LoopResponse:
    """The path from the reference's samples to the capture's samples, P(f).

    Arrays share one shape (n,), rising in frequency in equal steps.

    Attributes
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequencies in Hz.
    response : ndarray of complex128, shape (n,)
        P(f) with the delay `delay_s` taken out: the whole path is
        ``response * exp(-2j * pi * frequency_hz * delay_s)``.
    coherence : ndarray, shape (n,)
        Share of the captured power that the reference explains, 0..1.
    error_db : ndarray, shape (n,)
        One standard deviation of the magnitude in dB.
    variance : ndarray, shape (n,)
        Variance of the complex estimate: the mean squared distance from the truth.
    excited : ndarray of bool, shape (n,)
        Whether the test signal was played there.
    trusted : ndarray of bool, shape (n,)
        False where the estimate cannot be relied upon (low coherence, outside the excited band).
    delay_s : float
        Delay of the strongest path, from the reference's first sample to the capture's first.
        It is the loop's own delay only where player and recorder started together.
    clock_ppm : float
        Recorder's clock against the player's, parts per million.
    coherence_median : float
        Median coherence of the excited band.
    snr_db : float
        Power that the reference explains over the power it does not, 100 Hz to 10 kHz.
    measured_hz : tuple of (float, float)
        Bands, low and high edge, that were played and heard clear of the noise.
    quality : tuple of QualityNote
        What is doubtful about the measurement, and what to do about it.
    """

    frequency_hz: NDArray[np.float64]
    response: NDArray[np.complex128]
    coherence: NDArray[np.float64]
    error_db: NDArray[np.float64]
    variance: NDArray[np.float64]
    excited: NDArray[np.bool_]
    trusted: NDArray[np.bool_]
    delay_s: float
    clock_ppm: float
    coherence_median: float
    snr_db: float = math.nan
    measured_hz: tuple[tuple[float, float], ...] = ()
    quality: tuple[QualityNote, ...] = ()


@dataclass(frozen=True, slots=True)
class CriticalFrequency:
    """A frequency at which the loop would howl, and the send gain that would start it.

    Attributes
    ----------
    frequency_hz : float
        Where.
    gain_db : float
        Send gain at which the loop gain reaches 0 dB there. Lowest first in any list.
    """

    frequency_hz: float
    gain_db: float
