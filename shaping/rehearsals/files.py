"""Which files to scan, what tells one from another, and when they were recorded."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from shaping.errors import CaptureError
from shaping.text.names import shown

AUDIO_SUFFIXES = frozenset(
    {".wav", ".wave", ".rf64", ".w64", ".bwf", ".flac", ".aif", ".aiff", ".aifc", ".caf"}
    | {".ogg", ".oga", ".opus", ".mp3"}
)

_SAMPLE_BYTES = 65_536
_DATE = re.compile(r"(?<!\d)(20\d\d)[-_.]?(0[1-9]|1[0-2])[-_.]?(0[1-9]|[12]\d|3[01])(?!\d)")


@dataclass(frozen=True, slots=True)
class Identity:
    """What tells one recording from another.

    Attributes
    ----------
    path : str
        Absolute path, as text that can be written anywhere.
    size : int
        Bytes.
    modified_ns : int
        Time of last change.
    head, fingerprint : str
        Digests of the first bytes, and of samples from start, middle and end.
    """

    path: str
    size: int
    modified_ns: int
    head: str
    fingerprint: str

    def as_record(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "path": self.path,
            "size": self.size,
            "modified_ns": self.modified_ns,
            "head": self.head,
            "fingerprint": self.fingerprint,
        }


def collect(paths: Sequence[str | os.PathLike[str]], *, without: Path) -> list[Path]:
    """Return the recordings named, and those in the folders named, in order of name.

    Parameters
    ----------
    paths : sequence of path-like
        Files and folders; folders are searched to any depth, linked folders are not entered.
    without : Path
        A folder that is left out: the results.

    Raises
    ------
    CaptureError
        If a path does not exist, or nothing to scan is found.
    """
    found: dict[str, Path] = {}
    left_out = without.resolve()
    for given in paths:
        path = Path(given)
        if path.is_dir():
            for folder, folders, names in os.walk(path):
                inner = Path(folder)
                folders[:] = sorted(n for n in folders if (inner / n).resolve() != left_out)
                for name in sorted(names):
                    file = inner / name
                    if file.suffix.lower() in AUDIO_SUFFIXES and not name.startswith("."):
                        found.setdefault(str(file.resolve()), file)
        elif path.exists():
            found.setdefault(str(path.resolve()), path)
        else:
            raise CaptureError(f"{shown(path)}: there is no such file or folder; check the name")
    if not found:
        raise CaptureError(
            "no recordings found in "
            + ", ".join(shown(p) for p in paths)
            + " (WAV, RF64, FLAC, AIFF, OGG or MP3)"
        )
    return sorted(found.values(), key=str)


def identify(path: Path) -> Identity:
    """Read what identifies a file: three samples of its content, size and time.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    status = path.stat()
    with path.open("rb") as stream:
        head = stream.read(_SAMPLE_BYTES)
        digest = hashlib.sha256(head)
        for place in (status.st_size // 2, status.st_size - _SAMPLE_BYTES):
            stream.seek(max(place, 0))
            digest.update(stream.read(_SAMPLE_BYTES))
    digest.update(str(status.st_size).encode())
    return Identity(
        path=shown(path.resolve()),
        size=status.st_size,
        modified_ns=status.st_mtime_ns,
        head=hashlib.sha256(head).hexdigest()[:24],
        fingerprint=digest.hexdigest()[:32],
    )


def recorded_on(path: Path, modified_ns: int) -> date:
    """Return the recording date: one in the file's or folder's name, or else the last change.

    >>> recorded_on(Path("2026-03-08 evening/vocal.wav"), 0)
    datetime.date(2026, 3, 8)
    """
    for part in reversed(path.parts):
        for year, month, day in _DATE.findall(part):
            try:
                return date(int(year), int(month), int(day))
            except ValueError:
                continue
    return datetime.fromtimestamp(modified_ns / 1e9, tz=UTC).date()


def channel_stem(path: Path) -> str:
    """Return a file's name without suffix, date and take number: the channel it holds.

    >>> channel_stem(Path("vocal wedge_20260308_02.wav"))
    'vocal wedge'
    """
    stem = _DATE.sub("", path.stem)
    stem = re.sub(r"[\s_.-]*(take)?[\s_.-]*\d*$", "", stem, flags=re.IGNORECASE)
    return re.sub(r"[\s_]+", " ", stem).strip(" -_.") or path.stem
