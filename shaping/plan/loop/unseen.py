"""What the send may be at a place that nobody measured.

Two things are lost there. Cuts were chosen for the peaks of the places measured and meet others: of
what they add, a share of one over the number of places and one more stays behind. On measured grids
of places in rooms that nothing is reported on it was 0.49, 0.22 and 0.10 with 1, 3 and 5 places.
And places differ by themselves, by their direct sound and by the highest of the room's peaks; of
several measured places the spread is known a little, of one not at all. What a further place gives
lies about the mean of those measured, not about the least of them: counted from the least, five
places were promised less than one of them would bear. A hand round the mic, or a mic turned to the
wedge, is not among the places measured.

References
----------
.. [1] A. Gelman et al., "Bayesian Data Analysis", 3rd ed., 2013, ch. 3 (normal data, prior spread:
   the next value follows Student's t).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy import special

SHARE = 0.95  # of places nobody measured, as far as the promise holds; the usual 95 %

USUAL_SPREAD_DB = 1.5
"""Standard deviation of the stable gain over places of one stage, before any is measured. Over
eleven places each of eight wedges in one tuning room it was 1.0 dB, and rooms differ: of 1.3 dB the
places in other rooms kept no more than 58 of 64 promises with three places measured."""

_USUAL_WEIGHT = 4
"""So many measured places the usual spread is worth."""


def unseen_gain_db(
    before_db: Sequence[float], after_db: Sequence[float], *, added_db: float
) -> float:
    """Return the stable gain, with the plan, that a further place exceeds with 95 %.

    Parameters
    ----------
    before_db, after_db : sequence of float
        Safe ends of the stable gain at each measured place, without and with the plan.
    added_db : float
        What the feedback cuts add at the measured places.

    Returns
    -------
    float
        In dB of send; at most the least of `after_db`.
    """
    before = np.asarray(before_db, np.float64)
    places = len(before_db)
    freedom = _USUAL_WEIGHT + places - 1
    squares = float(np.sum((before - before.mean()) ** 2))
    spread_db = math.sqrt((_USUAL_WEIGHT * USUAL_SPREAD_DB**2 + squares) / freedom)
    further_db = float(special.stdtrit(freedom, SHARE)) * spread_db * math.sqrt(1 + 1 / places)
    behind_db = max(added_db, 0.0) / (places + 1)
    further = float(np.mean(after_db)) - behind_db - further_db
    return min(further, float(min(after_db)))
