"""Events and records of scans that the tests of channels and pages are made with."""

from __future__ import annotations

from typing import Any

from shaping.rehearsals.archive.records import VERSION
from shaping.rehearsals.events import Event


def event(frequency_hz: float = 1000.0, **facts: Any) -> Event:
    plain: dict[str, Any] = {
        "channel": 1,
        "start_s": 10.0,
        "duration_s": 2.0,
        "growth_db_per_s": 40.0,
        "peak_dbfs": -20.0,
        "over_db": 15.0,
        "clipped": False,
        "confidence": 0.9,
        "reason": "grew",
    }
    return Event(frequency_hz=frequency_hz, **(plain | facts))


def record(
    day: str,
    *events: Event,
    channels: int = 1,
    hours: float = 1.0,
    path: str = "/tapes/rehearsal.wav",
) -> dict[str, Any]:
    return {
        "path": path,
        "file": path.rsplit("/", 1)[-1],
        "recorded_on": day,
        "channels": channels,
        "sample_rate_hz": 48_000,
        "duration_s": 3600.0 * hours,
        "events": [one.as_record() for one in events],
    }


def whole_record(facts: dict[str, Any]) -> dict[str, Any]:
    """Return what a journal holds of a recording that was scanned, with these facts of it."""
    plain = {
        "version": VERSION,
        "state": "done",
        "fingerprint": "f",
        "marks": ["m"],
        "size": 1000,
        "modified_ns": 0,
        "began": None,
        "dated_by": "name",
        "first_frame": None,
        "tracks": [],
        "frames": 48_000,
        "audio": "",
        "problem": None,
        "notes": [],
    }
    return plain | facts
