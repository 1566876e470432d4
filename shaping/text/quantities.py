"""Gains, widths and slopes as people read them, with their units."""

from __future__ import annotations

import math

_UNIT_FRACTIONS = (1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 16, 18, 20, 24, 30, 36, 48, 60)
"""Fractions of an octave that equalisers are labelled with."""


def octaves_text(octaves: float) -> str:
    """Return a width in octaves, as a fraction where it is one within 3 %.

    >>> octaves_text(0.1662), octaves_text(0.667), octaves_text(1.4), octaves_text(0.28)
    ('1/6 oct', '2/3 oct', '1.4 oct', '0.28 oct')
    """
    for above, below in [(1, n) for n in _UNIT_FRACTIONS] + [(2, 3), (3, 4), (3, 2), (2, 1)]:
        if abs(octaves * below / above - 1) < 0.03:
            return f"{above} oct" if below == 1 else f"{above}/{below} oct"
    return f"{octaves:.2g} oct"


def q_text(q: float) -> str:
    """Return a Q with the digits an equaliser shows.

    >>> q_text(8.65), q_text(0.707), q_text(28.9)
    ('Q 8.7', 'Q 0.71', 'Q 29')
    """
    if q < 1:
        return f"Q {q:.2f}"
    return f"Q {q:.1f}" if q < 19.95 else f"Q {q:.0f}"


def gain_text(gain_db: float) -> str:
    """Return a gain or a change with its sign; what was not measured (NaN) is not known.

    >>> gain_text(-6.0), gain_text(2.25), gain_text(-0.01), gain_text(math.nan)
    ('-6.0 dB', '+2.2 dB', '0.0 dB', 'not known')
    """
    if math.isnan(gain_db):
        return "not known"
    rounded = round(gain_db, 1)
    return "0.0 dB" if rounded == 0 else f"{rounded:+.1f} dB"


def change_text(change_db: float) -> str:
    """Return a change in words.

    >>> change_text(-3.42), change_text(4.2)
    ('3.4 dB less', '4.2 dB more')
    """
    return f"{abs(change_db):.1f} dB {'less' if change_db < 0 else 'more'}"


def slope_text(order: int) -> str:
    """Return the slope of a high-pass or low-pass of this order.

    >>> slope_text(2)
    '12 dB/oct'
    """
    return f"{6 * order} dB/oct"
