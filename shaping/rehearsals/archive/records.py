"""The journal's records: how one is made, which of them count, and which belong together.

Conventions: a record's ``state`` is ``done`` (scanned to where the recording ends or is damaged),
``damaged`` (nothing of it can be read), ``failed`` (not scanned although nothing need be wrong
with it: tried again at the next run), ``skipped`` (no recording at all), ``gone`` (nothing is there
any more that could not be scanned), or ``forgotten``.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

from shaping.capture.metadata import Metadata
from shaping.rehearsals.archive.dating import recorded
from shaping.rehearsals.archive.files import Identity
from shaping.rehearsals.events import Event
from shaping.text.names import shown

VERSION = 2
"""A change that makes old results wrong raises it: what can be scanned again then is."""

SETTLED = ("done", "damaged")

_SEAM_GAP_S = 0.6  # as a gap within one recording
_SAME_RATIO = 1.01  # as within one recording: a howl holds its pitch meanwhile
_STAMPS_AGREE_S = 3.0  # file systems keep time to 2 s at worst, and closing a file takes a while
_FULL_BYTES = (2**31, 2**32)
"""Recorders begin a new file where sizes of 31 or 32 bits end."""


@dataclass(frozen=True, slots=True)
class FileScan:
    """What the scan of one file found.

    Attributes
    ----------
    sample_rate_hz, channels, frames : int
        Of the file, frames as far as they were read; 0 when it could not be read.
    duration_s : float
        Scanned length.
    events : tuple of Event
        In order of channel and time.
    problem : str or None
        What is damaged in the file, so that it could not be scanned, or not all of it.
    notes : tuple of str
        What else should be known of it: that it was cut short, or holds samples that are no audio.
    audio : str
        Digest of the decoded samples; empty where they are all zero.
    """

    sample_rate_hz: int
    channels: int
    frames: int
    duration_s: float
    events: tuple[Event, ...]
    problem: str | None = None
    notes: tuple[str, ...] = ()
    audio: str = ""


def scan_record(
    path: Path, identity: Identity, result: FileScan, metadata: Metadata, after: str | None
) -> dict[str, Any]:
    """Return the record of a scanned file."""
    when = recorded(path.absolute(), identity.modified_ns, result.duration_s, metadata)
    problem = result.problem
    if problem is not None:  # it was read under its absolute path
        problem = problem.replace(shown(path.absolute()), shown(path), 1)
    return {
        "version": VERSION,
        "state": "done" if result.frames else "damaged",
        **identity.as_record(),
        "file": shown(path),
        "recorded_on": when.day.isoformat(),
        "began": None if when.began is None else when.began.isoformat(),
        "dated_by": when.known_from,
        "first_frame": metadata.first_frame,
        "tracks": [list(track) for track in metadata.tracks],
        "sample_rate_hz": result.sample_rate_hz,
        "channels": result.channels,
        "frames": result.frames,
        "duration_s": round(result.duration_s, 6),
        "audio": result.audio,
        "after": after,
        "problem": problem,
        "notes": list(result.notes),
        "events": [event.as_record() for event in result.events],
    }


def moved_record(record: dict[str, Any], path: Path, identity: Identity) -> dict[str, Any]:
    """Return the record of a recording that now lies elsewhere."""
    metadata = Metadata(first_frame=record["first_frame"])
    when = recorded(path.absolute(), identity.modified_ns, record["duration_s"], metadata)
    dated = {
        "recorded_on": when.day.isoformat(),
        "began": None if when.began is None else when.began.isoformat(),
        "dated_by": when.known_from,
    }
    if record["dated_by"] == "metadata":
        dated = {key: record[key] for key in dated}
    return {**record, **identity.as_record(), **dated, "file": shown(path)}


def unscanned_record(path: Path, state: str, problem: str) -> dict[str, Any]:
    """Return the record of what was not scanned, and why."""
    return {
        "version": VERSION,
        "state": state,
        "path": shown(os.path.realpath(path)),
        "file": shown(path),
        "fingerprint": "",
        "problem": problem,
    }


def forgotten_record(path: str) -> dict[str, Any]:
    """Return the record that lets go all earlier ones of a file or of what lies in a folder."""
    return {"version": VERSION, "state": "forgotten", "path": path}


def gone_record(path: str) -> dict[str, Any]:
    """Return the record that lets go what could not be scanned of a file."""
    return {"version": VERSION, "state": "gone", "path": path}


def known(records: Iterable[dict[str, Any]]) -> dict[str, dict[str, Any]]:
    """Return the scanned recordings of this version by fingerprint; forgotten ones are left out."""
    found: dict[str, dict[str, Any]] = {}
    for record in _whole(records):
        if record["state"] == "forgotten":
            found = {k: r for k, r in found.items() if not _within(r["path"], record["path"])}
        elif record["state"] in SETTLED and record["version"] == VERSION:
            found[record["fingerprint"]] = record
    return found


def current_records(records: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the recordings that count, in order of date and path, each once.

    Of records of one content, the last counts. A file that has grown replaces what it was, and so
    does one scanned by another version; another recording under an old name does not. A copy in
    another format counts once.
    """
    latest: dict[str, dict[str, Any]] = {}
    for record in _whole(records):
        state = record["state"]
        if state == "forgotten":
            latest = {k: r for k, r in latest.items() if not _within(r["path"], record["path"])}
        elif state == "done":
            replaced = [
                key
                for key, old in latest.items()
                if old["path"] == record["path"]
                and (old["version"] != record["version"] or _has_grown(old, record))
            ]
            for key in replaced:
                del latest[key]
            latest[record["fingerprint"]] = record
    once: dict[tuple[Any, ...], dict[str, Any]] = {}
    for record in sorted(latest.values(), key=_order):
        content = record["audio"] or record["fingerprint"]
        once.setdefault((content, record["frames"]), record)
    return list(once.values())


def unscanned_records(records: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return what the last word on a path was that it could not be scanned, in order of path."""
    latest: dict[str, dict[str, Any]] = {}
    for record in _whole(records):
        if record["state"] == "forgotten":
            latest = {k: r for k, r in latest.items() if not _within(k, record["path"])}
        else:
            latest[record["path"]] = record
    return [
        latest[path]
        for path in sorted(latest)
        if latest[path]["state"] in ("damaged", "failed", "skipped")
    ]


def goes_on_from(late: dict[str, Any], early: dict[str, Any]) -> bool:
    """Tell whether a recording is the next file of one that a recorder split.

    Both are records, or have a record's ``path``, ``size``, ``modified_ns``, ``sample_rate_hz``,
    ``channels``, ``frames`` and ``first_frame``. The names must count on; then the recorder's own
    clock decides, or a size at which recorders split, or the time stamps.
    """
    if any(late[key] != early[key] for key in ("sample_rate_hz", "channels")):
        return False
    if not early["frames"] or not _counts_on(Path(early["path"]), Path(late["path"])):
        return False
    if early["first_frame"] is not None and late["first_frame"] is not None:
        gap = late["first_frame"] - early["first_frame"] - early["frames"]
        return bool(abs(gap) <= 0.05 * early["sample_rate_hz"])
    if any(0.97 * full <= early["size"] <= full for full in _FULL_BYTES):
        return True
    # The time stamp is when a file was closed.
    early_s = early["frames"] / early["sample_rate_hz"]
    began_s = late["modified_ns"] / 1e9 - late["frames"] / late["sample_rate_hz"]
    return bool(early_s > _STAMPS_AGREE_S > abs(began_s - early["modified_ns"] / 1e9))


def joined_in_time(records: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Join howls that run from one file of a split recording into the next.

    The event is the earlier file's, and lasts beyond its end. Each record gains ``offset_s``, the
    time from the start of the whole recording to the start of its file.
    """
    joined = [{**record, "offset_s": 0.0, "events": list(record["events"])} for record in records]
    by_folder: dict[str, list[dict[str, Any]]] = {}
    for record in joined:
        by_folder.setdefault(str(Path(record["path"]).parent), []).append(record)
    for inside in by_folder.values():
        inside.sort(key=lambda record: _natural(Path(record["path"]).stem))
        for early, late in pairwise(inside):
            if goes_on_from(late, early):
                late["offset_s"] = early["offset_s"] + early["duration_s"]
                late["recorded_on"] = early["recorded_on"]
                if late["began"] is None and early["began"] is not None:
                    began = datetime.fromisoformat(early["began"])
                    late["began"] = (began + timedelta(seconds=early["duration_s"])).isoformat()
                _join_seam(early, late)
    for record in joined:
        record["events"] = [_from_zero(event) for event in record["events"]]
    return joined


def _join_seam(early: dict[str, Any], late: dict[str, Any]) -> None:
    length_s = early["duration_s"]
    for raw in list(late["events"]):
        event = Event.from_record(raw)
        start_s = event.start_s + length_s
        if start_s > length_s + _SEAM_GAP_S:
            continue
        for place, other_raw in enumerate(early["events"]):
            other = Event.from_record(other_raw)
            ratio = event.frequency_hz / other.frequency_hz
            alike = event.channel == other.channel and 1 / _SAME_RATIO < ratio < _SAME_RATIO
            if alike and start_s - other.stop_s < _SEAM_GAP_S and other.stop_s > length_s - 12.0:
                first_s = min(other.start_s, start_s)
                stop_s = max(other.stop_s, event.stop_s + length_s)
                surer = other if other.confidence >= event.confidence else event
                whole = replace(surer, start_s=first_s, duration_s=stop_s - first_s)
                early["events"][place] = whole.as_record()
                late["events"].remove(raw)
                break
        else:
            if event.start_s < 0:
                early["events"].append(replace(event, start_s=start_s).as_record())
                late["events"].remove(raw)
    early["events"].sort(key=lambda e: (e["channel"], e["start_s"], e["frequency_hz"]))


def _from_zero(event: dict[str, Any]) -> dict[str, Any]:
    """Return an event that began in a file that is gone, as it stands in this one."""
    if event["start_s"] >= 0:
        return event
    stop_s = event["start_s"] + event["duration_s"]
    return {**event, "start_s": 0.0, "duration_s": round(max(stop_s, 0.0), 3)}


def _counts_on(early: Path, late: Path) -> bool:
    if early.parent != late.parent or early.suffix != late.suffix:
        return False
    one, two = (re.fullmatch(r"(.*?)(\d*)", path.stem) for path in (early, late))
    if one is None or two is None or not two[2]:
        return False
    if not one[2]:  # "take", "take 2" or "take_2"
        return two[1].rstrip(" _-.") == one[1] and int(two[2]) == 2
    return one[1] == two[1] and int(two[2]) == int(one[2]) + 1


def _natural(stem: str) -> tuple[str, int]:
    found = re.fullmatch(r"(.*?)[ _.-]*(\d*)", stem)
    return (found[1], int(found[2] or 1)) if found else (stem, 0)


def _has_grown(old: dict[str, Any], new: dict[str, Any]) -> bool:
    kept = new["marks"][: len(old["marks"])] == old["marks"]
    return bool(old["marks"]) and kept and new["size"] >= old["size"]


def _order(record: dict[str, Any]) -> tuple[str, str, str]:
    return record["recorded_on"], record["path"], record["fingerprint"]


def _within(path: str, folder: str) -> bool:
    return path == folder or path.startswith(folder.rstrip("/\\") + "/")


def _whole(records: Iterable[dict[str, Any]]) -> Iterable[dict[str, Any]]:
    """Pass over what is no record of ours, whoever wrote it there."""
    for record in records:
        if _is_whole(record):
            yield record


_NEEDED: dict[str, type | tuple[type, ...]] = {
    "fingerprint": str,
    "marks": list,
    "size": int,
    "modified_ns": int,
    "file": str,
    "recorded_on": str,
    "began": (str, type(None)),
    "dated_by": str,
    "first_frame": (int, type(None)),
    "tracks": list,
    "sample_rate_hz": int,
    "channels": int,
    "frames": int,
    "duration_s": (int, float),
    "audio": str,
    "problem": (str, type(None)),
    "notes": list,
    "events": list,
}


def _is_whole(record: dict[str, Any]) -> bool:
    state = record.get("state")
    if not isinstance(record.get("path"), str) or not isinstance(record.get("version"), int):
        return False
    if state in ("forgotten", "gone"):
        return True
    if state in ("failed", "skipped"):
        return all(isinstance(record.get(key), str) for key in ("file", "problem", "fingerprint"))
    if state not in SETTLED:
        return False
    if not all(isinstance(record.get(key), kind) for key, kind in _NEEDED.items()):
        return False
    try:
        date.fromisoformat(record["recorded_on"])
        if record["began"] is not None:
            datetime.fromisoformat(record["began"])
        named = all(isinstance(number, int) and name for number, name in record["tracks"])
        events = [Event.from_record(event) for event in record["events"]]
        numbers = [record["duration_s"]]
        for e in events:
            numbers += [e.start_s, e.duration_s, e.frequency_hz, e.confidence]
            numbers += [e.growth_db_per_s, e.peak_dbfs, e.over_db]
        return (
            named
            and all(math.isfinite(number) for number in numbers)
            and all(e.frequency_hz > 0 and 1 <= e.channel <= record["channels"] for e in events)
            and (state == "damaged" or min(record["sample_rate_hz"], record["frames"]) > 0)
        )
    except (TypeError, ValueError, AttributeError):
        return False
