"""The journal: one line of JSON per file scanned, written through to the disk.

A crash or a power cut can only tear the last line; a torn line is ignored and closed off, so that
nothing recorded before it is lost. A lock on the folder keeps two scans apart; the system lets
it go when a scan dies. What is known of the pieces of a long file that is not finished lies beside
the journal, in a file of its own that goes when the whole file is in the journal.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from shaping.errors import OutputError
from shaping.text.names import shown

JOURNAL = "scanned.jsonl"
LOCK = "scan.lock"
UNFINISHED = "unfinished"

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
    return [record for record in _lines(out / JOURNAL) if isinstance(record.get("path"), str)]


def read_pieces(out: Path, fingerprint: str) -> list[dict[str, Any]]:
    """Return what is known of the pieces of a recording that is not finished."""
    return _lines(_pieces_path(out, fingerprint))


def drop_pieces(out: Path, fingerprint: str) -> None:
    """Let go what is known of the pieces of a recording."""
    with suppress(OSError):
        _pieces_path(out, fingerprint).unlink(missing_ok=True)
        (out / UNFINISHED).rmdir()  # fails while others are there


def _pieces_path(out: Path, fingerprint: str) -> Path:
    return out / UNFINISHED / f"{fingerprint}.jsonl"


def _lines(path: Path) -> list[dict[str, Any]]:
    try:
        text = path.read_bytes()
    except FileNotFoundError:
        return []
    except OSError as error:
        raise OutputError(
            f"{shown(path)}: cannot be read ({error.strerror}); choose another --out"
        ) from None
    records = []
    for line in text.split(b"\n"):
        try:
            record = json.loads(line)
        except (ValueError, RecursionError):
            continue
        if isinstance(record, dict):
            records.append(record)
    return records


class JournalWriter:
    """Appends records durably; use it under `locked`.

    Parameters
    ----------
    out : Path
        The results' folder.
    fingerprint : str, optional
        Of a recording: its pieces are written in place of the journal.
    """

    def __init__(self, out: Path, fingerprint: str | None = None) -> None:
        path = out / JOURNAL
        if fingerprint is not None:
            path = _pieces_path(out, fingerprint)
            _make_folder(path.parent)
        self._path = path
        self._descriptor = _open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND)
        end = os.lseek(self._descriptor, 0, os.SEEK_END)
        if end and os.pread(self._descriptor, 1, end - 1) != b"\n":
            self._write(b"\n")  # close off a torn line
        _sync_folder(path.parent)

    def append(self, record: dict[str, Any]) -> None:
        """Write one record and wait until it is on the disk.

        Raises
        ------
        OutputError
            If it cannot be written.
        """
        self._write(json.dumps(record, ensure_ascii=True, allow_nan=False).encode() + b"\n")

    def _write(self, line: bytes) -> None:
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


def _make_folder(folder: Path) -> None:
    try:
        if folder.is_symlink():
            raise OutputError(f"{shown(folder)}: this is a link; remove it")
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise OutputError(f"{shown(folder)}: cannot be made ({error.strerror})") from None


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
