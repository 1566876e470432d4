"""What a watch shows while it runs: a screen on a terminal, lines where there is none; and keys."""

from __future__ import annotations

import contextlib
import json
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any, Final

from rich.console import Console
from rich.live import Live

from shaping.live.ring_out_loop import Keys
from shaping.live.screen.watch_screen import WatchScreen, WatchState, log_line
from shaping.live.stopping import Stop, keys, stop_on_signals
from shaping.live.watch_log import WatchLog
from shaping.live.watching import Told, Watch
from shaping.text.durations import moment_text

DRAWN_EVERY_S: Final = 0.15
"""Seven pictures a second: sooner than anybody reads, and cheap."""

_ENDS = "qQ\x1b\x03"
_BACK = "\x7f\x08"


class Shows:
    """Shows a watch, keeps its log and collects keys.

    Parameters
    ----------
    source : str
        What is watched, for people.
    names : tuple of str
        Of the channels.
    log : WatchLog or None
        Where lines go besides.
    quiet : bool
        Whether standard output belongs to somebody else.
    leads : bool
        Whether a ring-out is led, so that keys do more than end it.
    """

    def __init__(
        self,
        source: str,
        names: tuple[str, ...],
        log: WatchLog | None,
        *,
        quiet: bool = False,
        leads: bool = False,
    ) -> None:
        self._source, self._names, self._log = source, names, log
        self._console = Console(stderr=quiet)
        self._quiet, self._leads = quiet, leads
        self._live: Live | None = None
        self._drawn_s = -1.0
        self._typed = ""
        self._said = ""
        self._keys: list[str] = []
        self.stop = Stop()

    @contextlib.contextmanager
    def running(self) -> Iterator[None]:
        """Show while the block runs."""
        with contextlib.ExitStack() as stack:
            stack.enter_context(stop_on_signals(self.stop))
            stack.enter_context(keys(threading.Event(), self._keys))
            if self._console.is_terminal:
                live = Live(
                    console=self._console, screen=True, auto_refresh=False, redirect_stderr=False
                )
                self._live = stack.enter_context(live)
            yield
        self._live = None

    def tell(self, told: Told) -> None:
        """Write a line for a ring."""
        line = log_line(moment_text(told.time_s), told.shown, self._names)
        if self._log is not None:
            self._log.line(line)
        if self._live is None:
            self._line(line)

    def look(self, seen: Watch, told: str = "") -> bool:
        """Draw what there is; return whether to go on."""
        pressed = self._keys if not self._leads else []
        if self.stop.cause is not None or any(key in _ENDS for key in pressed):
            return False
        if told != self._said:
            self._said = told
            if self._log is not None and told:
                self._log.line(f"{moment_text(seen.now_s)}  {told}")
            if self._live is None and told:
                self._line(f"{moment_text(seen.now_s)}  {told}")
        now = time.monotonic()
        if self._live is not None and now - self._drawn_s >= DRAWN_EVERY_S:
            self._drawn_s = now
            self._live.update(WatchScreen(self._state(seen, told)), refresh=True)
        return True

    def keys(self) -> Keys:
        """Return what was pressed in a ring-out since last time."""
        while self._keys:
            key = self._keys.pop(0)
            if key in "\r\n":
                entered, self._typed = self._typed, ""
                return Keys(entered)
            if key in "eE" or key in _ENDS:
                entered, self._typed = self._typed, ""
                return Keys(entered, ended=True)
            self._typed = self._typed[:-1] if key in _BACK else (self._typed + key)[:8]
        return Keys()

    def _state(self, seen: Watch, told: str) -> WatchState:
        typed = f" {self._typed}_" if self._typed else ""
        return WatchState(
            source=self._source,
            now_s=seen.now_s,
            names=self._names,
            shown=seen.shown(),
            lost=seen.source.lost(),
            told=told + typed if told else "",
            keys="e ends" if self._leads else "q ends",
        )

    def _line(self, text: str) -> None:
        stream = sys.stderr if self._quiet else sys.stdout
        stream.write(text + "\n")
        stream.flush()


def watch_json(seen: Watch, names: tuple[str, ...]) -> str:
    """Return what was told, as JSON of the schema ``shaping.watch/1``."""
    rings: list[dict[str, Any]] = []
    for told in seen.told:
        entry, cut = told.shown.entry, told.shown.cut
        ring = entry.loudest
        rings.append(
            {
                "told_s": round(told.time_s, 3),
                "frequency_hz": round(ring.frequency_hz, 2),
                "channel": seen.source.inputs[ring.channel] + 1,
                "name": names[ring.channel],
                "also_in": [seen.source.inputs[c] + 1 for c in entry.channels if c != ring.channel],
                "certain": entry.certain,
                "confidence": round(ring.confidence, 3),
                "growth_db_per_s": round(ring.growth_db_per_s, 1),
                "peak_dbfs": round(ring.peak_dbfs, 1),
                "cut": None if cut is None else asdict(cut.filter),
            }
        )
    return json.dumps(
        {
            "schema": "shaping.watch/1",
            "source": seen.source.name,
            "sample_rate_hz": seen.source.sample_rate_hz,
            "duration_s": round(seen.now_s, 3),
            "lost_blocks": seen.source.lost(),
            "rings": rings,
        },
        indent=2,
    )
