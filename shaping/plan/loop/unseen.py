"""What the send may be at a place that nobody measured."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy import special

USUAL_SPREAD_DB = 1.4
"""Spread of the stable gain over places a person may stand at, before any is measured."""

_USUAL_WEIGHT = 4.0
"""So many measured places the usual spread is worth."""

SHARE = 0.95

_OPTIMISM_DB = 1.5


def unseen_gain_db(gains_db: Sequence[float]) -> float:
    """Return the stable gain that a further place exceeds with 95 %.

    Parameters
    ----------
    gains_db : sequence of float
        Safe ends of the stable gain with the plan, one for each measured place.

    Returns
    -------
    float
        Below the least of them: the cuts were chosen for these places.
    """
    places = np.asarray(gains_db, np.float64)
    freedom = _USUAL_WEIGHT + places.size - 1
    squares = float(np.sum((places - places.mean()) ** 2))
    spread_db = math.sqrt((_USUAL_WEIGHT * USUAL_SPREAD_DB**2 + squares) / freedom)
    t = float(special.stdtrit(freedom, SHARE)) * math.sqrt(1 + 1 / places.size)
    guess_db = float(places.mean()) - _OPTIMISM_DB / places.size - t * spread_db
    return min(guess_db, float(places.min()))
