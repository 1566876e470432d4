"""One sound played once on one output while inputs are recorded: what happens in each block.

Nothing here knows of devices: a block of input comes in, a block of output is filled. All memory
is made beforehand; the callback neither makes arrays of any size, nor waits, nor writes files.

The sound begins after a moment of silence. Whatever asks for a stop (`shaping.live.stopping`), the
sound fades within `STOP_FADE_S` and stays silent for good: a player never starts again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shaping.errors import ParameterError
from shaping.live.guard import Guard
from shaping.live.stopping import Cause, Stop

STOP_FADE_S: Final = 0.01
"""Long enough not to click, short enough to be silent within the 50 ms that are promised."""

HIGHEST_PEAK_DBFS: Final = -8.0
"""No sample ever passes this, whatever is asked: no option lifts it. Noise of -20 dBFS (rms)."""

SILENCE_BEFORE_S: Final = 0.5
"""Silence before the sound: the stream settles, and lost blocks are told from those of its start.
It stays in the recording, longer than any loop: the delay from file to file holds the way through
the computer and back, which the loop in use has not, so nothing may take it for the loop's own."""

AFTER_S: Final = 1.0
"""Recorded after the sound: rooms go on sounding."""

LONGEST_BLOCK: Final = 16_384
_SETTLING_S = 0.3
_SILENT_DB = -120.0


@dataclass(frozen=True, slots=True)
class Taken:
    """What came of playing a sound once.

    Attributes
    ----------
    recorded : ndarray of float32, shape (n, inputs)
        From `SILENCE_BEFORE_S` before the sound.
    cause : Cause or None
        Why it was stopped; None where it was played to the end.
    channel : int or None
        The input that was the cause, counted from 0.
    lost : int
        Blocks with an over- or underrun while it counted.
    path_db : ndarray, shape (inputs,)
        Least level at each input over the level played.
    """

    recorded: NDArray[np.float32]
    cause: Cause | None
    channel: int | None
    lost: int
    path_db: NDArray[np.float64]


class Player:
    """Plays a sound on one output and records inputs, block by block.

    Parameters
    ----------
    sound : ndarray of float32, shape (n,)
        What is played; zeros only listen.
    sample_rate_hz : int
        Sample rate.
    output : int
        Output, counted from 0.
    inputs : sequence of int
        Inputs to record, counted from 0.
    guard : Guard or None
        Judges what the inputs hold; None where nothing is played.
    stop : Stop
        Asks for a stop, and is told of one.

    Raises
    ------
    ParameterError
        If the sound passes `HIGHEST_PEAK_DBFS`.
    """

    def __init__(
        self,
        sound: NDArray[np.float32],
        sample_rate_hz: int,
        *,
        output: int,
        inputs: tuple[int, ...],
        guard: Guard | None,
        stop: Stop,
    ) -> None:
        ceiling = 10 ** (HIGHEST_PEAK_DBFS / 20)
        if not np.isfinite(sound).all() or np.abs(sound).max(initial=0.0) > ceiling:
            raise ParameterError(
                f"a sound must stay under {HIGHEST_PEAK_DBFS:g} dBFS (peak) to be played"
            )
        self.sample_rate_hz = sample_rate_hz
        self.inputs, self.output = inputs, output
        self.stop, self._guard = stop, guard
        before, after = round(SILENCE_BEFORE_S * sample_rate_hz), round(AFTER_S * sample_rate_hz)
        self._sound = np.concatenate(
            [np.zeros(before, np.float32), sound, np.zeros(after, np.float32)]
        )
        self._last_sounding = before + sound.size
        self._settled = round(_SETTLING_S * sample_rate_hz)
        self._recorded = np.zeros((self._sound.size, len(inputs)), np.float32)
        fade = round(STOP_FADE_S * sample_rate_hz)
        self._fade = np.cos(np.pi / 2 * (np.arange(fade) + 1) / fade).astype(np.float32) ** 2
        self._faded: int | None = None
        self._squares = np.empty((LONGEST_BLOCK, len(inputs)), np.float32)
        self._level_db = np.empty(len(inputs))
        self._peak = np.empty(len(inputs), np.float32)
        self._sent = np.empty(LONGEST_BLOCK, np.float32)
        self.position = 0
        self.lost = 0
        self.blocks = 0
        self.done = False

    @property
    def recorded(self) -> NDArray[np.float32]:
        """What was recorded so far, shape (n, inputs)."""
        return self._recorded[: min(self.position, len(self._recorded))]

    @property
    def settling(self) -> bool:
        """Whether the stream is in its first moment, when nothing sounds yet."""
        return self.position < self._settled

    def block(
        self, indata: NDArray[np.float32], outdata: NDArray[np.float32], *, flagged: bool
    ) -> bool:
        """Take one block in and fill one block; return whether there is nothing more to come.

        Parameters
        ----------
        indata : ndarray, shape (frames, device inputs)
            Input.
        outdata : ndarray, shape (frames, device outputs)
            Filled whole.
        flagged : bool
            Whether the device reports an over- or underrun.
        """
        outdata.fill(0.0)
        self.blocks += 1
        frames = min(len(outdata), LONGEST_BLOCK)
        if flagged and self._settled <= self.position < self._last_sounding:
            self.lost += 1
        start = self.position
        stop = min(start + frames, len(self._sound))
        count = stop - start
        if self.done or count <= 0:
            self.done = True
            return True
        for at, number in enumerate(self.inputs):
            self._recorded[start:stop, at] = indata[:count, number]
        sent = self._sent[:count]
        sent[:] = self._sound[start:stop]
        self._judge(start, stop, sent)
        if self.stop.cause is not None:
            self._fade_out(sent)
        outdata[:count, self.output] = sent
        self.position = stop
        # After a fade one more block of silence goes out before the stream may end.
        silent_s = 0 if self._faded is None else self._faded - self._fade.size
        self.done = stop >= len(self._sound) or silent_s > frames
        return self.done

    def _judge(self, start: int, stop: int, sent: NDArray[np.float32]) -> None:
        if self._guard is None or start >= self._last_sounding or self.stop.cause is not None:
            return
        own = self._recorded[start:stop]
        squares = self._squares[: stop - start]
        np.abs(own, out=squares)
        np.max(squares, axis=0, out=self._peak)
        np.square(own, out=squares)
        np.mean(squares, axis=0, out=self._level_db)
        for at in range(self._level_db.size):
            self._level_db[at] = _db(float(self._level_db[at]))
        played_db = _db(float(np.dot(sent, sent)) / sent.size)
        found = self._guard.look(self._level_db, self._peak, played_db, stop - start)
        if found is not None:
            self.stop.ask(*found)

    def _fade_out(self, sent: NDArray[np.float32]) -> None:
        faded = 0 if self._faded is None else self._faded
        left = self._fade[faded : faded + sent.size]
        sent[: left.size] *= left
        sent[left.size :] = 0.0
        self._faded = faded + sent.size

    def taken(self) -> Taken:
        """Return what came of it."""
        path = np.full(len(self.inputs), math.nan) if self._guard is None else self._guard.path_db
        return Taken(
            self.recorded.copy(), self.stop.cause, self.stop.channel, self.lost, path.copy()
        )


def _db(power: float) -> float:
    return 10 * math.log10(power) if power > 1e-12 else _SILENT_DB
