"""What an output holds where nothing is played: hum, and noise as the ear weighs it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.weighting import a_weighting_db
from shaping.capture.hum import find_hum

_BAND = 10 ** (1 / 10)
"""A third of an octave: noise hardly changes within."""

_BOTTOM_HZ = 20.0

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Quiet:
    """Levels in the pause, in dBFS.

    Attributes
    ----------
    noise_dbfs : float
        A-weighted noise; without the lines of hum where there is hum.
    hum_dbfs : float
        Lines of mains hum together; -inf for none.
    mains_hz : int or None
        50 or 60, where there is hum.
    """

    noise_dbfs: float
    hum_dbfs: float
    mains_hz: int | None


def quiet_of(samples: Floats, sample_rate_hz: int) -> Quiet:
    """Return hum and noise of a pause, shape (n,)."""
    hum = find_hum(samples.astype(np.float32), sample_rate_hz)
    taper = np.hanning(samples.size + 1)[:-1]
    power = np.abs(np.fft.rfft(samples * taper)) ** 2 * 2 / (samples.size * np.sum(taper**2))
    frequency = np.arange(power.size) * sample_rate_hz / samples.size
    inside = frequency >= _BOTTOM_HZ
    frequency, power = frequency[inside], power[inside]
    if hum is not None:
        power = _without_lines(power, frequency)
    weighted = power * 10 ** (a_weighting_db(frequency) / 10)
    return Quiet(
        noise_dbfs=_db(float(weighted.sum())),
        hum_dbfs=_db(hum.level**2) if hum else -math.inf,
        mains_hz=hum.mains_hz if hum else None,
    )


def _without_lines(power: Floats, frequency: Floats) -> Floats:
    """Return the power that noise has where hum's lines stand: by the median of each band.

    The power of a bin of noise is spread exponentially, so its mean is its median over ln 2.
    """
    edges = _BOTTOM_HZ * _BAND ** np.arange(math.ceil(math.log(frequency[-1] / 20, _BAND)) + 1)
    smooth = power.copy()
    for low, high in pairwise(edges):
        band = slice(*np.searchsorted(frequency, (low, high)))
        if band.stop > band.start:
            smooth[band] = np.median(power[band]) / math.log(2)
    return smooth


def _db(power: float) -> float:
    return 10 * math.log10(power) if power > 0 else -math.inf
