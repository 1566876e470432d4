"""Butterworth high-pass and low-pass cascades of any order.

Order n falls by 6n dB per octave and is 3.01 dB down at its corner. The cascade is made of
cookbook sections with Butterworth's Qs, lowest first, after one first-order section if n is odd.

`scipy.signal.butter` designs the same filter by way of poles and zeros. It is the check of this
module, not its replacement: its first section carries the gain of all, where a plan lists sections
of the cookbook that each pass 0 dB (and it takes 450 us where this takes 3).

References
----------
.. [1] S. Butterworth, "On the theory of filter amplifiers", Wireless Engineer 7, 1930:
   poles evenly spaced on a half circle, hence Q_k = 1 / (2 sin((2k - 1) pi / 2n)).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from shaping.errors import ParameterError
from shaping.filters.cookbook import Sos, check_design_frequency, high_pass, low_pass

HIGHEST_ORDER = 16  # 96 dB per octave, steeper than any equaliser


def section_qs(order: int) -> tuple[float, ...]:
    """Return the Qs of the second-order sections of a Butterworth filter, lowest first.

    Raises
    ------
    ParameterError
        If `order` is not between 1 and 16.

    Examples
    --------
    >>> [round(q, 4) for q in section_qs(4)]
    [0.5412, 1.3066]
    """
    if not 1 <= order <= HIGHEST_ORDER:
        raise ParameterError(f"a filter order must lie between 1 and {HIGHEST_ORDER}, not {order}")
    angles = ((2 * k - 1) * math.pi / (2 * order) for k in range(order // 2, 0, -1))
    return tuple(1.0 / (2.0 * math.sin(angle)) for angle in angles)


def high_pass_cascade(frequency_hz: float, order: int, *, sample_rate_hz: float) -> Sos:
    """Design a Butterworth high-pass.

    Parameters
    ----------
    frequency_hz : float
        Corner (-3.01 dB) in Hz, below half the sample rate.
    order : int
        1 to 16; 2 falls by 12 dB per octave.
    sample_rate_hz : float
        Sample rate in Hz.

    Returns
    -------
    ndarray, shape (ceil(order / 2), 6)
        Sections.

    Raises
    ------
    ParameterError
        If a value is out of range.
    """
    check_design_frequency(frequency_hz, sample_rate_hz)
    tangent = math.tan(math.pi * frequency_hz / sample_rate_hz)
    b = 1.0 / (1.0 + tangent)
    first_order = (b, -b, 0.0, 1.0, (tangent - 1.0) / (tangent + 1.0), 0.0)
    return _cascade(high_pass, first_order, frequency_hz, order, sample_rate_hz)


def low_pass_cascade(frequency_hz: float, order: int, *, sample_rate_hz: float) -> Sos:
    """Design a Butterworth low-pass; as `high_pass_cascade`."""
    check_design_frequency(frequency_hz, sample_rate_hz)
    tangent = math.tan(math.pi * frequency_hz / sample_rate_hz)
    b = tangent / (1.0 + tangent)
    first_order = (b, b, 0.0, 1.0, (tangent - 1.0) / (tangent + 1.0), 0.0)
    return _cascade(low_pass, first_order, frequency_hz, order, sample_rate_hz)


def _cascade(
    design: Callable[..., Sos],
    first_order: tuple[float, ...],
    frequency_hz: float,
    order: int,
    sample_rate_hz: float,
) -> Sos:
    sections = [design(frequency_hz, q, sample_rate_hz=sample_rate_hz) for q in section_qs(order)]
    if order % 2:
        sections.insert(0, np.array([first_order]))
    return np.concatenate(sections)
