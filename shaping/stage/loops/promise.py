"""What may be promised of all sends together: the safe end of a 95 % interval.

As for one loop (`shaping.analysis.loop.promise`): every path's own error is drawn many times over,
and a path that was played but drowned in noise counts with what it may be at most. What an error of
one path does to all loops together is its share of the leading eigenvalue
(`shaping.stage.loops.margins.shares`), so that errors of many paths add by their squares.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.loop.promise import DRAWS, LINES_APART, MOST_DRAWN, OUTSIDE, SYSTEMATIC_DB
from shaping.stage.loops.margins import worst_levels
from shaping.stage.loops.matrix import MOST_ERROR_DB, PathMatrix, loops

_REACH_DB = 6.0  # six standard deviations of a path heard 6 dB over the noise in one average

_Real = NDArray[np.float64]


def highest_level_db(
    matrix: PathMatrix, sends: _Real, gain: _Real, level_db: _Real, top_db: float
) -> float:
    """Return how high all loops together may really be, worst over phases: 97.5 % sure.

    Parameters
    ----------
    matrix : PathMatrix
        The paths.
    sends : ndarray, shape (W, M)
        Linear send gains.
    gain : ndarray, shape (n, W)
        Magnitudes of the wedges' equalisers.
    level_db : ndarray, shape (n,)
        The loops' level as estimated, in dB; minus infinity where it was not computed.
    top_db : float
        Its maximum, between the grid's points as well.

    Returns
    -------
    float
        Minus infinity where no loop is closed.
    """
    at = _near_top(level_db)
    drowned_db = _drowned_db(matrix, sends, gain)
    if not at.size:
        return drowned_db
    rng = np.random.default_rng(0)
    spread = _spread_db(matrix, sends, gain, at)
    drawn = level_db[at] + spread * rng.standard_normal((DRAWS, at.size))
    tops = drawn.max(axis=1) + SYSTEMATIC_DB * rng.standard_normal(DRAWS)
    # The highest of many noisy points lies too high, the drawn ones twice over.
    bound = 2 * float(level_db[at].max()) - float(np.quantile(tops, OUTSIDE / 2))
    return max(bound + top_db - float(level_db[at].max()), top_db, drowned_db)


def _near_top(level_db: _Real) -> NDArray[np.int64]:
    """Return the points that may be the highest; of neighbours that share their error only one."""
    near = np.flatnonzero(level_db > level_db.max(initial=-np.inf) - _REACH_DB)
    if not near.size:
        return near
    peak = near[np.argmax(level_db[near])]
    near = near[(near - peak) % LINES_APART == 0]
    return np.asarray(near[np.argsort(-level_db[near], kind="stable")][:MOST_DRAWN])


def _spread_db(matrix: PathMatrix, sends: _Real, gain: _Real, at: NDArray[np.int64]) -> _Real:
    """Return one standard deviation of the loops' level at some points, in dB, shape (k,)."""
    size = np.where(matrix.trusted[at], np.abs(matrix.response[at]), 0.0)
    error = np.where(matrix.trusted[at], np.minimum(matrix.error_db[at], MOST_ERROR_DB), 0.0)
    whole = loops(size, sends, gain[at])
    right, left = _leading(whole), _leading(whole.transpose(0, 2, 1))
    rows = np.einsum("nw,nw,wm->nm", left, gain[at], sends)
    parts = rows[:, :, None] * size * right[:, None, :]
    share = parts / np.maximum(parts.sum(axis=(1, 2), keepdims=True), 1e-300)
    return np.asarray(np.sqrt(np.sum((share * error) ** 2, axis=(1, 2))))


def _leading(matrices: _Real) -> _Real:
    """Return the eigenvectors of the spectral radius of non-negative matrices, shape (n, k)."""
    values, vectors = np.linalg.eig(matrices)
    at = np.argmax(values.real, axis=1)
    found = np.take_along_axis(vectors, at[:, None, None], axis=2)[:, :, 0]
    return np.asarray(np.abs(found))


def _drowned_db(matrix: PathMatrix, sends: _Real, gain: _Real) -> float:
    """Return the highest level where a path was played and not heard clear of the noise."""
    seen = np.isfinite(matrix.error_db)
    drowned = (seen & ~matrix.trusted).any(axis=(1, 2))
    if not drowned.any():
        return -np.inf
    size = np.where(matrix.trusted, np.abs(matrix.response), matrix.upper)[drowned]
    return float(worst_levels(loops(size, sends, gain[drowned])).max(initial=-np.inf))
