"""Short-time power spectra of a stream, the same however the stream is cut into blocks.

Conventions: a frame is about 85 ms long (a power of two of samples), Hann-windowed, and frames
follow each other every quarter of a frame, about 21 ms. Power is scaled so that a sine of
amplitude 1 at a bin's centre has power 1 there: 0 dBFS is a full-scale sine. Frames are
made in batches of a fixed size, so that every number is the same for any block size.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

FRAME_S = 0.085  # a choice: parts tones 24 Hz apart, and is short against most growth
LOW_HZ = 80.0  # a howl below is rare, and a bass has its notes there
HIGH_HZ = 12_000.0  # wedges and vocal mics have little above
BATCH_FRAMES = 128  # at a time, to bound the memory
MARGIN_BINS = 12
"""Bins kept beyond the searched band on either side, for comparing a peak with its neighbours."""


_OFFSET_BINS = 2
"""The transform of a constant under a Hann window lies in the first two bins: a converter's offset
is no sound."""

_CHUNK_FRAMES = 16  # small enough for the caches


@dataclass(frozen=True, slots=True)
class Grid:
    """The time-frequency grid of one sample rate.

    Attributes
    ----------
    sample_rate_hz : int
        Sample rate of the recording.
    length : int
        Samples in a frame.
    hop : int
        Samples from frame to frame.
    first_bin, stop_bin : int
        Range of transform bins that is kept, margins included.
    """

    sample_rate_hz: int
    length: int
    hop: int
    first_bin: int
    stop_bin: int

    @property
    def bin_hz(self) -> float:
        """Hertz from bin to bin."""
        return self.sample_rate_hz / self.length

    @property
    def hop_s(self) -> float:
        """Seconds from frame to frame."""
        return self.hop / self.sample_rate_hz

    def time_s(self, frame: float) -> float:
        """Return the time of a frame's middle."""
        return (frame * self.hop + self.length / 2) / self.sample_rate_hz


def grid_for(sample_rate_hz: int) -> Grid:
    """Return the grid for a sample rate.

    >>> grid_for(48_000).length, grid_for(44_100).hop, grid_for(96_000).length
    (4096, 1024, 8192)
    """
    length = 2 ** round(math.log2(FRAME_S * sample_rate_hz))
    last = min(length // 2, round(HIGH_HZ * length / sample_rate_hz) + MARGIN_BINS)
    first = max(round(LOW_HZ * length / sample_rate_hz) - MARGIN_BINS, _OFFSET_BINS)
    return Grid(sample_rate_hz, length, length // 4, first, last + 1)


class Framer:
    """Cuts a stream of samples into batches of power spectra.

    Parameters
    ----------
    grid : Grid
        Frame length, hop and band.
    """

    def __init__(self, grid: Grid) -> None:
        self.grid = grid
        n = grid.length
        window = signal.windows.hann(n, sym=False)
        self._window = (window * (2 / window.sum())).astype(np.float32)
        self._batch_samples = (BATCH_FRAMES - 1) * grid.hop + n
        self._buffer = np.zeros(self._batch_samples, dtype=np.float32)
        self._filled = 0
        self._windowed = np.empty((_CHUNK_FRAMES, n), dtype=np.float32)

    def feed(self, samples: NDArray[np.float32]) -> Iterator[NDArray[np.float32]]:
        """Take samples; yield frames, shape (BATCH_FRAMES, length), as batches fill up.

        What is yielded is valid until the next is asked for; `power_into` transforms it.
        """
        start = 0
        while start < samples.size:
            taken = min(samples.size - start, self._batch_samples - self._filled)
            self._buffer[self._filled : self._filled + taken] = samples[start : start + taken]
            self._filled += taken
            start += taken
            if self._filled == self._batch_samples:
                yield self._frames(BATCH_FRAMES)
                step = BATCH_FRAMES * self.grid.hop
                kept = self._batch_samples - step
                self._buffer[:kept] = self._buffer[step:]
                self._filled = kept

    def finish(self) -> NDArray[np.float32]:
        """Return the frames of what is left, shape (fewer frames, length)."""
        return self._frames(max(0, (self._filled - self.grid.length) // self.grid.hop + 1))

    def power_into(self, frames: NDArray[np.float32], out: NDArray[np.float32]) -> None:
        """Write the power spectra of frames to `out`, shape (frames, bins)."""
        band = slice(self.grid.first_bin, self.grid.stop_bin)
        for start in range(0, len(frames), _CHUNK_FRAMES):  # small enough for the caches
            chunk = slice(start, start + _CHUNK_FRAMES)
            windowed = self._windowed[: len(frames[chunk])]
            np.multiply(frames[chunk], self._window, out=windowed)
            spectrum = fft.rfft(windowed, axis=1)[:, band]
            np.square(spectrum.real, out=out[chunk])
            out[chunk] += np.square(spectrum.imag)

    def _frames(self, count: int) -> NDArray[np.float32]:
        cut = np.lib.stride_tricks.sliding_window_view(self._buffer, self.grid.length)
        return cut[:: self.grid.hop][:count]
