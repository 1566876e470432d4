"""Third-octave bands of IEC 61260-1 (base ten) and their ISO 266 nominal names.

References
----------
.. [1] IEC 61260-1:2014, clause 5: exact midbands 1000 * 10^(n/10) Hz, edges a factor 10^(1/20)
   to either side.
.. [2] ISO 266:1997: preferred (nominal) frequencies.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

_R10 = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
"""ISO 266: preferred numbers, ten a decade."""

EDGE_RATIO = 10 ** (1 / 20)
"""Upper edge over midband of a third-octave band."""


def _nominal(index: int) -> float:
    decade, step = divmod(index + 30, 10)
    return float(round(_R10[step] * 10.0**decade, 6))


NOMINAL_HZ: tuple[float, ...] = tuple(_nominal(n) for n in range(-17, 14))
"""The 31 nominal third-octave centres from 20 Hz to 20 kHz."""


def exact_midband_hz(nominal_hz: float) -> float:
    """Return the exact IEC 61260-1 midband of the band with this nominal name.

    >>> round(exact_midband_hz(315.0), 3)
    316.228
    """
    return float(1000.0 * 10.0 ** (round(10 * math.log10(nominal_hz / 1000.0)) / 10))


def nearest_third_octave_hz(frequency_hz: float) -> float:
    """Return the nominal centre of the third-octave band that holds `frequency_hz`.

    >>> nearest_third_octave_hz(2510.0)
    2500.0
    """
    return _nominal(round(10 * math.log10(frequency_hz / 1000.0)))


def midbands_hz(low_hz: float, high_hz: float) -> tuple[NDArray[np.float64], tuple[float, ...]]:
    """Return exact and nominal midbands from the band of `low_hz` to the band of `high_hz`."""
    first = round(10 * math.log10(low_hz / 1000.0))
    last = round(10 * math.log10(high_hz / 1000.0))
    indices = range(first, last + 1)
    exact = np.array([1000.0 * 10 ** (n / 10) for n in indices])
    return exact, tuple(_nominal(n) for n in indices)
