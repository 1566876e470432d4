"""The test signal of in-ear feeds: what is played to every pack at once.

Two channels, left and right. Everything is counted in periods of 8192 samples (1/6 s), and every
stretch but the idents repeats one period, so that what a pack adds of its own accord (noise: a new
one in every period) and what it makes of the signal (distortion: the same in every period) can be
told apart. Left sounds on odd lines of the period's spectrum and right on even ones, so that both
can sound together and still be told apart; a gap of half an octave is left empty in both, and what
fills it is distortion. The stretches, in order:

============  =======  =========================================================
ident         4.5      one noise burst left, two right: for eyes on a meter and
                       for lining up, so every burst is another noise
pause         25       nothing: noise and hum
steps         7 x 4    both sides, from 30 dB below the level up to it: limiter
                       and compressor
left, right   5 each   one side alone: which side arrives where
hold          24       both sides at the level: dropouts
steps         2 x 4    3 and 6 dB above it: limiter or compressor
ident         4.5      again: the recorder's clock
============  =======  =========================================================

References
----------
.. [1] R. Pintelon, J. Schoukens, "System Identification: A Frequency Domain Approach", 2nd ed.,
   2012: periodic multisines, noise and distortion told apart by repetition and by empty lines
   (from memory).
.. [2] Noise power ratio: a notch in noise that fills up measures distortion under a load of many
   tones; ITU-R practice for transmission systems (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from shaping.errors import CaptureError, ParameterError

PERIOD = 8_192
"""Samples of a period, at any rate: 0.17 s at 48 kHz. Lines of one side are 12 Hz apart."""

RATES_HZ = (44_100, 48_000)
"""Rates that recorders of a stage run at."""

STEPS_DB = (-30.0, -20.0, -12.0, -9.0, -6.0, -3.0, 0.0, 3.0, 6.0)
"""Levels of the steps; close at the top, where limiters set in. They only rise, so that no limiter
has to let go, which takes longer than a period. The last two come after the hold: with them a
limiter that works at the hold's level is told from a compressor that does."""

IDENT_DB = -6.0
"""Level of the ident: a burst need not be loud to be found."""

FEEDS_LEVEL_DBFS = -24.0
"""Level of the hold, rms of each side, in dBFS: near the level of a mix, with room for peaks."""

LOUDEST_DBFS = -18.0
"""Loudest level that leaves room for the peaks of the last step (17 dB over it)."""

SIGNAL_LOWEST_HZ, SIGNAL_HIGHEST_HZ = 50.0, 14_000.0
"""Radio packs carry up to 15 kHz; below 50 Hz hum would take over."""

GAP_HZ = (1_900.0, 2_700.0)
"""Left empty, half an octave: the middle of the band, where what distorts anywhere falls too."""

SETTLING = 1
"""Periods at the beginning of every stretch that only let the pack settle."""

_BURSTS = ("left", "right", "right")
_GAP = PERIOD // 2
_IDENT_SIZE = len(_BURSTS) * (PERIOD + _GAP)
_PAUSE, _ALONE, _STEP, _HOLD = 25, 5, 4, 24
_RAMP = 256
_SEED = 611
_DRAWS = 24
SIDES = ("left", "right")

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Stretch:
    """One part of the signal.

    Attributes
    ----------
    kind : str
        ``burst``, ``pause``, ``left``, ``right``, ``step`` or ``hold``.
    start, size : int
        Where it lies, in samples.
    level_db : float
        Level against that of the hold; -inf in the pause.
    sides : tuple of str
        Which sides sound.
    number : int
        Which of the bursts; 0 for all else.
    """

    kind: str
    start: int
    size: int
    level_db: float
    sides: tuple[str, ...]
    number: int = 0

    @property
    def settled(self) -> slice:
        """The samples after the pack has settled."""
        return slice(self.start + SETTLING * PERIOD, self.start + self.size)


@lru_cache(maxsize=1)
def stretches() -> tuple[Stretch, ...]:
    """Return the parts of the signal in order, without the gaps between bursts."""
    return tuple(_stretches())


def _stretches() -> Iterator[Stretch]:
    at = _GAP
    for first in (0, len(_BURSTS)):
        for number, side in enumerate(_BURSTS, first):
            yield Stretch("burst", at, PERIOD, IDENT_DB, (side,), number)
            at += PERIOD + _GAP
        if first:
            return
        rest: list[tuple[str, int, float, tuple[str, ...]]] = [
            ("pause", _PAUSE, -math.inf, ()),
            *(("step", _STEP, level_db, SIDES) for level_db in STEPS_DB if level_db <= 0),
            *((side, _ALONE, 0.0, (side,)) for side in SIDES),
            ("hold", _HOLD, 0.0, SIDES),
            *(("step", _STEP, level_db, SIDES) for level_db in STEPS_DB if level_db > 0),
        ]
        for kind, periods, level_db, sides in rest:
            yield Stretch(kind, at, periods * PERIOD, level_db, sides)
            at += periods * PERIOD
        at += _GAP


def whole_size() -> int:
    """Return the length of the signal in samples.

    >>> round(whole_size() / 48_000, 1)
    17.9
    """
    last = stretches()[-1]
    return last.start + last.size + _GAP


def lines_of(side: str, sample_rate_hz: int) -> NDArray[np.int64]:
    """Return the lines of the period's spectrum on which a side sounds."""
    first = 1 if side == "left" else 2
    lines = np.arange(first, PERIOD // 2, 2)
    frequency = lines * sample_rate_hz / PERIOD
    inside = (frequency >= SIGNAL_LOWEST_HZ) & (frequency <= SIGNAL_HIGHEST_HZ)
    return lines[inside & ((frequency < GAP_HZ[0]) | (frequency > GAP_HZ[1]))]


@lru_cache(maxsize=len(RATES_HZ) * len(SIDES))
def period_of(side: str, sample_rate_hz: int) -> Floats:
    """Return one period of a side, rms 1: pink, of the smallest crest of a few draws."""
    rng = np.random.default_rng([_SEED, SIDES.index(side)])
    lines = lines_of(side, sample_rate_hz)
    best: Floats | None = None
    for _ in range(_DRAWS):
        spectrum = np.zeros(PERIOD // 2 + 1, complex)
        spectrum[lines] = np.exp(2j * np.pi * rng.random(lines.size)) / np.sqrt(lines)
        drawn = np.fft.irfft(spectrum, PERIOD)
        drawn /= math.sqrt(float(np.mean(drawn**2)))
        if best is None or np.abs(drawn).max() < np.abs(best).max():
            best = drawn
    assert best is not None
    best.setflags(write=False)
    return best


@lru_cache(maxsize=2 * len(_BURSTS) * len(RATES_HZ))
def burst(number: int, sample_rate_hz: int) -> Floats:
    """Return one burst of the ident, rms about 1: pink, and like no other."""
    rng = np.random.default_rng([_SEED, 10 + number])
    spectrum = np.zeros(PERIOD // 2 + 1, complex)
    lines = np.union1d(*(lines_of(side, sample_rate_hz) for side in SIDES))
    spectrum[lines] = np.exp(2j * np.pi * rng.random(lines.size)) / np.sqrt(lines)
    drawn = np.fft.irfft(spectrum, PERIOD)
    drawn = _ramped(drawn / math.sqrt(float(np.mean(drawn**2))))
    drawn.setflags(write=False)
    return drawn


def feeds_signal(
    *, sample_rate_hz: int = 48_000, level_dbfs: float = FEEDS_LEVEL_DBFS
) -> NDArray[np.float32]:
    """Make the test signal for in-ear feeds.

    Parameters
    ----------
    sample_rate_hz : int
        44100 or 48000.
    level_dbfs : float
        Level of the hold, rms of each side, in dBFS.

    Returns
    -------
    ndarray of float32, shape (n, 2)
        Left and right.

    Raises
    ------
    ParameterError
        If the rate is another, or the level would clip or be nothing.
    """
    if sample_rate_hz not in RATES_HZ:
        raise ParameterError(f"sample_rate_hz={sample_rate_hz} must be 44100 or 48000 Hz")
    if not -60.0 <= level_dbfs <= LOUDEST_DBFS:
        raise ParameterError(
            f"level_dbfs={level_dbfs:g} must lie in -60 to {LOUDEST_DBFS:g} dB, or peaks would clip"
        )
    whole = np.zeros((whole_size(), len(SIDES)))
    for one in stretches():
        for side in one.sides:
            made = burst(one.number, sample_rate_hz)
            if one.kind != "burst":
                # It fades after its end, where the next has yet to settle.
                repeated = np.tile(period_of(side, sample_rate_hz), one.size // PERIOD + 1)
                made = _ramped(repeated[: one.size + _RAMP])
            part = whole[one.start : one.start + made.size, SIDES.index(side)]
            part += made * 10 ** (one.level_db / 20)
    return np.asarray(whole * 10 ** (level_dbfs / 20), np.float32)


def level_of(reference: NDArray[np.float32], sample_rate_hz: int, *, name: str) -> float:
    """Return the level of a test signal in dBFS, or tell that it is none.

    Parameters
    ----------
    reference : ndarray of float32, shape (n, channels)
        What the file that was played holds.
    sample_rate_hz : int
        Its rate.
    name : str
        What to call the file.

    Returns
    -------
    float
        Level of the hold, rms of each side, in dBFS.

    Raises
    ------
    CaptureError
        If it is not a signal of `feeds_signal`, whole and untouched but for its level.
    """
    made_by = "make it with: shaping signal feeds FILE"
    if sample_rate_hz not in RATES_HZ or reference.shape != (whole_size(), len(SIDES)):
        raise CaptureError(
            f"{name}: this is not the test signal of feeds, two channels of "
            f"{whole_size()} samples at 44100 or 48000 Hz; {made_by}"
        )
    made = feeds_signal(sample_rate_hz=sample_rate_hz).astype(np.float64)
    given = reference.astype(np.float64)
    gain = float(np.vdot(made, given) / np.vdot(made, made))
    rest = float(np.sum((given - gain * made) ** 2))
    if not gain > 0 or rest > 1e-3 * float(np.sum(given**2)):
        raise CaptureError(
            f"{name}: this is not the test signal of feeds, or it was worked on since; {made_by}"
        )
    return FEEDS_LEVEL_DBFS + 20 * math.log10(gain)


def _ramped(samples: Floats) -> Floats:
    """Return samples that begin and end softly: a step would click."""
    ramp = np.sin(np.pi / 2 * (np.arange(_RAMP) + 0.5) / _RAMP) ** 2
    made = samples.copy()
    made[:_RAMP] *= ramp
    made[-_RAMP:] *= ramp[::-1]
    return made
