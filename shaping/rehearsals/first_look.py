"""A quick look at many tracks at once, before the few that may be howls are measured in full.

Everything here is a handful of array operations over all tracks of a batch, at each track's
loudest frame. The bars lie below any howl that stands 10 dB over the programme in the third octave
around it; a fitted sum of the same measures (`shaping.rehearsals.model.worth_measuring`) rules out
three of four tones that pass them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shaping.rehearsals.frame_peaks import FramePeaks
from shaping.rehearsals.frames import MARGIN_BINS, Grid

LOUD_DB = np.float32(10.0)
"""A tone is loud within this much of its loudest frame."""

MEASURES = ("loud_frames", "tremble_bins", "stand_off_db", "share_db", "harmonic_db", "partner_db")
"""Frames in which it is loud; root mean square of how its frequency changes over them from peak to
peak; level over the mean of the bins around it, over the whole band's power; strongest of twice and
three times, and of 1/3, 1/2, 2/3 and 3/2 of its frequency, relative to it."""

LEAST = np.array([10.0, -np.inf, 6.0, -24.0, -np.inf, -np.inf])
MOST = np.array([np.inf, 0.35, np.inf, np.inf, np.inf, np.inf])
"""Bars of each measure."""

_RATIOS = np.array([2.0, 3.0, 1 / 3, 1 / 2, 2 / 3, 3 / 2])
_AROUND = np.concatenate([np.arange(-MARGIN_BINS, -3), np.arange(4, MARGIN_BINS + 1)])


def possible(looks: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Tell which tracks are within the bars."""
    result: NDArray[np.bool_] = np.all((looks >= LEAST) & (looks <= MOST), axis=1)
    return result


def terms(looks: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what the model's quick sum weighs, of the order of one; shape (m, 6).

    Loud frames by their logarithm, the levels of relatives between -30 and 20 dB.
    """
    return np.stack(
        [
            np.ones(len(looks)),
            np.log(np.maximum(looks[:, 0], 1.0)),
            10 * looks[:, 1],
            looks[:, 3] / 10,
            np.clip(looks[:, 4], -30, 20) / 10,
            np.clip(looks[:, 5], -30, 20) / 10,
        ],
        axis=1,
    )


def look(
    peaks: FramePeaks,
    starts: NDArray[np.int64],
    power: NDArray[np.float32],
    total: NDArray[np.float32],
    first_frame: int,
    grid: Grid,
) -> NDArray[np.float64]:
    """Take the quick measures of all tracks.

    Parameters
    ----------
    peaks : FramePeaks
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
    ndarray, shape (m, 6)
        In the order of `MEASURES`.
    """
    lengths = np.diff(np.append(starts, len(peaks)))
    loudest = np.maximum.reduceat(peaks.level_dbfs, starts)
    loud = peaks.level_dbfs >= np.repeat(loudest - LOUD_DB, lengths)
    count = np.add.reduceat(loud.astype(np.float64), starts)
    step = np.diff(peaks.position, prepend=peaks.position[:1]).astype(np.float64)
    step[starts] = 0.0
    step[~loud] = 0.0
    tremble = np.sqrt(np.add.reduceat(step * step, starts) / count)

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
    kin = np.zeros(place.shape, np.float32)
    for offset in (-1, 0, 1):
        there = np.where(inside, power[row[:, None], place + offset], np.float32(0))
        kin = np.maximum(kin, there)
    ratios = np.stack([near, total[row], kin[:, :2].max(axis=1), kin[:, 2:].max(axis=1)], axis=1)
    over = 10 * np.log10((ratios + np.float32(1e-20)) / level[:, None]).astype(np.float64)
    return np.stack([count, tremble, -over[:, 0], -over[:, 1], over[:, 2], over[:, 3]], axis=1)
