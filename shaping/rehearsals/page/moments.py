"""When an event was, as people say it: day, time of day, and where to find it in the file."""

from __future__ import annotations

from datetime import date
from pathlib import PurePath

from shaping.rehearsals.channels import Take
from shaping.text.durations import moment_text

_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def day_text(day: str, *, with_year: bool = True) -> str:
    """Return an ISO date as people say it, whatever the machine's language.

    >>> day_text("2026-03-08"), day_text("2026-03-08", with_year=False)
    ('Sun 8 Mar 2026', '8 Mar')
    """
    told = date.fromisoformat(day)
    short = f"{told.day} {_MONTHS[told.month - 1]}"
    return f"{_WEEKDAYS[told.weekday()]} {short} {told.year}" if with_year else short


def clock_text(take: Take, moment_s: float) -> str:
    """Return the time of day of a moment, or an empty string where it is not known."""
    clock = take.clock(moment_s)
    if clock is None:
        return ""
    about = "about " if take.dated_by == "time stamp" else ""
    return about + clock.strftime("%H:%M:%S")


def when_text(take: Take, moment_s: float) -> str:
    """Return day and time of day of a moment."""
    clock = clock_text(take, moment_s)
    return day_text(take.recorded_on) + (f", {clock}" if clock else "")


def place_text(take: Take, moment_s: float) -> str:
    """Return where a moment is found: the file, and the time from its start."""
    return f"{moment_text(moment_s)} into {PurePath(take.file).name}"
