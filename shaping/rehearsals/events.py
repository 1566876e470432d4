"""Feedback events: what the scan reports.

Levels are relative to full scale of the recording, never a sound pressure level.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from shaping.analysis.findings import CERTAIN


@dataclass(frozen=True, slots=True)
class Event:
    """One feedback event.

    Attributes
    ----------
    channel : int
        Counted from 1.
    start_s, duration_s : float
        When it stood out, from the start of the file.
    frequency_hz : float
        Its frequency.
    growth_db_per_s : float
        Rate at which it grew.
    peak_dbfs : float
        Highest level.
    over_db : float
        Level over everything else on the channel, at its best moment.
    clipped : bool
        Whether harmonics show that something clipped.
    confidence : float
        0..1.
    reason : str
        The evidence in words.
    """

    channel: int
    start_s: float
    duration_s: float
    frequency_hz: float
    growth_db_per_s: float
    peak_dbfs: float
    over_db: float
    clipped: bool
    confidence: float
    reason: str

    @property
    def stop_s(self) -> float:
        """When it ended."""
        return self.start_s + self.duration_s

    @property
    def certain(self) -> bool:
        """Whether people are told of it without ``possible``."""
        return self.confidence >= CERTAIN

    def as_record(self) -> dict[str, Any]:
        """Return plain values, rounded to what they are worth."""
        digits = {
            "start_s": 3,
            "duration_s": 3,
            "frequency_hz": 2,
            "growth_db_per_s": 1,
            "peak_dbfs": 1,
            "over_db": 1,
            "confidence": 3,
        }
        record = asdict(self)
        return record | {key: round(record[key], places) for key, places in digits.items()}

    @classmethod
    def from_record(cls, record: dict[str, Any]) -> Event:
        """Return the event of a record made by `as_record`."""
        return cls(**record)
