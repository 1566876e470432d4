"""Width of a filter: Q, octaves, and what different equalisers mean by Q.

Conventions: inside this package Q is always the Audio EQ Cookbook's. For a peaking filter that
is centre frequency over the distance between the points of half the gain in dB; for a notch or
band-pass, over the distance between the -3 dB points. Widths are those of the analogue filter
that the equaliser imitates.

References
----------
.. [1] R. Bristow-Johnson, "Audio EQ Cookbook", W3C Group Note, 2021-06-08.
"""

from __future__ import annotations

import math
from enum import StrEnum

from shaping.errors import ParameterError


class QConvention(StrEnum):
    """What an equaliser means by the Q of a peaking filter."""

    COOKBOOK = "cookbook"
    THREE_DB_FROM_FLAT = "3db-from-flat"
    THREE_DB_FROM_BOTTOM = "3db-from-bottom"
    POLE = "pole"


def octaves_from_q(q: float) -> float:
    """Return the width in octaves between the band edges of a filter of quality `q`.

    Raises
    ------
    ParameterError
        If `q` is not a positive number.

    Examples
    --------
    >>> round(octaves_from_q(4.32), 2)
    0.33
    """
    check_positive("Q", q)
    return 2.0 / math.log(2.0) * math.asinh(1.0 / (2.0 * q))


def q_from_octaves(octaves: float) -> float:
    """Return the Q of a filter whose band edges lie `octaves` apart.

    Raises
    ------
    ParameterError
        If `octaves` is not a positive number.

    Examples
    --------
    >>> round(q_from_octaves(1.0), 2)
    1.41
    """
    check_positive("the width in octaves", octaves)
    return 1.0 / (2.0 * math.sinh(math.log(2.0) / 2.0 * octaves))


def convert_q(q: float, gain_db: float, *, source: QConvention, target: QConvention) -> float:
    """Express the Q of a peaking filter in another convention; the filter stays the same.

    Parameters
    ----------
    q : float
        Q in the `source` convention.
    gain_db : float
        Gain of the filter in dB. A boost is measured as the mirror image of the cut, so
        "bottom" then means its top.
    source, target : QConvention
        What `q` means, and what the result shall mean.

    Returns
    -------
    float
        Q in the `target` convention.

    Raises
    ------
    ParameterError
        If `q` is not positive, or a 3 dB width is asked of a filter of 3 dB or less.

    Examples
    --------
    >>> round(convert_q(10, -12, source=QConvention.COOKBOOK, target=QConvention.POLE), 2)
    5.01
    """
    check_positive("Q", q)
    return q * _over_cookbook(gain_db, target) / _over_cookbook(gain_db, source)


def _over_cookbook(gain_db: float, convention: QConvention) -> float:
    """Return Q in `convention` over the cookbook's Q, which depends on the gain alone."""
    if convention is QConvention.COOKBOOK:
        return 1.0
    if convention is QConvention.POLE:
        return float(10.0 ** (gain_db / 40.0))
    depth_db = abs(gain_db)
    if not depth_db > 3.0:
        raise ParameterError(
            f"a peaking filter of {gain_db:g} dB has no 3 dB points; "
            "use more than 3 dB of gain, or a Q convention without them"
        )
    level_db = -3.0 if convention is QConvention.THREE_DB_FROM_FLAT else 3.0 - depth_db
    # With x = Q |W - 1/W|, the analogue prototype has |H|^2 = (x^2 + A^2) / (x^2 + 1/A^2).
    a_squared = 10.0 ** (-depth_db / 20.0)
    level_squared = 10.0 ** (level_db / 10.0)
    return math.sqrt((1.0 - level_squared) / (level_squared / a_squared - a_squared))


def check_positive(name: str, value: float) -> None:
    """Raise `ParameterError` unless `value` is a positive finite number."""
    if not (math.isfinite(value) and value > 0):
        raise ParameterError(f"{name} must be a positive number, not {value:g}")
