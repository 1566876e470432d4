"""Spectral peaks that stand off their neighbours, as compact records.

This is the cheap first look at every frame: a handful of comparisons over whole batches. What
survives is a short list of peaks; everything dearer is done on that list.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.rehearsals.frames import LOW_HZ, MARGIN_BINS, Grid

STAND_OFF = np.float32(10 ** (-6.0 / 10))
"""A peak is more than 6 dB above the bins three and four away on either side."""

FLOOR = np.float32(10 ** (-78.0 / 10))
"""Peaks below -78 dBFS are ignored."""

BELOW_LOUDEST = np.float32(10 ** (-28.0 / 10))
"""So are peaks more than 28 dB below the loudest bin of the frame. A howl counts while it is among
the loudest; how it got there is read from the power spectra, not from peaks."""


@dataclass(frozen=True, eq=False)
class FramePeaks:
    """Peaks in order of time, then frequency; all arrays have shape (n,).

    Attributes
    ----------
    frame : ndarray of int64
        Frame number from the start of the recording.
    bin : ndarray of int64
        Column of the power spectra.
    position : ndarray of float32
        Interpolated column.
    level_dbfs : ndarray of float32
        Interpolated level; 0 dBFS is a full-scale sine.
    """

    frame: NDArray[np.int64]
    bin: NDArray[np.int64]
    position: NDArray[np.float32]
    level_dbfs: NDArray[np.float32]

    def __len__(self) -> int:
        """Return the number of peaks."""
        return self.frame.size

    def take(self, index: NDArray[np.int64] | NDArray[np.bool_]) -> FramePeaks:
        """Return the selected peaks."""
        return FramePeaks(
            self.frame[index], self.bin[index], self.position[index], self.level_dbfs[index]
        )


NO_PEAKS = FramePeaks(
    np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0, np.float32), np.zeros(0, np.float32)
)


def join(first: FramePeaks, second: FramePeaks) -> FramePeaks:
    """Return both lists as one."""
    return FramePeaks(
        np.concatenate([first.frame, second.frame]),
        np.concatenate([first.bin, second.bin]),
        np.concatenate([first.position, second.position]),
        np.concatenate([first.level_dbfs, second.level_dbfs]),
    )


def peaks_of_frames(power: NDArray[np.float32], first_frame: int, grid: Grid) -> FramePeaks:
    """Return the peaks of a batch of power spectra.

    Parameters
    ----------
    power : ndarray of float32, shape (frames, bins)
        From `shaping.rehearsals.frames.Framer`.
    first_frame : int
        Number of the batch's first frame.
    grid : Grid
        The grid of `power`; the margins around the searched band hold no peaks.
    """
    if power.shape[0] == 0:
        return NO_PEAKS
    low = max(round(LOW_HZ / grid.bin_hz) - grid.first_bin, 4)
    high = power.shape[1] - MARGIN_BINS
    centre = power[:, low:high]
    floor = np.maximum(power.max(axis=1) * BELOW_LOUDEST, FLOOR)
    found = centre > floor[:, None]
    found &= centre > power[:, low - 1 : high - 1]
    found &= centre >= power[:, low + 1 : high + 1]
    # What is left is short: the rest is looked at one by one.
    frame, column = np.divmod(np.flatnonzero(found), high - low)
    column += low
    cell = frame * power.shape[1] + column
    values = power.reshape(-1)
    lowered = values[cell] * STAND_OFF
    clear = lowered > values[cell - 3]
    for offset in (3, -4, 4):
        clear &= lowered > values[cell + offset]
    frame, column, cell = frame[clear], column[clear], cell[clear]
    tiny = np.float32(1e-20)
    before = np.log(values[cell - 1] + tiny)
    peak = np.log(values[cell] + tiny)
    after = np.log(values[cell + 1] + tiny)
    # Parabola through the logarithms: exact enough for a Hann window (0.2 Hz at 48 kHz).
    shift = np.float32(0.5) * (before - after) / (before - 2 * peak + after)
    level = (peak - np.float32(0.25) * (before - after) * shift) * np.float32(10 / np.log(10))
    return FramePeaks(
        frame + first_frame,
        column,
        column.astype(np.float32) + shift,
        level.astype(np.float32, copy=False),
    )
