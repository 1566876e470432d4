"""The journal: one line of JSON per file scanned, written through to the disk.

A crash or a power cut can only tear the last line; a torn line is ignored and closed off, so that
nothing recorded before it is lost. A lock on the folder keeps two scans apart; the system lets
it go when a scan dies.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from shaping.errors import OutputError

JOURNAL = "scanned.jsonl"
LOCK = "scan.lock"

if sys.platform != "win32":
    import fcntl

    def _lock(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)

else:  # pragma: no cover
    import msvcrt

    def _lock(descriptor: int) -> None:
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)


def prepare_folder(out: Path) -> None:
    """Make the results' folder.

    Raises
    ------
    OutputError
        If it cannot be made or written to.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError):
        raise OutputError(f"{out}: this is a file; name a folder for the results") from None
    except OSError as error:
        raise OutputError(f"{out}: cannot be made ({error.strerror})") from None
    if not os.access(out, os.W_OK | os.X_OK):
        raise OutputError(f"{out}: cannot be written to; choose another folder with --out")


@contextmanager
def locked(out: Path) -> Iterator[None]:
    """Hold the folder's lock.

    Raises
    ------
    OutputError
        If another scan holds it.
    """
    descriptor = _open(out / LOCK, os.O_RDWR | os.O_CREAT)
    try:
        try:
            _lock(descriptor)
        except OSError:
            raise OutputError(
                f"{out}: another scan is writing here; wait for it, or choose another --out"
            ) from None
        yield
    finally:
        os.close(descriptor)


def read_journal(out: Path) -> list[dict[str, Any]]:
    """Return the whole lines of the journal, oldest first; damaged lines are passed over."""
    try:
        text = (out / JOURNAL).read_bytes()
    except FileNotFoundError:
        return []
    records = []
    for line in text.split(b"\n"):
        try:
            record = json.loads(line)
        except ValueError:
            continue
        if isinstance(record, dict) and "path" in record:
            records.append(record)
    return records


class JournalWriter:
    """Appends records durably; use it under `locked`."""

    def __init__(self, out: Path) -> None:
        path = out / JOURNAL
        self._path = path
        self._descriptor = _open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND)
        end = os.lseek(self._descriptor, 0, os.SEEK_END)
        if end and os.pread(self._descriptor, 1, end - 1) != b"\n":
            os.write(self._descriptor, b"\n")  # close off a torn line
        _sync_folder(out)

    def append(self, record: dict[str, Any]) -> None:
        """Write one record and wait until it is on the disk.

        Raises
        ------
        OutputError
            If it cannot be written.
        """
        line = json.dumps(record, ensure_ascii=True, allow_nan=False).encode() + b"\n"
        try:
            while line:
                line = line[os.write(self._descriptor, line) :]
            os.fsync(self._descriptor)
        except OSError as error:
            raise OutputError(
                f"{self._path}: cannot be written ({error.strerror}); make room and run again, "
                f"what was recorded is kept"
            ) from None

    def close(self) -> None:
        """Close the file."""
        os.close(self._descriptor)


def _open(path: Path, flags: int) -> int:
    try:
        return os.open(path, flags | getattr(os, "O_NOFOLLOW", 0) | os.O_CLOEXEC, 0o644)
    except OSError as error:
        raise OutputError(
            f"{path}: cannot be opened for writing ({error.strerror}); choose another --out"
        ) from None


def _sync_folder(folder: Path) -> None:
    if os.name != "posix":  # pragma: no cover
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
