"""What a recorder writes beside the audio: when it began, and what its tracks are called.

Only open formats are read: the broadcast extension of WAV, and the track list of iXML. Whatever is
damaged or makes no sense counts as not there.

References
----------
.. [1] EBU Tech 3285 (Broadcast Wave Format): the bext chunk.
.. [2] iXML specification 2.10: TRACK_LIST. (from memory)
"""

from __future__ import annotations

import os
import re
import struct
from dataclasses import dataclass
from datetime import date, time
from pathlib import Path
from typing import BinaryIO
from xml.etree import ElementTree

from shaping.capture.extent import chunks
from shaping.text.names import shown

_LONGEST_CHUNK = 2**20  # a choice: names and dates take a few kilobytes; no more is read
_LONGEST_NAME = 60  # a choice: what fits a line on a page


@dataclass(frozen=True, slots=True)
class Metadata:
    """What a recorder wrote.

    Attributes
    ----------
    day : date or None
        On which the recording began.
    clock : time or None
        When on that day.
    first_frame : int or None
        Samples from midnight to the first one, on the recorder's own clock.
    tracks : tuple of (int, str)
        Channel, from 1, and its name.
    """

    day: date | None = None
    clock: time | None = None
    first_frame: int | None = None
    tracks: tuple[tuple[int, str], ...] = ()


def read_metadata(path: str | os.PathLike[str]) -> Metadata:
    """Return what is known of a recording beside its audio; nothing is raised."""
    day: date | None = None
    clock: time | None = None
    first_frame: int | None = None
    tracks: tuple[tuple[int, str], ...] = ()
    try:
        with Path(path).open("rb") as stream:
            head = stream.read(12)
            if head[:4] not in (b"RIFF", b"RF64") or head[8:] != b"WAVE":
                return Metadata()
            size = os.fstat(stream.fileno()).st_size
            for name, length, offset in _wave_chunks(stream, size):
                if name == b"bext":
                    day, clock, first_frame = _broadcast(_content(stream, offset, length))
                elif name == b"iXML":
                    tracks = _tracks(_content(stream, offset, length))
    except (OSError, ValueError):
        return Metadata()
    return Metadata(day, clock, first_frame, tracks)


def _wave_chunks(stream: BinaryIO, size: int) -> list[tuple[bytes, int, int]]:
    """Return the chunks; those behind more than 4 GB of audio are found by its 64-bit length."""
    found = []
    long_size = 0
    for name, length, offset in chunks(stream, 12, size, "<4sI"):
        found.append((name, length, offset))
        if name == b"ds64":
            stream.seek(offset + 8)
            long_size = int.from_bytes(stream.read(8), "little")
        if name == b"data" and length == 0xFFFFFFFF and 0 < long_size < size:
            after = offset + long_size + long_size % 2
            found.extend(chunks(stream, after, size, "<4sI"))
            break
    return found


def _content(stream: BinaryIO, offset: int, length: int) -> bytes:
    stream.seek(offset)
    return stream.read(min(length, _LONGEST_CHUNK))


def _broadcast(raw: bytes) -> tuple[date | None, time | None, int | None]:
    if len(raw) < 346:
        return None, None, None
    day: date | None = None
    clock: time | None = None
    found = re.match(rb"(\d{4})\D(\d\d)\D(\d\d)", raw[320:330])
    if found is not None:
        try:
            day = date(*(int(number) for number in found.groups()))
        except ValueError:
            day = None
    found = re.match(rb"(\d\d)\D(\d\d)\D(\d\d)", raw[330:338])
    if found is not None and day is not None:
        try:
            hours, minutes, seconds = (int(number) for number in found.groups())
            clock = time(hours, minutes, seconds)
        except ValueError:
            clock = None
    first_frame = struct.unpack("<Q", raw[338:346])[0]
    if day is not None and day.year < 1980:  # a recorder whose clock was never set
        return None, None, None
    return day, clock, first_frame or None


def _tracks(raw: bytes) -> tuple[tuple[int, str], ...]:
    if b"<!DOCTYPE" in raw or b"<!ENTITY" in raw:  # nothing of ours, and it can blow up
        return ()
    try:
        root = ElementTree.fromstring(raw.rstrip(b"\0 \r\n\t"))
    except (ElementTree.ParseError, ValueError, LookupError):
        return ()
    named: dict[int, str] = {}
    for track in root.iter("TRACK"):
        number = (
            track.findtext("INTERLEAVE_INDEX") or track.findtext("CHANNEL_INDEX") or ""
        ).strip()
        name = shown((track.findtext("NAME") or "").strip())[:_LONGEST_NAME]
        if number.isdigit() and len(number) < 5 and int(number) >= 1 and name:
            named.setdefault(int(number), name)
    return tuple(sorted(named.items()))
