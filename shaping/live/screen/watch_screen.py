"""The watch as a person at the desk sees it: the newest ring large, the others below.

Plain words and the size of things carry the meaning; colour only helps. Everything fits 50
columns.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.console import Console, ConsoleOptions, Group, RenderResult
from rich.text import Text

from shaping.live.screen.big import HEIGHT, big_text
from shaping.live.watch.board import Entry
from shaping.live.watch.cutting import Shown
from shaping.report.terminal_text import wrapped
from shaping.text.durations import duration_text
from shaping.text.frequency import hertz_text, note_text
from shaping.text.names import shown

_LARGE_LINES = HEIGHT + 4
_RING, _POSSIBLE, _GONE = "bold white on red", "bold", "dim"


@dataclass(frozen=True, slots=True)
class WatchState:
    """What there is to see.

    Attributes
    ----------
    source : str
        What is watched.
    now_s : float
        Time since the watch began.
    names : tuple of str
        Of the channels.
    shown : tuple of Shown
        The newest first.
    lost : int
        Blocks lost.
    told : str
        What to do now, in a ring-out; else "".
    keys : str
        Which keys do what.
    """

    source: str
    now_s: float
    names: tuple[str, ...]
    shown: tuple[Shown, ...]
    lost: int = 0
    told: str = ""
    keys: str = "q ends"


class WatchScreen:
    """Draws one state at the size the console has."""

    def __init__(self, state: WatchState) -> None:
        self._state = state

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Yield the screen."""
        state, width = self._state, options.max_width
        height = options.height or console.size.height
        parts: list[Text] = [self._head(width)]
        if state.told:
            parts.append(Text(wrapped(state.told, width), style="bold reverse"))
        parts.append(Text(""))
        left = height - sum(part.plain.count("\n") + 1 for part in parts) - 2
        if not state.shown:
            parts.append(Text("Nothing rings.", style="bold"))
        for one in state.shown:
            large = self._large(one, width) if left >= _LARGE_LINES and one.entry.standing else None
            part = large or self._small(one, width)
            lines = part.plain.count("\n") + 1
            if lines > left:
                break
            parts.append(part)
            left -= lines
        yield Group(*parts)

    def _head(self, width: int) -> Text:
        state = self._state
        channels = f"{len(state.names)} channel{'s' if len(state.names) > 1 else ''}"
        lost = f", {state.lost} blocks lost" if state.lost else ""
        text = (
            f"{shown(state.source)}, {channels}, {duration_text(state.now_s)}{lost}; {state.keys}"
        )
        return Text(wrapped(text, width))

    def _large(self, one: Shown, width: int) -> Text | None:
        entry = one.entry
        figure = big_text(hertz_text(entry.frequency_hz))
        if max(map(len, figure)) + 2 > width:
            return None
        style = _RING if entry.certain else _POSSIBLE
        what = "RING" if entry.certain else "possible ring"
        text = Text()
        text.append(f" {what} ", style=style)
        text.append(f" {note_text(entry.frequency_hz)}, {self._where(entry)}\n", style="bold")
        for line in figure:
            text.append(f"  {line}\n", style="bold")
        text.append(wrapped(f"{cut_text(one)}; {_growth(entry)}", width) + "\n", style="bold")
        return text

    def _small(self, one: Shown, width: int) -> Text:
        entry = one.entry
        what = "RING " if entry.certain else "maybe "
        if not entry.standing:
            gone_s = max(self._state.now_s - entry.loudest.last_s, 0.0)
            what = f"{'ring' if entry.certain else 'maybe'}, {duration_text(gone_s)} ago "
        again = f", {entry.times} times" if entry.times > 1 else ""
        words = (
            f"{hertz_text(entry.frequency_hz)} {note_text(entry.frequency_hz)}{again}, "
            f"{self._where(entry)}: {cut_text(one)}"
        )
        style = _GONE if not entry.standing else _RING if entry.certain else _POSSIBLE
        return Text(wrapped(words, width, lead=f" {what}"), style=style)

    def _where(self, entry: Entry) -> str:
        others = len(entry.channels) - 1
        name = shown(self._state.names[entry.loudest.channel])
        return name if not others else f"{name} and {others} more"


def cut_text(one: Shown) -> str:
    """Return the cut for an entry as it is dialled in, or what to do without."""
    if one.cut is not None:
        return f"cut {one.cut.text}"
    return "no band for it: pull the send down" if one.entry.certain else "no cut yet"


def log_line(time_text: str, one: Shown, names: Sequence[str]) -> str:
    """Return one line for the log."""
    entry = one.entry
    what = "ring" if entry.certain else "possible ring"
    where = ", ".join(shown(names[c]) for c in entry.channels)
    return (
        f"{time_text}  {what}  {hertz_text(entry.frequency_hz)} ({note_text(entry.frequency_hz)})  "
        f"{where}  {_growth(entry)}  {entry.loudest.confidence:.0%} sure  {cut_text(one)}"
    )


def _growth(entry: Entry) -> str:
    growth = entry.loudest.growth_db_per_s
    return f"grew {growth:.0f} dB/s" if growth >= 1 else "not seen growing"
