"""The watch: samples to rings, rings to the board, the board to whoever looks or reads."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.equaliser.limits import Limits
from shaping.live.sources import Source
from shaping.live.watch.board import Board, Entry
from shaping.live.watch.cutting import Cutting, Shown, cut_for
from shaping.live.watch.watcher import GrowingRing, Watcher

Samples = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Told:
    """One thing that was told: a ring that came, came back, or became certain."""

    time_s: float
    shown: Shown


class Watch:
    """Everything that is known while a source is watched.

    Parameters
    ----------
    source : Source
        What is watched.
    limits : Limits
        The equaliser that the cuts are for.

    Attributes
    ----------
    now_s : float
        Seconds watched.
    told : list of Told
        Everything that was told, in order.
    """

    def __init__(self, source: Source, limits: Limits) -> None:
        self.source, self._limits = source, limits
        self._watcher = Watcher(source.sample_rate_hz, len(source.inputs))
        self._board = Board()
        self._cuts: dict[tuple[int, bool, int], Cutting | None] = {}
        self._frames = 0
        self.told: list[Told] = []

    @property
    def now_s(self) -> float:
        """Seconds watched."""
        return self._frames / self.source.sample_rate_hz

    @property
    def standing(self) -> tuple[GrowingRing, ...]:
        """Certain rings that stand now, on all channels."""
        return tuple(ring for ring in self._watcher.rings if ring.certain)

    def take(self, block: Samples) -> list[Told]:
        """Take samples, shape (n, channels); return what is to be told."""
        self._frames += len(block)
        entries = self._board.take(self._watcher.feed(block))
        fresh = [Told(self.now_s, Shown(entry, self._cut(entry))) for entry in entries]
        self.told += fresh
        return fresh

    def shown(self) -> tuple[Shown, ...]:
        """Return what is to be seen, the newest first."""
        return tuple(Shown(entry, self._cut(entry)) for entry in self._board.entries)

    def _cut(self, entry: Entry) -> Cutting | None:
        """Return the cut for an entry; found anew when what it rests on has changed by much."""
        ring = entry.loudest
        growth = round(ring.growth_db_per_s / 10)
        key = (round(1200 * np.log2(ring.frequency_hz)) // 10, entry.certain, growth)
        if key not in self._cuts:
            rate = self.source.sample_rate_hz
            self._cuts[key] = cut_for(ring, self._limits, sample_rate_hz=rate)
        return self._cuts[key]


def watch(
    source: Source,
    limits: Limits,
    *,
    tell: Callable[[Told], None],
    look: Callable[[Watch], bool],
) -> Watch:
    """Watch a source to its end, or until somebody ends it.

    Parameters
    ----------
    source : Source
        What is watched.
    limits : Limits
        The equaliser.
    tell : callable
        Is told of every ring that comes, comes back, or becomes certain.
    look : callable
        Looks at the watch after every block; returns whether to go on.
    """
    seen = Watch(source, limits)
    for block in source.blocks:
        for told in seen.take(block):
            tell(told)
        if not look(seen):
            break
    return seen
