"""Closed-form responses of bells and notches, for searching through many settings at once.

Conventions: the analogue filters of the Audio EQ Cookbook, which the digital designs in
`shaping.filters.design` keep to within 0.1 dB up to 8 kHz at 48 kHz. Searches use these;
effects that people are told are computed from the designs themselves.

With x = Q |W - 1/W|, W = f / f0 and A = 10^(gain / 40): a bell has
|H|^2 = (x^2 + A^2) / (x^2 + 1 / A^2), a notch |H|^2 = x^2 / (x^2 + 1).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

_Real = NDArray[np.float64]

_FLOOR = 1e-6  # power; a notch has no logarithm at its centre


def bell_db(
    frequency_hz: ArrayLike, *, centre_hz: ArrayLike, gain_db: ArrayLike, q: ArrayLike
) -> _Real:
    """Return the response of a peaking filter in dB; the arguments broadcast."""
    x_squared = _x_squared(frequency_hz, centre_hz, q)
    a_squared = 10.0 ** (np.asarray(gain_db, dtype=np.float64) / 20.0)
    return np.asarray(10.0 * np.log10((x_squared + a_squared) / (x_squared + 1.0 / a_squared)))


def notch_db(frequency_hz: ArrayLike, *, centre_hz: ArrayLike, q: ArrayLike) -> _Real:
    """Return the response of a notch in dB, at least -60; the arguments broadcast."""
    x_squared = _x_squared(frequency_hz, centre_hz, q)
    return np.asarray(10.0 * np.log10(np.maximum(x_squared / (x_squared + 1.0), _FLOOR)))


def _x_squared(frequency_hz: ArrayLike, centre_hz: ArrayLike, q: ArrayLike) -> _Real:
    ratio = np.asarray(frequency_hz, dtype=np.float64) / np.asarray(centre_hz, dtype=np.float64)
    return np.asarray((np.asarray(q, dtype=np.float64) * (ratio - 1.0 / ratio)) ** 2)
