"""A quick look at many tracks at once, before the few that may be howls are measured in full.

Everything here is a handful of array operations over all tracks of a batch. The bars lie well
below any howl that stands 10 dB over the programme in the third octave around it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shaping.rehearsals.frame_peaks import Peaks
from shaping.rehearsals.frames import MARGIN_BINS, Grid

MIN_STAND_OFF = np.float32(10 ** (8.5 / 10))
"""Over the mean of the bins around it, at its loudest: 8.5 dB."""

MIN_SHARE = np.float32(10 ** (-13.0 / 10))
"""Of the power of the whole band, at its loudest: -13 dB."""

MAX_KIN = np.float32(10 ** (-4.0 / 10))
"""Power at simple ratios of its frequency, at its loudest: 4 dB below it. A hard-clipped howl's
third harmonic lies 9.5 dB below it (square wave)."""

MIN_LOUD_FRAMES = 10
"""Frames within 6 dB of its loudest."""

MAX_SPREAD_BINS = 0.2
"""Standard deviation of its frequency over those frames."""

_RATIOS = np.array([1 / 3, 1 / 2, 2 / 3, 3 / 2, 2.0, 3.0])
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
    exact = peaks.position[top] + grid.first_bin
    place = np.rint(exact[:, None] * _RATIOS).astype(np.int64) - grid.first_bin
    inside = (place >= 1) & (place < bins - 1)
    place = np.where(inside, place, 1)
    kin = np.zeros(row.size, np.float32)
    for step in (-1, 0, 1):
        there = np.where(inside, power[row[:, None], place + step], np.float32(0))
        kin = np.maximum(kin, there.max(axis=1))
    result: NDArray[np.bool_] = (
        (level > MIN_STAND_OFF * near)
        & (kin < MAX_KIN * level)
        & (level > MIN_SHARE * total[row])
        & (count >= MIN_LOUD_FRAMES)
        & (spread <= MAX_SPREAD_BINS**2)
    )
    return result
