"""Lengths of time, and moments within a recording, as people read them."""

from __future__ import annotations


def duration_text(duration_s: float) -> str:
    """Return a length of time, in two units at most.

    >>> duration_text(0.42), duration_text(31.2), duration_text(200.0)
    ('0.4 s', '31 s', '3 min 20 s')
    >>> duration_text(120.0), duration_text(3725.0), duration_text(7200.0)
    ('2 min', '1 h 2 min', '2 h')
    """
    if duration_s < 9.95:
        return f"{duration_s:.1f} s"
    if duration_s < 99.5:
        return f"{duration_s:.0f} s"
    large, small, units = *divmod(round(duration_s), 60), ("min", "s")
    if large >= 60:
        large, small, units = *divmod(round(duration_s / 60), 60), ("h", "min")
    return f"{large} {units[0]} {small} {units[1]}" if small else f"{large} {units[0]}"


def moment_text(moment_s: float) -> str:
    """Return a moment, counted from the start of a recording as a player counts it.

    >>> moment_text(4.04), moment_text(61), moment_text(3725)
    ('4.0 s', '1:01 min', '1:02:05 h')
    """
    if moment_s < 59.95:
        return f"{moment_s:.1f} s"
    minutes, seconds = divmod(round(moment_s), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{seconds:02d} h" if hours else f"{minutes}:{seconds:02d} min"
