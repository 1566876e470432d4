"""Frequency weightings A and C.

References
----------
.. [1] IEC 61672-1:2013, annex E: pole frequencies and the design formulas of A and C. Its tables
   hold at the exact frequencies 1000 * 10^(n/10) Hz, not at their nominal names.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

F1_HZ, F2_HZ, F3_HZ, F4_HZ = 20.598997, 107.65265, 737.86223, 12194.217
"""Poles of the A-weighting; the C-weighting has the first and the last, each twice."""


def a_weighting_db(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """Return the A-weighting in dB at positive frequencies in Hz; 0 dB at 1 kHz.

    >>> round(float(a_weighting_db(100.0)), 1)
    -19.1
    """
    return _a_db(frequency_hz) - _a_db(1000.0)


def c_weighting_db(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """Return the C-weighting in dB at positive frequencies in Hz; 0 dB at 1 kHz.

    >>> round(float(c_weighting_db(10_000.0)), 1)
    -4.4
    """
    return _c_db(frequency_hz) - _c_db(1000.0)


def _c_db(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    f_squared = np.asarray(frequency_hz, dtype=np.float64) ** 2
    gain = f_squared / ((f_squared + F1_HZ**2) * (f_squared + F4_HZ**2))
    return np.asarray(20.0 * np.log10(gain))


def _a_db(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    f_squared = np.asarray(frequency_hz, dtype=np.float64) ** 2
    extra = f_squared / np.sqrt((f_squared + F2_HZ**2) * (f_squared + F3_HZ**2))
    return np.asarray(_c_db(frequency_hz) + 20.0 * np.log10(extra))
