"""Signs that the path did not stay the same while the signal played, block by block.

A path that stays has the same response in every block but for the noise. A gain that moves scales
it, a recorder that loses samples shifts it at once and for good, and where mic or people move it
changes in shape.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from shaping.analysis.loop.traces import AHEAD_S, DIRECT_S, ROOM_S, Traces, answer

CHANGED_OVER_CHANCE = 1.3
"""Power of the blocks' differences over chance; sound measurements stay within 1.1."""

LEAST_CHANGE_DB = -32.0
"""Power of a change of the path against the path that matters: 0.2 dB, as an rms value."""

LEAST_SHIFT_S = 0.15e-3
"""A lasting jump of the arrival from one block to the next; a step is 5 cm of sound."""

_BLOCK_S = 2.5
"""A choice: long enough to hear a room over its noise, short enough to see somebody move."""
_FEWEST_BLOCKS, _MOST_BLOCKS = 4, 10
"""A choice: fewer cannot tell a change from chance, and more cost time for nothing."""
_SHIFT_BLOCK_S = 0.7  # a choice: lost samples part two stretches; within one they blur
_FINER = 4  # a quarter of a sample at 12 kHz is 0.02 ms, far below the least jump told
_ALIKE = 0.3  # stretches less alike than this tell nothing

_Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Change:
    """How much a path changed.

    Attributes
    ----------
    over_chance : float
        Power of the differences between blocks over what noise makes.
    shape_db : float
        Power of the change of shape against the path's own, in dB; at least -99.
    gain_db : float
        Power of the change of gain against the path's own, in dB; at least -99.
    """

    over_chance: float
    shape_db: float
    gain_db: float


def path_change(traces: Traces) -> Change:
    """Return how much the path differs from block to block."""
    rate = traces.sample_rate_hz
    blocks = int(np.clip(traces.played.size / rate / _BLOCK_S, _FEWEST_BLOCKS, _MOST_BLOCKS))
    size = traces.played.size // blocks
    whole = answer(traces.heard, traces.played, sample_rate_hz=rate)
    direct, room, before = (traces.lags(span) for span in (DIRECT_S, ROOM_S, AHEAD_S))
    different = np.array(
        [
            answer(
                traces.residual[start : start + size],
                traces.played[start : start + size],
                sample_rate_hz=rate,
            )
            for start in range(0, blocks * size, size)
        ]
    )
    path = whole[direct]
    gains = different[:, direct] @ path / max(float(np.dot(path, path)), 1e-30)
    shapes = different - gains[:, None] * whole
    chance = float(np.mean(different[:, before] ** 2))
    power = max(float(np.mean(whole[room] ** 2)), 1e-30)
    return Change(
        over_chance=float(np.mean(different[:, room] ** 2)) / max(chance, 1e-30),
        shape_db=_db((float(np.mean(shapes[:, room] ** 2)) - chance) / power),
        gain_db=_db(float(np.mean(gains**2))),
    )


def jumps_s(traces: Traces) -> _Real:
    """Return by how much the sound arrives later or earlier from each stretch to the next.

    Parameters
    ----------
    traces : Traces
        The measurement.

    Returns
    -------
    ndarray, shape (stretches - 1,)
        In seconds; 0 where two stretches agree or are too unlike to tell.
    """
    rate = traces.sample_rate_hz
    size = round(_SHIFT_BLOCK_S * rate)
    heard = [
        answer(
            traces.heard[start : start + size],
            traces.played[start : start + size],
            sample_rate_hz=rate,
        )
        for start in range(0, traces.played.size - size + 1, size)
    ]
    if len(heard) < 2:
        return np.zeros(0)
    length = 2 * heard[0].size
    spectra = fft.rfft(np.array(heard), length)
    alike = fft.irfft(spectra[1:] * np.conj(spectra[:-1]), _FINER * length)
    lag = np.argmax(alike, axis=1)
    size_of = np.sqrt(np.sum(np.square(heard), axis=1))
    likeness = _FINER * alike.max(axis=1) / (size_of[1:] * size_of[:-1])
    lag = np.where(lag > _FINER * length // 2, lag - _FINER * length, lag)
    return np.asarray(np.where(likeness > _ALIKE, lag / (_FINER * rate), 0.0))


def _db(power: float) -> float:
    return float(10 * np.log10(max(power, 1e-30))) if power > 1e-10 else -99.0
