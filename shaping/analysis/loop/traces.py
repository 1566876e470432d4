"""What is left in a recording of the signal that was played: the tool of every judgement here.

What a response does not explain of a recording, its residual, is the room's noise if the
measurement is sound. Then no copy of the played signal answers to it at any lag, neither as it is
nor bent by its own level. Whatever does answer stands out between the lags at which a wedge is
heard, against the lags before the sound can have arrived.

Conventions: everything is brought down to about 12 kHz, where a wedge's loop is decided; lag 0 is
the strongest arrival.

References
----------
.. [1] C. Knapp, G. Carter, "The generalized correlation method for estimation of time delay",
   IEEE Trans. Acoust. Speech Signal Proc. 24(4), 1976.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

BEFORE_ARRIVAL_S = 0.07  # lags that hold chance alone, and as many as the direct sound takes
REACH_S = 0.2  # a choice: what arrives later is weak and bends no verdict
DIRECT_S = (-0.002, 0.03)
"""Lags of the direct sound and what follows at once."""

ROOM_S = (-0.002, 0.15)  # lags of direct sound and room
AHEAD_S = (-BEFORE_ARRIVAL_S, -0.03)
"""Lags before the sound arrives: what is found there is chance."""

_TOP_HZ = 6000.0  # little is left above that decides a wedge's loop, and a low rate is quick
_BAND_HZ = (120.0, 5000.0)  # octaves that every wedge plays, inside the low rate's band
_WHITENED_HZ = 40.0  # a choice: wide enough to keep the played noise's own chance out
_LEAST_PLAYED = 0.01  # 20 dB below the mean octave: dividing by less would bring up noise

_Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Traces:
    """A measurement at a low rate.

    Attributes
    ----------
    sample_rate_hz : float
        About 12 kHz.
    played, heard, residual : ndarray, shape (n,)
        What was played on the recorder's clock, what was heard, and what no response explains.
    """

    sample_rate_hz: float
    played: _Real
    heard: _Real
    residual: _Real

    def lags(self, span_s: tuple[float, float]) -> slice:
        """Return where these lags lie in what `answer` returns."""
        first, last = (round((BEFORE_ARRIVAL_S + edge) * self.sample_rate_hz) for edge in span_s)
        return slice(max(first, 0), last)


def traces(
    played: NDArray[np.float32],
    heard: NDArray[np.float32],
    residual: NDArray[np.float32],
    *,
    sample_rate_hz: float,
) -> Traces:
    """Bring a lined-up measurement down to a low rate."""
    size = fft.next_fast_len(played.size, real=True)
    fewer = fft.next_fast_len(2 * int(min(_TOP_HZ / sample_rate_hz, 0.5) * size), real=True)
    ratio = fewer / size

    def lowered(samples: NDArray[np.float32]) -> _Real:
        spectrum = fft.rfft(samples, size)[: fewer // 2 + 1]
        return np.asarray(fft.irfft(spectrum, fewer)[: int(samples.size * ratio)] * ratio, float)

    return Traces(sample_rate_hz * ratio, lowered(played), lowered(heard), lowered(residual))


def answer(sound: _Real, played: _Real, *, sample_rate_hz: float) -> _Real:
    """Return how `sound` answers to `played` over lags from `-BEFORE_ARRIVAL_S` to `REACH_S`.

    The cross-correlation, with every octave of `played` given the same weight.
    """
    lead, reach = round(BEFORE_ARRIVAL_S * sample_rate_hz), round(REACH_S * sample_rate_hz)
    size = fft.next_fast_len(played.size + lead + reach, real=True)
    frequency_hz = fft.rfftfreq(size, 1 / sample_rate_hz)
    spectrum = fft.rfft(played, size)
    width = max(3, round(_WHITENED_HZ * size / sample_rate_hz))
    power = ndimage.uniform_filter1d(np.abs(spectrum) ** 2, width, mode="nearest")
    inside = (frequency_hz > _BAND_HZ[0]) & (frequency_hz < _BAND_HZ[1])
    weight = np.where(inside, 1 / np.sqrt(np.maximum(frequency_hz, 1.0)), 0.0)
    # Octaves that were hardly played stay low.
    octave = float(np.average((power * frequency_hz)[inside], weights=1 / frequency_hz[inside]))
    floor = _LEAST_PLAYED * octave / np.maximum(frequency_hz, 1.0)
    found = fft.irfft(fft.rfft(sound, size) * np.conj(spectrum) * weight / (power + floor), size)
    return np.concatenate([found[-lead:], found[:reach]])


def power_over_chance(found: _Real, traces: Traces, span_s: tuple[float, float]) -> float:
    """Return the power of an answer at some lags over that at lags before the sound."""
    before = float(np.mean(found[traces.lags(AHEAD_S)] ** 2))
    return float(np.mean(found[traces.lags(span_s)] ** 2)) / max(before, 1e-30)
