"""The list of rings that people look at: one entry a frequency, the newest first.

The same ring in several mics is one entry, with the mic that hears it loudest. An entry stays
after its ring has gone; when it comes back it is the newest again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from shaping.live.watch.watcher import SAME_TONE_RATIO, GrowingRing

MOST_ENTRIES: Final = 40
"""Nobody looks further down."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One frequency that rang.

    Attributes
    ----------
    loudest : GrowingRing
        As it stands in the channel that hears it loudest.
    channels : tuple of int
        All that hear or heard it this time, counted from 0.
    standing : tuple of int
        Those in which it stands now.
    times : int
        How often it came up.
    """

    loudest: GrowingRing
    channels: tuple[int, ...]
    standing: tuple[int, ...]
    times: int = 1

    @property
    def frequency_hz(self) -> float:
        """Where it rings."""
        return self.loudest.frequency_hz

    @property
    def certain(self) -> bool:
        """Whether people are told `ring` and not `possible ring`."""
        return self.loudest.certain


class Board:
    """Keeps the entries.

    Attributes
    ----------
    entries : tuple of Entry
        The newest first.
    """

    def __init__(self) -> None:
        self.entries: tuple[Entry, ...] = ()

    def take(self, rings: list[GrowingRing]) -> list[Entry]:
        """Take in what a watcher found; return entries that are new or have become certain."""
        told = []
        for ring in rings:
            known = next((e for e in self.entries if _same(e, ring)), None)
            if known is None:
                if ring.gone:
                    continue
                fresh = Entry(ring, (ring.channel,), (ring.channel,))
                self.entries = (fresh, *self.entries)[:MOST_ENTRIES]
                told.append(fresh)
                continue
            entry = _with(known, ring)
            came_back = not known.standing and bool(entry.standing)
            others = tuple(one for one in self.entries if one is not known)
            if came_back:
                self.entries = (entry, *others)
            else:
                self.entries = tuple(entry if one is known else one for one in self.entries)
            if came_back or (entry.certain and not known.certain):
                told.append(entry)
        return told


def _same(entry: Entry, ring: GrowingRing) -> bool:
    ratio = entry.frequency_hz / ring.frequency_hz
    return 1 / SAME_TONE_RATIO < ratio < SAME_TONE_RATIO


def _with(entry: Entry, ring: GrowingRing) -> Entry:
    standing = tuple(c for c in entry.standing if c != ring.channel)
    if not ring.gone:
        standing = (*standing, ring.channel)
    if not entry.standing and not ring.gone:  # it comes back: a ring of its own
        return Entry(ring, (ring.channel,), standing, entry.times + 1)
    channels = tuple(dict.fromkeys((*entry.channels, ring.channel)))
    old = entry.loudest
    louder = ring if ring.channel == old.channel or ring.peak_dbfs > old.peak_dbfs else old
    surest = max(old.confidence, ring.confidence)
    loudest = replace(
        louder,
        confidence=surest,
        start_s=min(old.start_s, ring.start_s),
        last_s=max(old.last_s, ring.last_s),
        growth_db_per_s=max(old.growth_db_per_s, ring.growth_db_per_s),
        gone=not standing,
    )
    return replace(entry, loudest=loudest, channels=channels, standing=standing)
