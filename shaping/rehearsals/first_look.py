"""A quick look at many tracks at once, before the few that may be howls are measured in full.

Everything here is a handful of array operations over all tracks of a batch. The bars lie well
below any howl that stands 10 dB over the programme in the third octave around it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shaping.rehearsals.frame_peaks import Peaks
from shaping.rehearsals.frames import MARGIN_BINS, Grid

MIN_STAND_OFF = np.float32(10 ** (6.0 / 10))
"""Over the mean of the bins around it, at its loudest: 6 dB."""

MIN_SHARE = np.float32(10 ** (-24.0 / 10))
"""Of the power of the whole band, at its loudest: -24 dB."""

LOUD_DB = np.float32(10.0)
"""A tone is loud within this much of its loudest frame."""

MIN_LOUD_FRAMES = 10
"""Frames in which it is loud."""

MAX_TREMBLE_BINS = 0.35
"""Root mean square of how its frequency changes from peak to peak over those frames."""

_AROUND = np.concatenate([np.arange(-MARGIN_BINS, -3), np.arange(4, MARGIN_BINS + 1)])


def promising(
    peaks: Peaks,
    starts: NDArray[np.int64],
    power: NDArray[np.float32],
    total: NDArray[np.float32],
    first_frame: int,
    grid: Grid,
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
    grid : Grid
        The grid of `power`.

    Returns
    -------
    ndarray of bool, shape (m,)
    """
    lengths = np.diff(np.append(starts, len(peaks)))
    loudest = np.maximum.reduceat(peaks.level_dbfs, starts)
    loud = peaks.level_dbfs >= np.repeat(loudest - LOUD_DB, lengths)
    weight = loud.astype(np.float64)
    count = np.add.reduceat(weight, starts)
    step = np.diff(peaks.position, prepend=peaks.position[:1]).astype(np.float64)
    step[starts] = 0.0
    step[~loud] = 0.0
    tremble = np.add.reduceat(step * step, starts) / count

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
        & (tremble <= MAX_TREMBLE_BINS**2)
    )
    return result
