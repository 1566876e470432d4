"""Which files to scan, and what tells one from another."""

from __future__ import annotations

import errno
import hashlib
import os
import re
import stat
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from shaping.errors import CaptureError
from shaping.rehearsals.archive.dating import DATE
from shaping.text.names import shown

AUDIO_SUFFIXES = frozenset(
    {".wav", ".wave", ".rf64", ".w64", ".bwf", ".flac", ".aif", ".aiff", ".aifc", ".caf"}
    | {".ogg", ".oga", ".opus", ".mp3"}
)

_SAMPLE_BYTES = 16_384  # a twelfth of a second of one channel of 32 bits at 48 kHz
_SAMPLES = 16  # a choice: spread over the whole, two recordings differ in some of them
_MARK_BYTES = 65_536
"""Marks are taken at this place, and at four times every place before."""


@dataclass(frozen=True, slots=True)
class Identity:
    """What tells one recording from another: its content, wherever it lies.

    Attributes
    ----------
    path : str
        Absolute path, as text that can be written anywhere.
    size : int
        Bytes.
    modified_ns : int
        Time of last change.
    fingerprint : str
        Digest of samples of the content, or of all of it where the samples would be silent.
    marks : tuple of str
        Digests at places that do not depend on the length: a file that has grown keeps them.
    """

    path: str
    size: int
    modified_ns: int
    fingerprint: str
    marks: tuple[str, ...]

    def as_record(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "path": self.path,
            "size": self.size,
            "modified_ns": self.modified_ns,
            "fingerprint": self.fingerprint,
            "marks": list(self.marks),
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
    left_out = _real(without)
    for given in paths:
        path = Path(given)
        if path.is_dir():
            for folder, folders, names in os.walk(path):
                inner = Path(folder)
                folders[:] = sorted(n for n in folders if _real(inner / n) != left_out)
                for name in sorted(names):
                    file = inner / name
                    if file.suffix.lower() in AUDIO_SUFFIXES and not name.startswith("."):
                        found.setdefault(_real(file), file)
        elif os.path.lexists(path):
            found.setdefault(_real(path), path)
        else:
            raise CaptureError(f"{shown(path)}: there is no such file or folder; check the name")
    if not found:
        raise CaptureError(
            "no recordings found in "
            + ", ".join(shown(p) for p in paths)
            + " (WAV, RF64, FLAC, AIFF, OGG or MP3)"
        )
    return sorted(found.values(), key=str)


def no_recording(path: Path) -> str | None:
    """Return, in a few words, what a path leads to if it can never be a recording."""
    try:
        mode = path.stat().st_mode
    except (OSError, RuntimeError) as error:
        # RuntimeError is what Python 3.11 and 3.12 say of a loop.
        loop = isinstance(error, RuntimeError) or error.errno == errno.ELOOP
        return "this link leads to itself" if loop else None
    if stat.S_ISREG(mode):
        return None
    return "this is a folder" if stat.S_ISDIR(mode) else "this is a pipe or a device, no file"


def identify(path: Path) -> Identity:
    """Read what identifies a regular file.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    with path.open("rb") as stream:
        status = os.fstat(stream.fileno())
        size = status.st_size
        digest = hashlib.sha256(str(size).encode())
        places = [k * (size - _SAMPLE_BYTES) // (_SAMPLES - 1) for k in range(_SAMPLES)]
        telling = 0
        if places[0] == 0 and size > 2 * _SAMPLES * _SAMPLE_BYTES:
            for place in places:
                piece = _read_at(stream, place)
                telling += piece != piece[:1] * len(piece)
                digest.update(piece)
        if telling < _SAMPLES // 2:  # short, or much silence: all of it counts
            stream.seek(0)
            while piece := stream.read(2**20):
                digest.update(piece)
        marks = []
        place = _MARK_BYTES
        while place + _SAMPLE_BYTES <= size:
            marks.append(hashlib.sha256(_read_at(stream, place)).hexdigest()[:16])
            place *= 4
    return Identity(
        path=shown(_real(path)),
        size=size,
        modified_ns=status.st_mtime_ns,
        fingerprint=digest.hexdigest()[:32],
        marks=tuple(marks),
    )


def _read_at(stream: BinaryIO, place: int) -> bytes:
    stream.seek(place)
    return stream.read(_SAMPLE_BYTES)


def _real(path: Path) -> str:
    """Return the absolute path behind links, or as much of it as there is."""
    return os.path.realpath(path)


def channel_stem(path: Path) -> str:
    """Return a file's name without suffix, date and take number: the channel it holds.

    >>> channel_stem(Path("vocal wedge_20260308_02.wav"))
    'vocal wedge'
    """
    stem = DATE.sub("", path.stem)
    stem = re.sub(r"[\s_.-]*(take)?[\s_.-]*\d*$", "", stem, flags=re.IGNORECASE)
    return re.sub(r"[\s_]+", " ", stem).strip(" -_.") or path.stem
