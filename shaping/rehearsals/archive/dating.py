"""When a recording was made: the day, and the time of day where something tells it.

What the recorder wrote into the file comes first, then the file's and the folders' names, then
the file's time of last change, which is when the recording ended. Times are local, as on the wall
of the hall.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path

from shaping.capture.metadata import Metadata

DATE = re.compile(r"(?<!\d)(20\d\d)[-_.]?(0[1-9]|1[0-2])[-_.]?(0[1-9]|[12]\d|3[01])(?!\d)")
"""A day in a name, as 2026-03-08, 2026_03_08 or 20260308."""

_TIME = re.compile(
    r"[\sT_-]+(?:at[\s_-]+)?([01]\d|2[0-3])(?:([-.:h_]?)([0-5]\d))(?:\2([0-5]\d))?(?!\d)"
)
"""A time of day after the day, as 19-30, 19.30.05 or 193005."""


@dataclass(frozen=True, slots=True)
class Recorded:
    """When a recording began.

    Attributes
    ----------
    day : date
        The day.
    clock : time or None
        The time of day; None where nothing tells it.
    known_from : str
        ``metadata``, ``name`` or ``time stamp``.
    """

    day: date
    clock: time | None
    known_from: str

    @property
    def began(self) -> datetime | None:
        """Day and time of day, where both are known."""
        return None if self.clock is None else datetime.combine(self.day, self.clock)


def recorded(path: Path, modified_ns: int, duration_s: float, metadata: Metadata) -> Recorded:
    """Return when a recording began.

    Parameters
    ----------
    path : Path
        Absolute path.
    modified_ns : int
        Time of last change.
    duration_s : float
        Length of the recording.
    metadata : Metadata
        What the recorder wrote into it.

    Examples
    --------
    >>> recorded(Path("2026-03-08 evening/vocal.wav"), 0, 60.0, Metadata()).day
    datetime.date(2026, 3, 8)
    >>> recorded(Path("band 2026-03-08 19-30.wav"), 0, 60.0, Metadata()).began
    datetime.datetime(2026, 3, 8, 19, 30)
    """
    if metadata.day is not None:
        return Recorded(metadata.day, metadata.clock, "metadata")
    stamp = datetime.fromtimestamp(modified_ns / 1e9) - timedelta(seconds=duration_s)
    for part in reversed(path.parts):
        for found in DATE.finditer(part):
            try:
                day = date(*(int(number) for number in found.groups()))
            except ValueError:
                continue
            after = _TIME.match(part, found.end())
            if after is not None:
                hours, _, minutes, seconds = after.groups()
                return Recorded(day, time(int(hours), int(minutes), int(seconds or 0)), "name")
            # The time stamp is believed where it agrees with the name.
            believed = stamp.date() == day
            return Recorded(day, stamp.time().replace(microsecond=0) if believed else None, "name")
    return Recorded(stamp.date(), stamp.time().replace(microsecond=0), "time stamp")
