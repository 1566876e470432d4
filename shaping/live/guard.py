"""Whether an input climbs as a howl does, clips, or is gone: judged in every block of a sound.

While noise plays, an input holds the room's noise or the noise through the path, whichever is
louder, and the path does not change. What stands well over both is a howl, or somebody at the mic;
the sound stops for either, and where an input brings no sample any more: nobody would hear a howl
there. Runs inside the audio callback: everything is made beforehand.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from shaping.live.stopping import Cause

CLIMB_DB = 10.0
"""How far an input may stand over what is expected. Pink noise in blocks of 20 ms varies by about
1.5 dB (1 / sqrt(B T), its energy per octave being even), a slow room adds as much again; a howl
that grows 40 dB/s passes 10 dB in a quarter of a second."""

CLIMB_S = 0.03
"""And for so long: one click is no climb, and a stop within 50 ms leaves no more."""

CLIPPING = 0.999
"""Full scale less the rounding of a 10-bit converter: a real input never stays just under it."""

FELL_SILENT_S = 0.5
"""An input that was alive holds noise; nothing but zeros for so long, longer than two lost blocks
of the longest kind (0.17 s), means that its cable, preamp or server is gone."""

_FALL_DB_PER_S = 30.0
"""What is expected falls no faster: a room with 2 s of reverberation goes on sounding, and devices
delay."""

_LEARNT_AFTER_S = 0.3
"""By then what is played has reached the mics: no device delays it by more."""

_SILENT_DB = -120.0


class Guard:
    """Judges the blocks of several inputs.

    Parameters
    ----------
    noise_db : ndarray, shape (inputs,)
        Loudest block of each input before anything played, dB re full scale (rms).
    path_db : ndarray, shape (inputs,), or None
        Level at each input over level at the output, where it is known; None learns it while the
        sound rises.
    sample_rate_hz : int
        Sample rate.
    """

    def __init__(
        self,
        noise_db: NDArray[np.float64],
        path_db: NDArray[np.float64] | None,
        sample_rate_hz: int,
    ) -> None:
        self._noise_db = np.asarray(noise_db, np.float64)
        known = path_db is not None
        self.path_db = np.array(path_db if known else np.full(self._noise_db.shape, math.inf))
        self._learns = not known
        self._rate = sample_rate_hz
        self._played_db = _SILENT_DB
        self._sounding_s = 0.0
        self._over_s = np.zeros(self._noise_db.size)
        self._gone_s = np.zeros(self._noise_db.size)
        self._smooth = np.full(self._noise_db.size, math.nan)

    def look(
        self,
        level_db: NDArray[np.float64],
        peak: NDArray[np.float32],
        played_db: float,
        frames: int,
    ) -> tuple[Cause, int] | None:
        """Judge one block; return the cause to stop and the input, or None.

        Parameters
        ----------
        level_db, peak : ndarray, shape (inputs,)
            Rms level in dB, and largest sample.
        played_db : float
            Rms level of what was played in this block.
        frames : int
            Its length.
        """
        block_s = frames / self._rate
        if played_db > _SILENT_DB + 20:
            self._sounding_s += block_s
        self._played_db = max(played_db, self._played_db - _FALL_DB_PER_S * block_s)
        for at in range(level_db.size):
            if peak[at] >= CLIPPING:
                return Cause.CLIPPED, at
            self._gone_s[at] = self._gone_s[at] + block_s if self._is_gone(peak[at]) else 0.0
            if self._gone_s[at] >= FELL_SILENT_S:
                return Cause.GONE, at
            level = float(level_db[at])
            path = float(self.path_db[at])
            expected = max(float(self._noise_db[at]), self._played_db + path)
            if math.isfinite(expected) and level > expected + CLIMB_DB:
                self._over_s[at] += block_s
                if self._over_s[at] >= CLIMB_S:
                    return Cause.CLIMBING, at
                continue
            self._over_s[at] = 0.0
            if self._learns and self._sounding_s > _LEARNT_AFTER_S:
                self._learn(at, level - played_db, block_s)
        return None

    def _is_gone(self, peak: np.float32) -> bool:
        """Return whether a block of an input holds nothing, once the sound is under way."""
        return peak == 0.0 and self._sounding_s > _LEARNT_AFTER_S

    def _learn(self, at: int, path_db: float, block_s: float) -> None:
        """Take the least that was seen, a tenth of a second at a time, for the path."""
        old = self._smooth[at]
        share = min(block_s / 0.1, 1.0)
        fresh = path_db if math.isnan(old) else old + share * (path_db - old)
        self._smooth[at] = fresh
        self.path_db[at] = min(self.path_db[at], fresh)
