"""Samples of all channels in, rings out as they grow.

A ring is listed as possible or certain, and once certain stays so. It is gone when it was not
heard for a while; the same frequency again is a new ring.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.findings import CERTAIN
from shaping.live.watch.history import History
from shaping.live.watch.measures import MEASURE_NAMES, measure
from shaping.live.watch.model import (
    HELD_FRAMES,
    RING_LIKE,
    RIVAL_WEIGHT,
    Rivals,
    confidence_of,
    evidence_of,
)
from shaping.live.watch.tones import Tones
from shaping.live.watch.worth import worth_a_look
from shaping.rehearsals.frames import grid_for

LISTED: Final = 0.4
"""Less likely tones are not listed, not even as possible rings."""

GONE_S: Final = 0.6
"""A ring that was not heard for so long is gone: twice the longest gap that loud playing leaves."""

SAME_TONE_RATIO: Final = 1.015
"""Closer tones are one: a mic that moves by 7 cm moves a ring by less."""

_MULTIPLE_RATIO = 0.012
"""A clipped ring brings multiples of itself within the width of a bin."""

_COLUMN = {name: at for at, name in enumerate(MEASURE_NAMES)}


@dataclass(frozen=True, slots=True)
class GrowingRing:
    """One ring on one channel, as far as it is known.

    Attributes
    ----------
    channel : int
        Counted from 0.
    frequency_hz : float
        Where it is now.
    start_s, last_s : float
        First and last heard, from the start of the watch.
    named_s : float
        When it was first listed, or became certain.
    growth_db_per_s : float
        Fastest growth along a straight line.
    peak_dbfs : float
        Highest level: full-scale sine = 0 dB.
    confidence : float
        0..1, at its highest.
    gone : bool
        Whether it has ended.
    """

    channel: int
    frequency_hz: float
    start_s: float
    last_s: float
    named_s: float
    growth_db_per_s: float
    peak_dbfs: float
    confidence: float
    gone: bool = False

    @property
    def certain(self) -> bool:
        """Whether people are told `ring` and not `possible ring`."""
        return self.confidence >= CERTAIN


@dataclass
class _Tone:
    """Evidence of the last frames of one tone that may be a ring."""

    frequency_hz: float
    frame: int
    sums: list[float]


class Watcher:
    """Finds rings on several channels while they grow.

    Parameters
    ----------
    sample_rate_hz : int
        Of every channel.
    channels : int
        How many.
    """

    def __init__(self, sample_rate_hz: int, channels: int) -> None:
        grid = grid_for(sample_rate_hz)
        self._history = History(grid, channels)
        self._tones = Tones(channels, grid.stop_bin - grid.first_bin)
        self._held: list[list[_Tone]] = [[] for _ in range(channels)]
        self._rings: list[list[GrowingRing]] = [[] for _ in range(channels)]
        self._rivals = [Rivals() for _ in range(channels)]

    @property
    def rings(self) -> tuple[GrowingRing, ...]:
        """What stands now, on all channels."""
        return tuple(ring for own in self._rings for ring in own)

    def feed(self, block: NDArray[np.float32]) -> list[GrowingRing]:
        """Take samples, shape (n, channels); return the rings that came, changed or ended."""
        changed: dict[tuple[int, float], GrowingRing] = {}
        for frame in self._history.feed(block):
            for ring in self._frame(frame):
                changed[ring.channel, ring.start_s] = ring
        return list(changed.values())

    def _frame(self, frame: int) -> list[GrowingRing]:
        grid = self._history.grid
        now_s = (frame + 1) * grid.hop_s
        result = self._end(now_s)
        channel, column, age = self._tones.update(self._history)
        if not channel.size:
            return result
        values = measure(self._history, channel, column, age, self._tones.per_s)
        worth = np.flatnonzero(worth_a_look(values))
        if not worth.size:
            return result
        sums = evidence_of(values[worth])
        for at in np.argsort(-values[worth, _COLUMN["dominance_db"]], kind="stable"):
            row = values[worth[at]]
            evidence = self._steady(int(channel[worth[at]]), row, float(sums[at]), frame)
            evidence = self._weighed(int(channel[worth[at]]), row, evidence, now_s)
            ring = self._ring(int(channel[worth[at]]), row, confidence_of(evidence), now_s)
            if ring is not None:
                result.append(ring)
        return result

    def _steady(self, channel: int, row: NDArray[np.float64], evidence: float, frame: int) -> float:
        """Return the least evidence of this tone's last frames; none before there are enough."""
        hertz = float(row[_COLUMN["frequency_hz"]])
        own = self._held[channel] = [t for t in self._held[channel] if t.frame >= frame - 1]
        known = next(
            (t for t in own if t.frame < frame and _ratio(t.frequency_hz, hertz) < SAME_TONE_RATIO),
            None,
        )
        if known is None:
            own.append(_Tone(hertz, frame, [evidence]))
            return -math.inf
        known.frequency_hz, known.frame = hertz, frame
        known.sums = [*known.sums[1 - HELD_FRAMES :], evidence]
        return min(known.sums) if len(known.sums) == HELD_FRAMES else -math.inf

    def _weighed(
        self, channel: int, row: NDArray[np.float64], evidence: float, now_s: float
    ) -> float:
        if evidence < RING_LIKE:
            return evidence
        hertz, rivals = float(row[_COLUMN["frequency_hz"]]), self._rivals[channel]
        others = rivals.count(hertz, now_s)
        rivals.note(hertz, now_s)
        return evidence - RIVAL_WEIGHT * math.log1p(others)

    def _ring(
        self, channel: int, row: NDArray[np.float64], confidence: float, now_s: float
    ) -> GrowingRing | None:
        hertz = float(row[_COLUMN["frequency_hz"]])
        level = float(row[_COLUMN["over_third_db"]])
        own = self._rings[channel]
        growth = _growth(row)
        peak = self._level_dbfs(channel, hertz)
        for at, known in enumerate(own):
            if _ratio(known.frequency_hz, hertz) < SAME_TONE_RATIO:
                sure = max(known.confidence, confidence)
                own[at] = replace(
                    known,
                    frequency_hz=hertz,
                    last_s=now_s,
                    named_s=now_s if sure >= CERTAIN > known.confidence else known.named_s,
                    growth_db_per_s=max(known.growth_db_per_s, growth),
                    peak_dbfs=max(known.peak_dbfs, peak),
                    confidence=sure,
                )
                return own[at]
        if confidence < LISTED or level < 0 or any(_multiple(k.frequency_hz, hertz) for k in own):
            return None
        age_s = float(row[_COLUMN["age_s"]])
        ring = GrowingRing(
            channel, hertz, max(now_s - age_s, 0.0), now_s, now_s, growth, peak, confidence
        )
        own.append(ring)
        return ring

    def _end(self, now_s: float) -> list[GrowingRing]:
        ended = []
        for at, own in enumerate(self._rings):
            over = [ring for ring in own if now_s - ring.last_s > GONE_S]
            if over:
                ended += [replace(ring, gone=True) for ring in over]
                self._rings[at] = [ring for ring in own if now_s - ring.last_s <= GONE_S]
        return ended

    def _level_dbfs(self, channel: int, hertz: float) -> float:
        grid = self._history.grid
        column = round(hertz / grid.bin_hz) - grid.first_bin
        column = min(max(column, 0), self._history.power.shape[1] - 1)
        return 10 * math.log10(float(self._history.power[channel, column]) + 1e-12)


def _growth(row: NDArray[np.float64]) -> float:
    """Return the growth along the highest straight line that ends now, or 0."""
    for name in ("straight", "line"):
        height, length_s = row[_COLUMN[f"{name}_db"]], row[_COLUMN[f"{name}_s"]]
        if height >= 3.0:
            return float(height / length_s)
    return 0.0


def _ratio(one: float, other: float) -> float:
    return max(one / other, other / one)


def _multiple(fundamental_hz: float, hertz: float) -> bool:
    times = hertz / fundamental_hz
    return times > 1.5 and abs(times / round(times) - 1) < _MULTIPLE_RATIO
