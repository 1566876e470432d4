"""What reaches the first rows from the wedges and from the mains.

Conventions: both recordings come from one microphone in one place with one gain setting, so that
their difference in dB means something although neither is calibrated. Nothing here is a sound
pressure level. "Low mids" are the third-octave bands from 125 to 500 Hz.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.third_octave import BandLevels
from shaping.analysis.weighting import a_weighting_db, c_weighting_db
from shaping.errors import CaptureError
from shaping.filters.bands import exact_midband_hz

LOW_MIDS_HZ = (125.0, 500.0)
"""First and last band of the low mids."""

_Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Spill:
    """Wedges and mains at the first rows, in third-octave bands.

    Attributes
    ----------
    nominal_hz : tuple of float
        Bands, rising.
    wedges_db, mains_db : ndarray, shape (bands,)
        Levels on one scale of unknown zero.
    mains_over_wedges_db : ndarray, shape (bands,)
        How far the wedges lie under the mains.
    error_db : ndarray, shape (bands,)
        One standard deviation of `mains_over_wedges_db`.
    """

    nominal_hz: tuple[float, ...]
    wedges_db: _Real
    mains_db: _Real
    mains_over_wedges_db: _Real
    error_db: _Real


@dataclass(frozen=True, slots=True)
class LevelChange:
    """Change of a level in dB: in the low mids, and over all bands in A- and C-weighting."""

    low_mids_db: float
    a_weighted_db: float
    c_weighted_db: float


def compare_first_rows(wedges: BandLevels, mains: BandLevels) -> Spill:
    """Set the wedges alone against the mains alone, both heard in the first rows.

    Parameters
    ----------
    wedges, mains : BandLevels
        From recordings made with the same microphone, place and gain.

    Returns
    -------
    Spill
        Over the bands that both have.

    Raises
    ------
    CaptureError
        If the low mids are not all there in both.
    """
    shared = [hz for hz in wedges.nominal_hz if hz in mains.nominal_hz]
    at_wedges = [wedges.nominal_hz.index(hz) for hz in shared]
    at_mains = [mains.nominal_hz.index(hz) for hz in shared]
    if not shared or shared[0] > LOW_MIDS_HZ[0] or shared[-1] < LOW_MIDS_HZ[1]:
        raise CaptureError(
            "the two recordings do not both reach from 125 to 500 Hz; record them at 8 kHz or more"
        )
    wedges_db, mains_db = wedges.level_dbfs[at_wedges], mains.level_dbfs[at_mains]
    return Spill(
        nominal_hz=tuple(shared),
        wedges_db=wedges_db,
        mains_db=mains_db,
        mains_over_wedges_db=mains_db - wedges_db,
        error_db=np.hypot(wedges.error_db[at_wedges], mains.error_db[at_mains]),
    )


def low_mid_margin_db(spill: Spill) -> float:
    """Return how far the wedges' low mids lie under the mains', summed over the bands.

    Positive where the mains are louder.
    """
    return float(low_mid_margins_db(spill, np.zeros(len(spill.nominal_hz))))


def low_mid_margins_db(spill: Spill, change_db: _Real) -> _Real:
    """Return `low_mid_margin_db` for each of many changes to the wedges.

    Parameters
    ----------
    spill : Spill
        Levels at the first rows.
    change_db : ndarray, shape (..., bands)
        What is done to the wedges, in dB per band.

    Returns
    -------
    ndarray, shape (...)
        In dB.
    """
    kept = low_mids(spill.nominal_hz)
    wedges_db = (spill.wedges_db + change_db)[..., kept]
    return np.asarray(_sum_db(spill.mains_db[kept]) - _sum_db(wedges_db))


def low_mid_margin_error_db(spill: Spill) -> float:
    """Return one standard deviation of `low_mid_margin_db`.

    Each band counts by its share of the power, in whichever recording it is the larger.
    """
    kept = low_mids(spill.nominal_hz)
    shares = [10.0 ** (level[kept] / 10.0) for level in (spill.wedges_db, spill.mains_db)]
    share = np.maximum(*(power / power.sum() for power in shares))
    return float(np.sqrt(np.sum((share * spill.error_db[kept]) ** 2)))


def level_change(nominal_hz: Sequence[float], level_db: _Real, change_db: _Real) -> LevelChange:
    """Return what a change per band does to a level in the low mids and over all bands.

    Parameters
    ----------
    nominal_hz : sequence of float
        Bands.
    level_db, change_db : ndarray, shape (bands,)
        Level before, on any scale, and its change.

    Returns
    -------
    LevelChange
        Negative where the sound becomes quieter.
    """
    exact_hz = np.array([exact_midband_hz(hz) for hz in nominal_hz])
    kept = low_mids(nominal_hz)

    def change(weighted_db: _Real, by_db: _Real) -> float:
        return float(_sum_db(weighted_db + by_db) - _sum_db(weighted_db))

    return LevelChange(
        low_mids_db=change(level_db[kept], change_db[kept]),
        a_weighted_db=change(level_db + a_weighting_db(exact_hz), change_db),
        c_weighted_db=change(level_db + c_weighting_db(exact_hz), change_db),
    )


def low_mids(nominal_hz: Sequence[float]) -> NDArray[np.bool_]:
    """Return which bands belong to the low mids."""
    low_hz, high_hz = LOW_MIDS_HZ
    return np.array([low_hz <= hz <= high_hz for hz in nominal_hz])


def _sum_db(level_db: _Real) -> _Real:
    return np.asarray(10.0 * np.log10(np.sum(10.0 ** (level_db / 10.0), axis=-1)))
