"""Linking peaks that keep their frequency from frame to frame into tracks.

A track allows a drift of less than a bin from frame to frame and gaps of up to two frames, so
that a glide or a vibrato breaks up while a howl holds.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shaping.rehearsals.frame_peaks import FramePeaks

MAX_STEP = 3
"""Frames from a peak to its successor at most."""

MAX_DRIFT_BINS = np.float32(0.6)
"""Bins from a peak to its successor at most."""


def link_peaks(peaks: FramePeaks, bins: int) -> NDArray[np.int64]:
    """Return for each peak the index of the first peak of its track.

    Parameters
    ----------
    peaks : FramePeaks
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
    position = peaks.position
    free = root  # peaks without a predecessor
    taken = np.zeros(count, dtype=bool)  # peaks with a successor
    before = root.copy()
    for step in range(1, MAX_STEP + 1):
        # Peaks are two bins apart at least, so at most two lie within a bin.
        wanted = key[free] - (step * bins + 1)
        first = np.searchsorted(key, wanted)
        second = np.minimum(first + 1, count - 1)
        drift = [
            np.where(
                (key[at] >= wanted) & (key[at] <= wanted + 2) & ~taken[at],
                np.abs(position[at] - position[free]),
                MAX_DRIFT_BINS,
            )
            for at in (first, second)
        ]
        linked = np.minimum(*drift) < MAX_DRIFT_BINS
        best = np.where(drift[1] < drift[0], second, first)[linked]
        before[free[linked]] = best
        taken[best] = True
        free = free[~linked]
    while True:
        further = before[before]
        if np.array_equal(further, before):
            return before
        before = further
