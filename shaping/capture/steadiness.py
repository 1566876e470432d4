"""Whether a test noise held its level, and how far it stood over the floor around it.

Gates, automatic gain, a hand on the fader and music in its place all show in the level.

The level is taken between 500 Hz and 3.5 kHz in quarter-second frames under a Hann window, which
keeps half of each: for Gaussian noise its standard deviation is then 4.34 dB sqrt(1.944 / (3000 *
0.25)) = 0.22 dB, and a peaky response that keeps a third of the band raises it to 0.4 dB.

References
----------
.. [1] Bendat and Piersol, Random Data: relative random error of a mean square 1 / sqrt(B T).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_FRAME_S = 0.25  # a choice: gates and level controls act within it; 4 Hz are fine enough a grid
_BAND_HZ = (500.0, 3_500.0)  # what every wedge plays and hardly any room drowns in rumble

_FLOOR_STEP_DB = 2.0
"""The ends count as noise floor if they lie this far under the middle."""

_LOUD_PERCENTILE = 85.0
"""The noise is taken to play for more than 15 % of the recording."""

_EDGE_DB = 5.0
"""The noise begins and ends where it lies this far under its level: reverberation follows."""

_SETTLE_FRAMES = 3
"""Frames left out at each end of the noise: its fades, and a large room filling with sound."""


@dataclass(frozen=True, slots=True)
class Steadiness:
    """How a test noise's level behaved.

    Attributes
    ----------
    spread_db : float
        Standard deviation of the level.
    drift_db : float
        Level of the last fifth minus the first.
    low_share : float
        Share of the frames 10 dB or more below the median.
    first_low_s : float
        When the first of them begins; 0 if there is none.
    snr_db : float or None
        Noise over the floor heard before or after it; None if neither was recorded.
    """

    spread_db: float
    drift_db: float
    low_share: float
    first_low_s: float
    snr_db: float | None


def level_steadiness(samples: NDArray[np.float32], sample_rate_hz: int) -> Steadiness | None:
    """Measure how steady a recorded test noise is, shape (n,); None under 2 s of it."""
    levels = _levels_db(samples, sample_rate_hz)
    if levels.size < 8:
        return None
    loud = float(np.percentile(levels, _LOUD_PERCENTILE))
    floor = min(float(levels[0]), float(levels[-1]))
    first, last = 0, levels.size - 1
    snr_db = None
    if loud - floor > _FLOOR_STEP_DB:
        playing = np.flatnonzero(levels > max((loud + floor) / 2, loud - _EDGE_DB))
        first, last = int(playing[0]), int(playing[-1])
        outside = np.concatenate((levels[: max(0, first - 1)], levels[last + 2 :]))
        if outside.size:
            # The lower quartile, because a long reverberation is no floor.
            step_db = float(np.median(levels[first : last + 1]) - np.percentile(outside, 25))
            snr_db = float(10 * np.log10(max(10 ** (step_db / 10) - 1, 1e-3)))
    inside = np.arange(first + _SETTLE_FRAMES, last + 1 - _SETTLE_FRAMES)
    if inside.size < 8:
        return None
    noise = levels[inside]
    low = noise < np.median(noise) - 10
    heard = noise[~low]
    fifth = max(1, heard.size // 5)
    return Steadiness(
        spread_db=float(heard.std()),
        drift_db=float(heard[-fifth:].mean() - heard[:fifth].mean()),
        low_share=float(low.mean()),
        first_low_s=float(inside[int(np.argmax(low))] * _FRAME_S) if low.any() else 0.0,
        snr_db=snr_db,
    )


def _levels_db(samples: NDArray[np.float32], sample_rate_hz: int) -> NDArray[np.float64]:
    size = round(_FRAME_S * sample_rate_hz)
    count = samples.size // size
    frames = samples[: count * size].reshape(count, size)
    taper = np.hanning(size).astype(np.float32)
    first, last = (round(f * _FRAME_S) for f in _BAND_HZ)
    power = np.empty(count)
    for row in range(count):
        spectrum = np.fft.rfft(frames[row] * taper)[first:last]
        power[row] = float(np.mean(np.abs(spectrum) ** 2))
    return np.asarray(10 * np.log10(power + 1e-20))
