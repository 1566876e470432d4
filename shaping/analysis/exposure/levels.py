"""Levels second by second, streamed: A- and C-weighted power, and the C-weighted peak.

Conventions: powers are mean squares with full scale at +-1 and no pressure: `Sensitivity` turns
them into sound pressure levels. A level over some seconds is the level of their mean power (Leq).
Memory grows with the seconds alone: 24 bytes each, 2 MB a day.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from shaping.analysis.exposure.weightings import a_weighting_sos, c_weighting_sos
from shaping.filters.apply import apply_sos, initial_state
from shaping.filters.cookbook import Sos

FULL_SCALE = 0.9999
"""At or above this a sample sits on the converter's rail (0.9999695 is the top of 16 bits)."""

_PEAK_AROUND = 32  # samples on each side of a peak that are looked at between the samples
_PEAK_FINER = 8
"""Between samples a peak is then missed by less than 0.2 dB (a sine at half the rate)."""
_LEAST_POWER = 1e-20  # keeps a logarithm finite

_Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class LevelTrace:
    """What a recording holds, second by second.

    Attributes
    ----------
    a_power, c_power : ndarray, shape (seconds,)
        Weighted mean squares; those of the last second over what there is of it.
    c_peak : ndarray, shape (seconds,)
        Greatest C-weighted magnitude, between samples as well.
    weight_s : ndarray, shape (seconds,)
        Length of each second: 1, and less for the last.
    full_scale : int
        Samples on the converter's rail.
    """

    a_power: _Real
    c_power: _Real
    c_peak: _Real
    weight_s: _Real
    full_scale: int

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return float(self.weight_s.sum())


class _Weighted:
    """One weighting of a stream."""

    def __init__(self, sos: Sos) -> None:
        self._sos = sos
        self._state = initial_state(sos)

    def feed(self, block: _Real) -> _Real:
        weighted, self._state = apply_sos(self._sos, block, self._state)
        return weighted


def measure_levels(blocks: Iterable[NDArray[np.floating]], sample_rate_hz: int) -> LevelTrace:
    """Measure one channel.

    Parameters
    ----------
    blocks : iterable of ndarray of float, shape (n,)
        The recording in order, in blocks of any size.
    sample_rate_hz : int
        Sample rate in Hz.

    Returns
    -------
    LevelTrace

    Raises
    ------
    ParameterError
        If the sample rate is below 32 kHz.
    """
    a_weighted = _Weighted(a_weighting_sos(sample_rate_hz))
    c_weighted = _Weighted(c_weighting_sos(sample_rate_hz))
    rows: list[tuple[float, float, float, float]] = []
    full_scale = 0
    for second in _seconds(blocks, sample_rate_hz):
        full_scale += int(np.count_nonzero(np.abs(second) >= FULL_SCALE))
        a, c = a_weighted.feed(second), c_weighted.feed(second)
        rows.append(
            (
                float(np.mean(a**2)),
                float(np.mean(c**2)),
                _peak(c),
                second.size / sample_rate_hz,
            )
        )
    a_power, c_power, c_peak, weight_s = np.array(rows).reshape(-1, 4).T
    return LevelTrace(a_power, c_power, c_peak, weight_s, full_scale)


def _seconds(blocks: Iterable[NDArray[np.floating]], size: int) -> Iterable[_Real]:
    """Yield a stream second by second, the last one as short as it is."""
    kept: list[_Real] = []
    held = 0
    for block in blocks:
        rest = np.asarray(block, np.float64)
        while held + rest.size >= size:
            taken = size - held
            yield np.concatenate([*kept, rest[:taken]])
            kept, held, rest = [], 0, rest[taken:]
        if rest.size:
            kept.append(rest)
            held += rest.size
    if held:
        yield np.concatenate(kept)


def _peak(samples: _Real) -> float:
    """Return the greatest magnitude, between the samples around the highest one as well."""
    at = int(np.argmax(np.abs(samples)))
    near = samples[max(at - _PEAK_AROUND, 0) : at + _PEAK_AROUND + 1]
    finer = signal.resample_poly(near, _PEAK_FINER, 1)
    return float(max(np.abs(samples[at]), np.abs(finer).max()))


def level_db(power: _Real | float) -> _Real:
    """Return a power as a level, in dB re full scale (0 dB is a mean square of 1)."""
    return np.asarray(10 * np.log10(np.maximum(power, _LEAST_POWER)))


def mean_power(power: _Real, weight_s: _Real) -> float:
    """Return the mean of powers that stand for so many seconds each."""
    return float(np.average(power, weights=weight_s)) if power.size else 0.0


def per_minute(power: _Real, weight_s: _Real) -> _Real:
    """Return the mean power of each minute, the last one as short as it is."""
    starts = np.arange(0, power.size, 60)
    energy = np.add.reduceat(power * weight_s, starts)
    return np.asarray(energy / np.add.reduceat(weight_s, starts))


def running_mean(power: _Real, seconds: int) -> _Real:
    """Return the mean power of every stretch of so many whole seconds, by its last second.

    Empty where the recording is shorter.

    >>> running_mean(np.array([1.0, 1.0, 4.0]), 2).tolist()
    [1.0, 2.5]
    """
    if power.size < seconds:
        return np.zeros(0)
    total = np.concatenate([[0.0], np.cumsum(power)])
    return np.asarray((total[seconds:] - total[:-seconds]) / seconds)
