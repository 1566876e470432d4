"""Straight lines in level: how fast a tone grows or falls, and how straight it does so.

A howl's level rises by excess gain over loop delay: a straight line in dB. Arrays of levels carry
time along their last axis, one value per hop.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class SlidingLines:
    """Least-squares lines through every run of `length` successive levels.

    Attributes
    ----------
    length : int
        Levels in each run.
    slope_db_per_s : ndarray of float64, shape (..., n - length + 1)
        Slope of the run that starts at each place.
    deviation_db : ndarray of float64, same shape
        Root-mean-square distance of the levels from their line.
    """

    length: int
    slope_db_per_s: NDArray[np.float64]
    deviation_db: NDArray[np.float64]


def sliding_lines(level_db: NDArray[np.floating], hop_s: float, length: int) -> SlidingLines:
    """Fit a line to every run of `length` levels.

    Parameters
    ----------
    level_db : ndarray, shape (..., n)
        Levels in dB at even steps of time; ``n >= length``.
    hop_s : float
        Time between levels in seconds.
    length : int
        Levels in each run, at least 3.

    Returns
    -------
    SlidingLines
        Slopes and deviations of all runs; cost does not depend on `length`.
    """
    level = np.asarray(level_db, np.float64)
    level = level - level.mean(axis=-1, keepdims=True)
    time = np.arange(level.shape[-1], dtype=np.float64)
    total = _sliding_sum(level, length)
    moment = _sliding_sum(level * time, length)
    square = _sliding_sum(level * level, length)
    centre = time[: total.shape[-1]] + (length - 1) / 2
    spread = length * (length**2 - 1) / 12
    slope = (moment - centre * total) / spread
    variance = (square - total**2 / length - slope**2 * spread) / length
    return SlidingLines(length, slope / hop_s, np.sqrt(np.maximum(variance, 0.0)))


def _sliding_sum(values: NDArray[np.float64], length: int) -> NDArray[np.float64]:
    running = np.cumsum(values, axis=-1)
    head = running[..., length - 1 : length]
    return np.concatenate([head, running[..., length:] - running[..., :-length]], axis=-1)


def fit_line(level_db: NDArray[np.floating], hop_s: float) -> tuple[float, float]:
    """Return the slope in dB per second and the root-mean-square deviation in dB of one run."""
    lines = sliding_lines(level_db, hop_s, np.asarray(level_db).shape[-1])
    return float(lines.slope_db_per_s[0]), float(lines.deviation_db[0])


def steepest_straight(
    level_db: NDArray[np.floating], hop_s: float, *, min_length: int = 8
) -> tuple[int, int]:
    """Trim a rise to its steepest straight part: no floor before it, no ceiling after it.

    Parameters
    ----------
    level_db : ndarray, shape (n,)
        Levels in dB that rise on the whole; ``n >= min_length``.
    hop_s : float
        Time between levels in seconds.
    min_length : int
        Least number of levels to fit a line to.

    Returns
    -------
    first, last : int
        The stretch that stays close to the steepest line through half of the levels.
    """
    level = np.asarray(level_db, np.float64)
    count = max(level.size // 2, min_length)
    lines = sliding_lines(level, hop_s, count)
    score = lines.slope_db_per_s - 2 * lines.deviation_db / (count * hop_s)
    begin = int(score.argmax())
    steps = np.arange(level.size) - (begin + (count - 1) / 2)
    line = level[begin : begin + count].mean() + lines.slope_db_per_s[begin] * hop_s * steps
    off = np.abs(level - line) > max(2.0, 2.5 * float(lines.deviation_db[begin]))
    off[begin : begin + count] = False
    before, after = np.flatnonzero(off[:begin]), np.flatnonzero(off[begin:])
    first = int(before[-1]) + 1 if before.size else 0
    last = begin + int(after[0]) - 1 if after.size else level.size - 1
    return first, last
