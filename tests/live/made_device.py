"""A device that is made: taps from one output to mics, and all that can go wrong with it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from shaping.live.player import Player, Taken

RATE_HZ = 48_000
_LONGEST = 4096

Taps = Sequence[tuple[int, float]]


@dataclass
class MadeDevice:
    """Plays and records without waiting.

    ``mics`` holds delay and gain of every arrival of output 1 at each mic; what is played in a
    block is there from the next block on. ``flagged`` names blocks, counted over all runs, that are
    reported as lost; ``disturb`` may change what the mics hear, given the position in seconds.
    """

    mics: Sequence[Taps]
    noise_dbfs: float = -80.0
    block: int = 960
    flagged: set[int] = field(default_factory=set)
    disturb: Callable[[np.ndarray, float], None] | None = None
    sample_rate_hz: int = RATE_HZ
    fed: list[np.ndarray] = field(default_factory=list)
    blocks: int = 0

    def run(self, player: Player, *, tick: Callable[[Player], None] | None = None) -> Taken:
        """Play block by block."""
        rng = np.random.default_rng(1)
        size = self.block
        past = np.zeros(_LONGEST + size)
        out = np.zeros((size, 1), np.float32)
        heard = np.zeros((size, len(self.mics)), np.float32)
        fed = []
        done = False
        while not done:
            position_s = player.position / self.sample_rate_hz
            out[:] = 7.0  # the device's memory holds anything
            done = player.block(heard, out, flagged=self.blocks in self.flagged)
            self.blocks += 1
            fed.append(out[:, 0].copy())
            past = np.concatenate([past[size:], out[:, 0]])
            sound = 10 ** (self.noise_dbfs / 20) * rng.standard_normal((size, len(self.mics)))
            for at, taps in enumerate(self.mics):
                for delay, gain in taps:
                    sound[:, at] += gain * past[_LONGEST - delay : _LONGEST - delay + size]
            heard = sound.astype(np.float32)
            if self.disturb is not None:
                self.disturb(heard, position_s)
            np.clip(heard, -1, 1, out=heard)
            if tick is not None:
                tick(player)
        self.fed.append(np.concatenate(fed))
        return player.taken()
