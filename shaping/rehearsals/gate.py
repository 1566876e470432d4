"""A quick look at many tracks at once, before the few that may be howls are measured in full.

Everything here is a handful of array operations over all tracks of a batch. The bars lie well
below any howl that stands 10 dB over the programme in the third octave around it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shaping.rehearsals.frames import MARGIN_BINS
from shaping.rehearsals.peaks import Peaks

MIN_STAND_OFF = np.float32(10 ** (13.0 / 10))
"""Over the mean of the bins around it, at its loudest: 13 dB."""

MIN_SHARE = np.float32(10 ** (-20.0 / 10))
"""Of the power of the whole band, at its loudest: -20 dB."""

MIN_LOUD_FRAMES = 8
"""Frames within 6 dB of its loudest."""

MAX_SPREAD_BINS = 0.3
"""Standard deviation of its frequency over those frames."""

_AROUND = np.concatenate([np.arange(-MARGIN_BINS, -3), np.arange(4, MARGIN_BINS + 1)])


def promising(
    peaks: Peaks,
    starts: NDArray[np.int64],
    power: NDArray[np.float32],
    total: NDArray[np.float32],
    first_frame: int,
) -> NDArray[np.bool_]:
    """Tell which tracks may be howls.

    Parameters
    ----------
    peaks : Peaks
        Peaks ordered by track.
    starts : ndarray of int64, shape (m,)
        Index of each track's first peak.
    power : ndarray of float32, shape (frames, bins)
        Power spectra kept.
    total : ndarray of float32, shape (frames,)
        Their sums over frequency.
    first_frame : int
        Frame number of the first row of `power`.

    Returns
    -------
    ndarray of bool, shape (m,)
    """
    lengths = np.diff(np.append(starts, len(peaks)))
    loudest = np.maximum.reduceat(peaks.level_dbfs, starts)
    loud = peaks.level_dbfs >= np.repeat(loudest - 6, lengths)
    weight = loud.astype(np.float64)
    base = np.repeat(peaks.position[starts], lengths)
    offset = (peaks.position - base) * weight
    count = np.add.reduceat(weight, starts)
    mean = np.add.reduceat(offset, starts) / count
    spread = np.add.reduceat(offset * offset, starts) / count - mean * mean

    owner = np.repeat(np.arange(starts.size), lengths)
    tops = np.flatnonzero(peaks.level_dbfs == np.repeat(loudest, lengths))
    top = tops[np.searchsorted(owner[tops], np.arange(starts.size))]
    row, column = peaks.frame[top] - first_frame, peaks.bin[top]
    bins = power.shape[1]
    around = np.clip(column[:, None] + _AROUND, 0, bins - 1)
    near = power[row[:, None], around].mean(axis=1)
    level = power[row, column]
    result: NDArray[np.bool_] = (
        (level > MIN_STAND_OFF * near)
        & (level > MIN_SHARE * total[row])
        & (count >= MIN_LOUD_FRAMES)
        & (spread <= MAX_SPREAD_BINS**2)
    )
    return result
