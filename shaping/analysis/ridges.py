"""Ridges: spectral peaks that stand over their neighbourhood, linked from frame to frame.

A tone of fixed frequency leaves one long ridge; a voice or a glide leaves many short ones, since
a link may not move by more than a fraction of a bin.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from shaping.analysis.spectra import Spectrogram, interpolate_peak

NEIGHBOURS = (3, 12)
"""Bins to either side, first and last, whose mean level a peak must stand over."""


@dataclass(frozen=True, eq=False)
class Peaks:
    """Spectral peaks of all frames, ordered by frame and then by frequency.

    Attributes
    ----------
    frame : ndarray of int64, shape (n,)
        Frame of each peak.
    frequency_hz : ndarray of float64, shape (n,)
        Interpolated frequency.
    level_db : ndarray of float64, shape (n,)
        Interpolated level.
    contrast_db : ndarray of float64, shape (n,)
        Height over the mean level of its neighbourhood.
    """

    frame: NDArray[np.int64]
    frequency_hz: NDArray[np.float64]
    level_db: NDArray[np.float64]
    contrast_db: NDArray[np.float64]


def neighbourhood_db(power_db: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the mean level around each bin, the bin's own main lobe left out."""
    first, last = NEIGHBOURS
    wide = ndimage.uniform_filter1d(power_db, 2 * last + 1, axis=-1, mode="nearest")
    core = ndimage.uniform_filter1d(power_db, 2 * first - 1, axis=-1, mode="nearest")
    wide *= 2 * last + 1
    core *= 2 * first - 1
    return np.asarray((wide - core) / np.float32(2 * (last - first + 1)), np.float32)


def find_peaks(spectrogram: Spectrogram, *, min_contrast_db: float, min_level_db: float) -> Peaks:
    """Find the spectral peaks that stand at least `min_contrast_db` over their neighbourhood."""
    power_db = spectrogram.power_db
    contrast = power_db - neighbourhood_db(power_db)
    middle = power_db[:, 1:-1]
    top = (
        (contrast[:, 1:-1] >= min_contrast_db)
        & (middle > power_db[:, :-2])
        & (middle >= power_db[:, 2:])
        & (middle >= min_level_db)
    )
    frame, place = np.nonzero(top)
    place += 1
    offset, level = interpolate_peak(
        power_db[frame, place - 1], power_db[frame, place], power_db[frame, place + 1]
    )
    return Peaks(
        frame=frame,
        frequency_hz=(place + offset) * spectrogram.bin_hz,
        level_db=level,
        contrast_db=contrast[frame, place].astype(np.float64),
    )


def link(peaks: Peaks, *, max_step_hz: float) -> NDArray[np.int64]:
    """Link each peak with the mutually nearest peak of the next frame.

    Parameters
    ----------
    peaks : Peaks
        Ordered by frame and frequency, as `find_peaks` gives them.
    max_step_hz : float
        Furthest a ridge may move from one frame to the next.

    Returns
    -------
    ndarray of int64, shape (n,)
        Ridge number of each peak: the index of the ridge's first peak.
    """
    count = peaks.frame.size
    if count == 0:
        return np.zeros(0, np.int64)
    stride = 2 * float(peaks.frequency_hz.max()) + 4 * max_step_hz
    key = peaks.frame * stride + peaks.frequency_hz
    after = _nearest(key, key + stride)
    before = _nearest(key, key - stride)
    index = np.arange(count)
    step = np.abs(key[after] - key - stride)
    linked = (step <= max_step_hz) & (before[after] == index)
    parent = index.copy()
    parent[after[linked]] = index[linked]
    while True:  # each pass halves the way to the ridge's first peak
        further = parent[parent]
        if np.array_equal(further, parent):
            return parent
        parent = further


def _nearest(sorted_keys: NDArray[np.float64], wanted: NDArray[np.float64]) -> NDArray[np.int64]:
    right = np.clip(np.searchsorted(sorted_keys, wanted), 1, sorted_keys.size - 1)
    nearer_left = wanted - sorted_keys[right - 1] < sorted_keys[right] - wanted
    return np.asarray(np.where(nearer_left, right - 1, right), np.int64)
