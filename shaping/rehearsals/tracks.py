"""Linking peaks that keep their frequency from frame to frame into tracks.

A track allows a drift of less than a bin from frame to frame and gaps of up to two frames, so
that a glide or a vibrato breaks up while a howl holds.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shaping.rehearsals.peaks import Peaks

MAX_STEP = 3
"""Frames from a peak to its successor at most."""

MAX_DRIFT_BINS = np.float32(0.6)
"""Bins from a peak to its successor at most."""


def link(peaks: Peaks, bins: int) -> NDArray[np.int64]:
    """Return for each peak the index of the first peak of its track.

    Parameters
    ----------
    peaks : Peaks
        In order of time, then frequency.
    bins : int
        Number of columns of the power spectra.

    Returns
    -------
    ndarray of int64, shape (n,)
        Equal numbers mark one track.
    """
    count = len(peaks)
    root = np.arange(count)
    if count < 2:
        return root
    key = peaks.frame * bins + peaks.bin
    for step in range(1, MAX_STEP + 1):
        # `root` holds the direct predecessor until the end; a peak is its own while it has none.
        free = np.flatnonzero(root == np.arange(count)) if step > 1 else np.arange(count)
        taken = np.zeros(count, dtype=bool)
        if step > 1:
            taken[root[root != np.arange(count)]] = True
        wanted = key[free] - step * bins - 1
        at = np.searchsorted(key, wanted)
        best = np.full(free.size, -1)
        nearest = np.full(free.size, MAX_DRIFT_BINS)
        for candidate in (at, at + 1):
            candidate = np.minimum(candidate, count - 1)
            drift = np.abs(peaks.position[candidate] - peaks.position[free])
            good = (key[candidate] >= wanted) & (key[candidate] <= wanted + 2)
            good &= (drift < nearest) & ~taken[candidate]
            best[good] = candidate[good]
            nearest[good] = drift[good]
        linked = best >= 0
        root[free[linked]] = best[linked]
    while True:
        further = root[root]
        if np.array_equal(further, root):
            return root
        root = further
