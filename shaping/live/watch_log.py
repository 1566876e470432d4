"""The plain log of a watch: a line for every ring, written by a thread of its own.

A slow disk makes the lines wait, never the watch; what finds no room is counted and said at the
end.
"""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Final, TextIO

from shaping.errors import OutputError
from shaping.output import check_writable
from shaping.text.names import shown

MOST_WAITING: Final = 10_000
"""Lines, a megabyte: hours of rings."""

_ENDS_WITHIN_S = 2.0


class WatchLog:
    """Takes lines and never waits."""

    def __init__(self, file: TextIO) -> None:
        self._file = file
        self._lines: queue.Queue[str | None] = queue.Queue(MOST_WAITING)
        self.dropped = 0
        self.failed: OSError | None = None
        self._thread = threading.Thread(target=self._write, daemon=True)
        self._thread.start()

    def line(self, text: str) -> None:
        """Take a line."""
        try:
            self._lines.put_nowait(text)
        except queue.Full:
            self.dropped += 1

    def close(self) -> None:
        """Write what waits, for two seconds at most."""
        with contextlib.suppress(queue.Full):
            self._lines.put(None, timeout=_ENDS_WITHIN_S)
        self._thread.join(_ENDS_WITHIN_S)

    def _write(self) -> None:
        while (text := self._lines.get()) is not None:
            try:
                self._file.write(text + "\n")
                if self._lines.empty():
                    self._file.flush()
            except OSError as error:  # the disk is full or gone: the watch goes on
                self.failed = self.failed or error
        with contextlib.suppress(OSError):
            self._file.flush()


@contextlib.contextmanager
def watch_log(path: str | None, *, force: bool) -> Iterator[WatchLog | None]:
    """Open a log while the block runs; None for none.

    Raises
    ------
    OutputError
        If it cannot be written, or exists and `force` is False.
    """
    if path is None:
        yield None
        return
    check_writable(path, force=force)
    try:
        file = Path(path).open("w", encoding="utf-8", newline="\n")  # noqa: SIM115 - closed below
    except OSError as error:
        raise OutputError(f"{shown(path)}: could not be written ({error.strerror})") from error
    log = WatchLog(file)
    try:
        yield log
    finally:
        log.close()
        with contextlib.suppress(OSError):
            file.close()
