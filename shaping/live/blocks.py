"""Samples on their way from the audio callback to whoever reads them: a ring of fixed size.

One writes, one reads, nobody waits: each moves only its own count, and reads the other's. When the
reader falls behind by the whole ring, blocks are let go and counted.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


class BlockRing:
    """Holds the last samples of several channels.

    Parameters
    ----------
    frames : int
        How many samples of each channel it holds.
    inputs : sequence of int
        Which columns of a block are kept, counted from 0.

    Attributes
    ----------
    lost : int
        Blocks that found no room, or that the device reported as lost.
    blocks : int
        Blocks that came.
    """

    def __init__(self, frames: int, inputs: tuple[int, ...]) -> None:
        self._samples = np.zeros((frames, len(inputs)), np.float32)
        self._inputs = inputs
        self._written = 0
        self._read = 0
        self.lost = 0
        self.blocks = 0

    @property
    def waiting(self) -> int:
        """How many samples wait to be read."""
        return self._written - self._read

    def write(self, block: NDArray[np.float32], *, flagged: bool = False) -> None:
        """Keep a block of shape (n, device inputs); the callback's side."""
        self.blocks += 1
        self.lost += flagged
        size, count = len(self._samples), len(block)
        if self.waiting + count > size:
            self.lost += 1
            return
        start = self._written % size
        first = min(count, size - start)
        for at, number in enumerate(self._inputs):
            self._samples[start : start + first, at] = block[:first, number]
            if first < count:
                self._samples[: count - first, at] = block[first:, number]
        self._written += count

    def read(self) -> NDArray[np.float32]:
        """Return all that waits, shape (n, inputs); the reader's side."""
        size, until = len(self._samples), self._written
        place = np.arange(self._read, until) % size
        found: NDArray[np.float32] = self._samples[place]
        self._read = until
        return found
