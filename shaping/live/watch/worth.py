"""Which measured tones may be rings at all: bars below any ring that could be named."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shaping.live.watch.measures import MEASURE_NAMES

LEAST_DB = {"stand_off_db": 6.0, "over_third_db": 0.0, "dominance_db": -24.0}
"""A ring that counts stands 10 dB over the programme in the third octave around it."""

MOST_TREMBLE_BINS = 0.5
"""A loop's frequency stands still: 6 Hz from frame to frame is a voice."""


def worth_a_look(measures: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Tell which tones may be rings, shape (n,), from measures of shape (n, len(MEASURE_NAMES))."""
    worth = measures[:, MEASURE_NAMES.index("tremble_bins")] <= MOST_TREMBLE_BINS
    for name, least in LEAST_DB.items():
        worth &= measures[:, MEASURE_NAMES.index(name)] >= least
    result: NDArray[np.bool_] = worth
    return result
