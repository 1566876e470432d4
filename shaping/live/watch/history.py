"""The last second and a half of spectra of all channels, hop by hop, in memory of a fixed size.

Frames and scaling are those of `shaping.rehearsals.frames`: 85 ms long, one every 21 ms. Here a
frame is taken of every channel at once, as soon as its last sample is there: nothing looks ahead.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from shaping.rehearsals.frames import Grid

KEPT_FRAMES = 64
"""1.4 s: a ring that grows 20 dB/s has come up by more than it can stand over its neighbours."""

FORGET_DB_PER_S = 3.0
"""How fast the highest level heard before is forgotten: a note of ten seconds ago counts for 30 dB
less, about what a phrase later it is worth. Our choice."""

_USUAL_S = 5.0
_SILENCE = np.float32(1e-12)


class History:
    """Spectra of several channels, the newest last.

    Parameters
    ----------
    grid : Grid
        Frame length, hop and band.
    channels : int
        How many.

    Attributes
    ----------
    power : ndarray of float32, shape (channels, bins)
        The newest frame's power; full-scale sine = 1.
    frames : int
        Frames so far.
    highest_before, usual_before : ndarray of float32, shape (channels, bins)
        Highest level, slowly forgotten, and usual level of what is older than the frames kept.
    """

    def __init__(self, grid: Grid, channels: int) -> None:
        self.grid = grid
        self.frames = 0
        bins = grid.stop_bin - grid.first_bin
        window = signal.windows.hann(grid.length, sym=False)
        self._window = (window * (2 / window.sum())).astype(np.float32)
        self._samples = np.zeros((channels, grid.length), np.float32)
        self._windowed = np.empty_like(self._samples)
        self._fresh = 0
        self.power = np.zeros((channels, bins), np.float32)
        self._levels = np.full((KEPT_FRAMES, channels, bins), -120.0, np.float32)
        self.highest_before = np.full((channels, bins), -120.0, np.float32)
        self.usual_before = np.full((channels, bins), -120.0, np.float32)
        self._forget = np.float32(FORGET_DB_PER_S * grid.hop_s)
        self._share = np.float32(min(grid.hop_s / _USUAL_S, 1.0))
        self._totals = np.full((KEPT_FRAMES, channels), _SILENCE, np.float32)

    @property
    def channels(self) -> int:
        """How many channels."""
        return self._samples.shape[0]

    def feed(self, block: NDArray[np.float32]) -> Iterator[int]:
        """Take samples, shape (n, channels); yield the number of each frame once it is in.

        What the frame holds is to be read before the next one is asked for.
        """
        start, hop = 0, self.grid.hop
        while start < len(block):
            taken = min(hop - self._fresh, len(block) - start)
            self._fresh += taken
            place = self.grid.length - hop + self._fresh
            self._samples[:, place - taken : place] = block[start : start + taken].T
            start += taken
            if self._fresh == hop:
                self._take()
                yield self.frames - 1
                self._samples[:, :-hop] = self._samples[:, hop:].copy()
                self._fresh = 0

    def _take(self) -> None:
        band = slice(self.grid.first_bin, self.grid.stop_bin)
        np.multiply(self._samples, self._window, out=self._windowed)
        spectrum = fft.rfft(self._windowed, axis=1)[:, band]
        np.square(spectrum.real, out=self.power)
        self.power += np.square(spectrum.imag)
        row = self.frames % KEPT_FRAMES
        if self.frames >= KEPT_FRAMES:
            self._let_go(self._levels[row])
        np.log10(self.power + _SILENCE, out=self._levels[row])
        self._levels[row] *= 10
        np.sum(self.power, axis=1, out=self._totals[row])
        self.frames += 1

    def _let_go(self, oldest: NDArray[np.float32]) -> None:
        self.highest_before -= self._forget
        np.maximum(self.highest_before, oldest, out=self.highest_before)
        # As fast as it can be known at first, then slowly.
        share = max(self._share, np.float32(1 / (self.frames - KEPT_FRAMES + 1)))
        self.usual_before += share * (oldest - self.usual_before)

    def levels(
        self,
        channel: NDArray[np.int64],
        column: NDArray[np.int64],
        offsets: NDArray[np.int64],
        rows: NDArray[np.int64],
    ) -> NDArray[np.float32]:
        """Return levels in dBFS around tones, shape (tones, rows, offsets).

        Parameters
        ----------
        channel, column : ndarray of int64, shape (tones,)
            Which channel, and which bin of `power`.
        offsets : ndarray of int64, shape (k,) or (tones, k)
            Bins beside it; at the edges of the band the outermost stand in.
        rows : ndarray of int64, shape (rows,)
            Frames back from the newest, which is 0.
        """
        bins = self.power.shape[1]
        at = np.clip(column[:, None] + offsets, 0, bins - 1)
        row = (self.frames - 1 - rows) % KEPT_FRAMES
        flat = (row * self.channels)[None, :] + channel[:, None]
        found: NDArray[np.float32] = self._levels.reshape(-1).take(
            (flat * bins)[:, :, None] + at[:, None, :]
        )
        return found

    def totals(self, channel: NDArray[np.int64], rows: NDArray[np.int64]) -> NDArray[np.float32]:
        """Return the power of the whole band, shape (tones, rows)."""
        row = (self.frames - 1 - rows) % KEPT_FRAMES
        return np.asarray(self._totals[row[None, :], channel[:, None]])
