"""What the first rows hear of mains and wedges together, and of the words from the mains.

Conventions: powers are added, which holds for different programme, for bands wider than one over
the difference of arrival, and on average over seats (`shaping.analysis.first_row.interference`
tells the rest). Words of the mains are counted by the speech intelligibility index with the
wedges as noise, upward spread of masking included. That is right for wedges that play something
else than the voice: the same voice, a little later, hardly hides itself. Music in the wedges has
gaps, so the index is on the cautious side.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.first_row.speech import (
    BANDS_HZ,
    NORMAL_SPEECH_DB,
    NORMAL_SPEECH_OVERALL_DB,
    speech_intelligibility_index,
)
from shaping.analysis.first_row.spill import LevelChange, Spill, level_change

MAINS_VOICE_DB = 85.0
"""Level of the mains' voice in the first rows, in dB SPL: assumed, as no recording tells it."""

_Real = NDArray[np.float64]


def together_db(spill: Spill, change_db: _Real | float = 0.0) -> _Real:
    """Return mains and wedges together in each band, powers added, shape (bands,).

    Parameters
    ----------
    spill : Spill
        Both alone.
    change_db : ndarray, shape (bands,), or float
        What is done to the wedges.
    """
    powers = 10.0 ** (spill.mains_db / 10.0) + 10.0 ** ((spill.wedges_db + change_db) / 10.0)
    return np.asarray(10.0 * np.log10(powers))


def together_change(spill: Spill, change_db: _Real) -> LevelChange:
    """Return what thinning the wedges does to mains and wedges together.

    Parameters
    ----------
    spill : Spill
        Both alone.
    change_db : ndarray, shape (bands,)
        What is done to the wedges.

    Returns
    -------
    LevelChange
        Never more than the change of the wedges alone.
    """
    before_db = together_db(spill)
    return level_change(spill.nominal_hz, before_db, together_db(spill, change_db) - before_db)


def words_of_mains(
    nominal_hz: Sequence[float],
    mains_over_wedges_db: _Real,
    *,
    voice_db: float = MAINS_VOICE_DB,
) -> float | None:
    """Return how much of the mains' words the first rows understand over the wedges.

    Parameters
    ----------
    nominal_hz : sequence of float
        Bands.
    mains_over_wedges_db : ndarray, shape (bands,)
        How far the wedges lie under the mains in each.
    voice_db : float
        Level of a voice with the spectrum of normal speech from the mains, in dB SPL.

    Returns
    -------
    float or None
        Speech intelligibility index, 0 to 1; None where a band of it is missing.
    """
    if not set(BANDS_HZ) <= set(nominal_hz):
        return None
    at = [tuple(nominal_hz).index(hz) for hz in BANDS_HZ]
    voice = NORMAL_SPEECH_DB + voice_db - NORMAL_SPEECH_OVERALL_DB
    return speech_intelligibility_index(voice, voice - mains_over_wedges_db[at])
