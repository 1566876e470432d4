"""Straight lines through levels, and how steady a frequency is: plain numbers of short series."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

_LINE_FRAMES = (5, 8, 13, 21, 34, 55, 89)


def middle(values: NDArray[np.float32]) -> float:
    """Return the median, or its upper neighbour."""
    return float(np.partition(values, values.size // 2)[values.size // 2])


def trend(level_db: NDArray[np.float32], *, spread_if_short: float) -> tuple[float, float]:
    """Slope per frame and standard deviation about the line."""
    if level_db.size < 4:
        return 0.0, spread_if_short
    x = np.arange(level_db.size) - (level_db.size - 1) / 2
    slope = float(np.sum(x * level_db) / np.sum(x * x))
    return slope, float(np.std(level_db - slope * x))


def growth(level_db: NDArray[np.float32], hop_s: float) -> tuple[float, float, float]:
    """Slope in dB/s of the last 15 dB of the rise, deviation from a line, height of the middle."""
    if level_db.size < 4:
        count = level_db.size - 1
        return float(level_db[-1] - level_db[0]) / (max(count, 1) * hop_s), 0.0, 0.0
    slope, bend = trend(level_db, spread_if_short=0.0)
    middle = level_db[level_db.size // 2]
    return slope / hop_s, bend, float(middle - (level_db[0] + level_db[-1]) / 2)


@lru_cache(maxsize=256)
def _lines_in(size: int) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Return starts, stops and lengths of all runs of `_LINE_FRAMES` levels among `size`."""
    counts = [count for count in _LINE_FRAMES if count <= size]
    starts = np.concatenate([np.arange(size - count + 1) for count in counts])
    lengths = np.repeat(counts, [size - count + 1 for count in counts])
    return starts, starts + lengths, lengths.astype(np.float64)


def straight_rises(
    level_db: NDArray[np.float32], top_db: float, hop_s: float
) -> list[tuple[float, float, float, float, float]]:
    """Height, length, curve, jump and flat share of the highest straight line near the plateau.

    Least squares through every run of several lengths that ends within 5 dB of it. The deviation
    allowed grows with the height; twice as much is allowed for the second line.
    """
    if level_db.size < _LINE_FRAMES[0]:
        return [(0.0, 0.0, 0.0, 0.0, 0.0)] * 2
    start, stop, count = _lines_in(level_db.size)
    level = level_db.astype(np.float64) - float(level_db.mean())
    sums = np.zeros((3, level.size + 1))
    np.cumsum([level, level * np.arange(level.size), level * level], axis=1, out=sums[:, 1:])
    total, moment, square = sums[:, stop] - sums[:, start]
    spread = count * (count * count - 1) / 12
    slope = (moment - (start + (count - 1) / 2) * total) / spread
    variance = (square - total * total / count - slope * slope * spread) / count
    height = np.where(level_db[stop - 1] >= top_db - 5, slope * (count - 1), 0.0)
    deviation = np.sqrt(np.maximum(variance, 0.0)) / (0.4 + 0.04 * np.maximum(height, 0.0))
    result = []
    for allowed in (1.0, 2.0):
        straight = np.where(deviation <= allowed, height, 0.0)
        best = int(straight.argmax())
        high = float(straight[best])
        third = int(count[best]) // 3
        on_line = level[start[best] : stop[best]]
        middle = (
            on_line[third:-third].mean() - (on_line[:third].mean() + on_line[-third:].mean()) / 2
        )
        jump = float(np.diff(on_line).max()) * (int(count[best]) - 1) / max(high, 1.0)
        flat = float(np.mean(np.diff(on_line) < 0.25 * slope[best]))
        found = (high, count[best] * hop_s, float(middle), jump, flat)
        result.append(found if high > 0 else (0.0, 0.0, 0.0, 0.0, 0.0))
    return result


def steadiness(
    frame: NDArray[np.int64], position: NDArray[np.float32]
) -> tuple[float, float, float]:
    """How the frequency trembles, its spread about its slow drift, and the drift, in bins."""
    if position.size < 4:
        return 1.0, 1.0, 1.0
    x = frame - frame.mean()
    drift = float(np.sum(x * position) / np.sum(x * x))
    spread = float(np.std(position - position.mean() - drift * x))
    turns = np.abs(position[2:] - 2 * position[1:-1] + position[:-2])
    return middle(turns), spread, abs(drift) * float(np.ptp(x))
