"""A recorder with a clock and a start of its own."""

from __future__ import annotations

import numpy as np

from shaping.simulation.colour import Floats

_HALF_WIDTH = 32  # samples of the interpolating pulse on either side
_CHUNK = 16_384


def recorded(
    samples: Floats, *, sample_rate_hz: int, start_s: float, duration_s: float, clock_ppm: float
) -> Floats:
    """Record `samples` with a clock that runs `clock_ppm` faster than theirs.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        What sounded, at `sample_rate_hz` of the player's clock; silence before and after.
    sample_rate_hz : int
        Nominal rate of both clocks.
    start_s : float
        When the recorder was started, on the player's time; negative is before the sound.
    duration_s : float
        Length of the recording.
    clock_ppm : float
        How much faster the recorder's clock runs, in parts per million.

    Returns
    -------
    ndarray, shape (round(duration_s * sample_rate_hz),)
        Interpolated with a windowed sinc.
    """
    n = round(duration_s * sample_rate_hz)
    position = start_s * sample_rate_hz + np.arange(n) / (1 + clock_ppm * 1e-6)
    margin = _HALF_WIDTH + 1
    padded = np.pad(samples, margin)
    taps = np.arange(-_HALF_WIDTH + 1, _HALF_WIDTH + 1)
    result = np.zeros(n)
    for first in range(0, n, _CHUNK):
        at = position[first : first + _CHUNK]
        whole = np.floor(at).astype(np.int64)
        lag = taps[None, :] - (at - whole)[:, None]
        pulse = np.sinc(lag) * np.cos(np.pi / 2 * np.clip(lag / _HALF_WIDTH, -1, 1)) ** 2
        index = np.clip(whole[:, None] + taps[None, :] + margin, 0, padded.size - 1)
        result[first : first + _CHUNK] = np.einsum("ij,ij->i", pulse, padded[index])
    return result
