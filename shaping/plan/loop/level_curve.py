"""Level curves: what a search for cuts sees of one or more captures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.findings import LoopResponse
from shaping.errors import CaptureError
from shaping.filters.kinds import Filter
from shaping.filters.response import total_db

_CELLS_PER_OCTAVE = 96  # from a cell's middle to its edge a bell of Q 30, -6 dB loses 0.3 dB
_REACH_DB = 20.0  # no band cuts deeper, so what lies lower cannot decide

_Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class LevelCurve:
    """The level of a loop, or of what goes in step with it, where it can be trusted.

    Attributes
    ----------
    frequency_hz, level_db, error_db : ndarray, shape (n,)
        Frequencies, level, and its standard deviation.
    """

    frequency_hz: _Real
    level_db: _Real
    error_db: _Real


def level_curve(response: LoopResponse) -> LevelCurve:
    """Return the trusted part of a loop response as a level.

    Raises
    ------
    CaptureError
        If no frequency can be trusted.
    """
    kept = response.trusted
    if not kept.any():
        raise CaptureError(
            "No frequency of this measurement can be trusted: play the noise louder, or record "
            "longer in a quieter room."
        )
    magnitude = np.maximum(np.abs(response.response[kept]), 1e-15)
    return LevelCurve(
        response.frequency_hz[kept], 20 * np.log10(magnitude), response.error_db[kept]
    )


def upper_points(
    curves: Sequence[LevelCurve],
    fixed: Sequence[Filter],
    *,
    sample_rate_hz: float,
    reach_db: float = _REACH_DB,
) -> tuple[_Real, _Real]:
    """Return the highest point of every small cell of frequency, over all curves.

    Parameters
    ----------
    curves : sequence of LevelCurve
        One for each capture; the highest counts.
    fixed : sequence of Filter
        Filters that are dialled in anyway.
    sample_rate_hz : float
        Sample rate at which they are designed, in Hz.
    reach_db : float
        Points so far below the highest cannot matter and are left out.

    Returns
    -------
    frequency_hz, level_db : ndarray, shape (n,)
        Rising in frequency; levels include one standard deviation and the fixed filters.
    """
    frequency_hz = np.concatenate([curve.frequency_hz for curve in curves])
    upper = np.concatenate([curve.level_db + curve.error_db for curve in curves])
    kept = frequency_hz < 0.5 * sample_rate_hz
    frequency_hz, upper = frequency_hz[kept], upper[kept]
    if fixed:
        upper = upper + total_db(fixed, frequency_hz, sample_rate_hz=sample_rate_hz)
    kept = upper > upper.max() - reach_db
    frequency_hz, upper = frequency_hz[kept], upper[kept]
    best = highest_of_cells(frequency_hz, upper, _CELLS_PER_OCTAVE)
    return frequency_hz[best], upper[best]


def highest_of_cells(
    frequency_hz: _Real, level_db: _Real, cells_per_octave: int
) -> NDArray[np.int64]:
    """Return the index of the highest point of every cell that holds any, rising."""
    cell = np.floor(cells_per_octave * np.log2(frequency_hz)).astype(np.int64)
    order = np.lexsort((-level_db, cell))
    first = np.concatenate([[True], np.diff(cell[order]) != 0])
    return np.asarray(order[first])
