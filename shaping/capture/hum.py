"""Mains hum: steady lines at 50 or 60 Hz and their multiples.

A line of hum stands at its frequency through the whole recording, in the pauses too, so it is
looked for in a low percentile over time of short spectra; a bass note does not survive that. The
nearest tempered notes lie 2 % from 50 Hz (G1) and 3 % from 60 Hz (B1), a network within 0.4 %.

References
----------
.. [1] EN 50160: a synchronous 50 Hz network keeps within 1 % of 50 Hz for 99.5 % of a year (from
   memory); the tenths of a percent seen from day to day are common practice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_WINDOW_S = 2.0
"""Resolves 1.5 Hz: enough to tell 50 Hz from G1 at 49.0 Hz by the peak, and harmonics better."""

_MOST_WINDOWS = 120
"""Spread over the recording, so that twenty minutes cost no more than two."""

_HARMONICS = 12  # a choice: buzz further up is told by those below
_TOLERANCE = 0.004
"""Mains run within 0.2 Hz of 50 or 60 (common practice), recorders' clocks far closer."""
_PERCENTILE = 20.0  # a choice: what sounds for less than four fifths of the time is music

_PROMINENT_DB = (6.0, 20.0)
"""Height over the spectrum a few hertz to either side for a harmonic to count: the first figure
plus the second over the root of the number of windows. The percentile of a noise bin scatters by
2 dB over 20 windows and 5 dB over 3, and the highest of a few bins is taken."""

_STRONG_DB = 20.0
"""The fundamental, or its double, may do with one companion if it stands this high."""

_LONE_DB = 25.0
"""... and with none if it stands this high and holds its level within `_STEADY_DB`."""

_STEADY_DB = 3.0
"""Between the low percentile and the median over time; noise has 4.9 dB, a note far more."""


@dataclass(frozen=True, slots=True)
class Hum:
    """Mains hum found.

    Attributes
    ----------
    mains_hz : int
        50 or 60.
    harmonics : tuple of int
        Multiples of the mains frequency that stand out.
    level : float
        Rms of those lines together; 1 is full scale.
    """

    mains_hz: int
    harmonics: tuple[int, ...]
    level: float


def find_hum(samples: NDArray[np.float32], sample_rate_hz: int) -> Hum | None:
    """Find mains hum in one channel, shape (n,); None if there is none, or too little to tell."""
    window = round(_WINDOW_S * sample_rate_hz)
    spare = samples.size - window
    count = min(_MOST_WINDOWS, 1 + int(spare // (window // 2))) if spare >= 0 else 0
    if count < 3:
        return None
    taper = np.hanning(window + 1)[:-1]
    last_bin = round((_HARMONICS * 60 + 20) * _WINDOW_S)
    power = np.empty((count, last_bin))
    for row, start in enumerate(np.linspace(0, spare, count).astype(int)):
        spectrum = np.fft.rfft(samples[start : start + window] * taper)[:last_bin]
        # Scaled so that the bins of a line sum to its mean square, 1.5 bins being the taper's ENBW.
        power[row] = np.abs(spectrum) ** 2 * (2 / taper.sum() ** 2) / 1.5
    low, middle = np.percentile(power, [_PERCENTILE, 50.0], axis=0)
    prominent_db = _PROMINENT_DB[0] + _PROMINENT_DB[1] / count**0.5
    found = [hum for mains_hz in (50, 60) if (hum := _lines(low, middle, mains_hz, prominent_db))]
    return max(found, key=lambda hum: (len(hum.harmonics), hum.level), default=None)


def _lines(
    low: NDArray[np.float64], middle: NDArray[np.float64], mains_hz: int, prominent_db: float
) -> Hum | None:
    height: dict[int, float] = {}
    mean_square = 0.0
    lone = False
    for multiple in range(1, _HARMONICS + 1):
        centre = multiple * mains_hz * _WINDOW_S
        reach = max(1, round(_TOLERANCE * centre))
        first = round(centre) - reach
        peak = first + int(np.argmax(low[first : first + 2 * reach + 1]))
        # A true line is a maximum of its own, not the flank of a neighbour.
        if low[peak] < low[peak - 3 : peak + 4].max():
            continue
        beside = np.concatenate((low[peak - 24 : peak - 6], low[peak + 7 : peak + 25]))
        floor = float(np.median(beside)) + 1e-30
        height_db = float(10 * np.log10((low[peak] + 1e-30) / floor))
        if low[peak] < 1e-16 or height_db < prominent_db:
            continue
        spread_db = float(10 * np.log10(middle[peak] / low[peak]))
        if spread_db > _STEADY_DB:
            continue
        height[multiple] = height_db
        mean_square += float(low[peak - 3 : peak + 4].sum())
        lone = lone or (multiple <= 2 and height_db >= _LONE_DB)
    main = max((height.get(1, 0.0), height.get(2, 0.0)))
    enough = len(height) >= 3 and main > 0
    if enough or (len(height) >= 2 and main >= _STRONG_DB) or lone:
        return Hum(mains_hz, tuple(height), mean_square**0.5)
    return None
