"""Which bins hold a tone now, and since when: the cheap first look at every frame."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shaping.live.watch.history import History
from shaping.rehearsals.frame_peaks import peaks_of_frames

LEAST_FRAMES = 5
"""A tenth of a second: below that nothing can be told from a stroke."""

_LATELY_S = 8.0

_MISSED_FRAMES = 2
"""A tone may be hidden for so many frames and still be the same."""


class Tones:
    """Ages of the tones of all channels.

    Parameters
    ----------
    channels, bins : int
        Shape of the spectra.

    Attributes
    ----------
    per_s : ndarray, shape (channels,)
        How many tones have lately begun, in a second.
    """

    def __init__(self, channels: int, bins: int) -> None:
        self._age = np.zeros((channels, bins), np.int64)
        self._missed = np.zeros((channels, bins), np.int64)
        self.per_s = np.zeros(channels)

    def update(
        self, history: History
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
        """Take the newest frame in; return channel, bin and age in frames of tones worth a look.

        A tone that moves by a bin from frame to frame is the same tone.
        """
        peaks = peaks_of_frames(history.power, 0, history.grid)
        channel, column = peaks.frame, peaks.bin
        age = np.zeros_like(self._age)
        before = (
            np.maximum.reduce(
                [self._age[channel, np.clip(column + k, 0, age.shape[1] - 1)] for k in (-1, 0, 1)]
            )
            if channel.size
            else np.zeros(0, np.int64)
        )
        # What was not seen in this frame may come back in the next: it stays, but grows no older.
        self._missed += 1
        waiting = (self._age > 0) & (self._missed <= _MISSED_FRAMES)
        age[waiting] = self._age[waiting]
        for step in (-1, 0, 1):
            beside = np.clip(column + step, 0, age.shape[1] - 1)
            age[channel, beside] = 0
        age[channel, column] = before + 1
        self._missed[channel, column] = 0
        self._age = age
        old = before + 1 >= LEAST_FRAMES
        begun = np.bincount(channel[before + 1 == LEAST_FRAMES], minlength=len(age))
        share = history.grid.hop_s / _LATELY_S
        self.per_s += share * (begun / history.grid.hop_s - self.per_s)
        return channel[old], column[old], (before + 1)[old]
