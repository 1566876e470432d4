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
    total, moment, square = _sliding_sums(np.stack([level, level * time, level * level]), length)
    centre = time[: total.shape[-1]] + (length - 1) / 2
    spread = length * (length**2 - 1) / 12
    slope = (moment - centre * total) / spread
    variance = (square - total**2 / length - slope**2 * spread) / length
    return SlidingLines(length, slope / hop_s, np.sqrt(np.maximum(variance, 0.0)))


def _sliding_sums(values: NDArray[np.float64], length: int) -> NDArray[np.float64]:
    running = np.zeros((*values.shape[:-1], values.shape[-1] + 1))
    np.cumsum(values, axis=-1, out=running[..., 1:])
    return np.asarray(running[..., length:] - running[..., :-length])


def fit_lines(
    level_db: NDArray[np.floating], inside: NDArray[np.bool_], hop_s: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Fit a line to the levels inside a stretch of each row.

    Parameters
    ----------
    level_db : ndarray, shape (m, n)
        Levels in dB at even steps of time.
    inside : ndarray of bool, shape (m, n)
        The levels that count: at least two in each row.
    hop_s : float
        Time between levels in seconds.

    Returns
    -------
    slope_db_per_s, deviation_db : ndarray of float64, shape (m,)
        Slope, and root-mean-square distance of the levels from the line.
    """
    weight = inside / inside.sum(axis=1, keepdims=True)
    time = np.arange(inside.shape[1]) - (weight @ np.arange(inside.shape[1]))[:, None]
    level = np.asarray(level_db, np.float64)
    level = level - (weight * level).sum(axis=1, keepdims=True)
    slope = (weight * time * level).sum(axis=1) / (weight * time**2).sum(axis=1)
    off = level - slope[:, None] * time
    return slope / hop_s, np.sqrt((weight * off**2).sum(axis=1))


def steepest_straight(
    level_db: NDArray[np.floating], hop_s: float, *, min_length: int = 8
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Trim rises to their steepest straight part: no floor before it, no ceiling after it.

    Parameters
    ----------
    level_db : ndarray, shape (m, n)
        Levels in dB that rise on the whole, one rise a row; ``n >= min_length``.
    hop_s : float
        Time between levels in seconds.
    min_length : int
        Least number of levels to fit a line to.

    Returns
    -------
    first, last : ndarray of int64, shape (m,)
        The stretches that stay close to the steepest line through half of the levels.
    """
    level = np.asarray(level_db, np.float64)
    rows, size = np.arange(level.shape[0]), level.shape[1]
    count = max(size // 2, min_length)
    lines = sliding_lines(level, hop_s, count)
    score = lines.slope_db_per_s - 2 * lines.deviation_db / (count * hop_s)
    begin = score.argmax(axis=1)
    place = np.arange(size)
    core = (place >= begin[:, None]) & (place < begin[:, None] + count)
    middle = (level * core).sum(axis=1) / count
    steps = place - (begin[:, None] + (count - 1) / 2)
    line = middle[:, None] + lines.slope_db_per_s[rows, begin][:, None] * hop_s * steps
    allowed = np.maximum(2.0, 2.5 * lines.deviation_db[rows, begin])
    off = (np.abs(level - line) > allowed[:, None]) & ~core
    before = off & (place < begin[:, None])
    after = off & (place > begin[:, None])
    first = np.where(before.any(axis=1), size - before[:, ::-1].argmax(axis=1), 0)
    last = np.where(after.any(axis=1), after.argmax(axis=1) - 1, size - 1)
    return first, last


def steepest_slope(level_db: NDArray[np.floating], hop_s: float, *, length_s: float) -> float:
    """Return the slope in dB per second of the steepest stretch in the later half of a rise.

    Growth quickens as the send goes up, and the early part of a rise is more disturbed. Slopes are
    compared less two standard errors, so that a bump does not pass for growth. A rise shorter
    than `length_s` has one slope.
    """
    level = np.asarray(level_db, np.float64)
    count = min(max(round(length_s / hop_s), 3), level.size)
    lines = sliding_lines(level, hop_s, count)
    slope = lines.slope_db_per_s
    error = lines.deviation_db / (count * hop_s) * np.sqrt(12 / count)
    half = slope.size // 2
    return float(slope[half + np.argmax((slope - 2 * error)[half:])])
