"""Signs that the mic was live in the wedge while the signal played.

Then what is measured is ``H = P / (1 - g P)`` in place of P. To first order ``log H`` is
``log P + g P``: the logarithm holds a small copy of the whole path, one trip round the loop later.
A reflection holds a copy of the direct sound at its own delay, but its copy of the room has the
opposite sign; so a loop is where direct sound and room both answer, with one sign.

References
----------
.. [1] A. Oppenheim, R. Schafer, "Discrete-Time Signal Processing", 3rd ed., 2010, ch. 13 (echoes
   in the cepstrum).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from shaping.analysis.loop.deconvolution import power_density

LIVE_COPY = 3.6
"""Size of the copy over what chance makes of its surroundings."""

LIVE_LIKENESS = 0.12
"""Correlation of the fine structures of noise and response; open loops stay under it."""

_LOOP_S = (0.0045, 0.06)
"""Trips round a stage's loop: a desk's latency and a metre or two of air."""

_DIRECT_ENDS_S = 0.0045
"""No trip round a loop is shorter: 1 ms of desk and more than a metre of air."""
_NEAR_S = 0.01  # a choice: a copy is judged by what lies within 5 ms of it
_BAND_HZ = (150.0, 6000.0)  # where a wedge's loop is strong enough for its copy to show
_SMOOTH_HZ = 300.0  # ripple of a loop of 4.5 ms repeats every 222 Hz, and has to stay
_FINE_BAND_HZ = (150.0, 8000.0)  # a choice: where rooms are rough and mics are not yet deaf
_FINE_WIDTH_HZ = 120.0  # a choice: wide against a room's peaks, narrow against the tilt of noise

Samples = NDArray[np.float32]
_Real = NDArray[np.float64]


def copy_in_path(impulse: _Real, lead: int, *, sample_rate_hz: float) -> tuple[float, float]:
    """Return how far a copy of the path in its own logarithm stands out, and its delay in s.

    Parameters
    ----------
    impulse : ndarray, shape (n,)
        Impulse response; the strongest arrival is sample `lead`.
    lead : int
        Samples before the strongest arrival.
    sample_rate_hz : float
        Sample rate in Hz.
    """
    size = fft.next_fast_len(2 * impulse.size, real=True)
    turned = np.roll(np.pad(impulse, (0, size - impulse.size)), -lead)
    frequency_hz = fft.rfftfreq(size, 1 / sample_rate_hz)
    width = max(3, round(_SMOOTH_HZ / frequency_hz[1]))
    power = np.abs(fft.rfft(turned)) ** 2
    level = 0.5 * np.log(np.maximum(power, 1e-12 * power.max()))
    fine = np.clip(level - _smooth(level, width), -1.5, 2.0)
    inside = (frequency_hz > _BAND_HZ[0]) & (frequency_hz < _BAND_HZ[1])
    weight = np.where(inside, 1 / np.sqrt(np.maximum(frequency_hz, 1.0)), 0.0)
    split, half = round(_DIRECT_ENDS_S * sample_rate_hz), size // 2
    direct, room = np.zeros(size), np.zeros(size)
    direct[:split], room[split:half] = turned[:split], turned[split:half]
    answers = []
    for part in (direct, room):
        spectrum = fft.rfft(part)
        even = np.sqrt(np.maximum(_smooth(np.abs(spectrum) ** 2, width), 1e-30))
        found = fft.irfft(weight * fine * np.conj(spectrum) / even, size)
        found = found[: round((_LOOP_S[1] + _NEAR_S) * sample_rate_hz)]
        around = ndimage.uniform_filter1d(found**2, round(_NEAR_S * sample_rate_hz))
        answers.append(found / np.sqrt(np.maximum(around, 1e-30)))
    # Both signs are a loop's: the send may turn the polarity round.
    both = np.sqrt(np.maximum(answers[0] * answers[1], 0.0))
    first, last = (round(edge * sample_rate_hz) for edge in _LOOP_S)
    at = first + int(np.argmax(both[first:last]))
    return float(both[at]), at / sample_rate_hz


def noise_likeness(
    residual: Samples,
    frequency_hz: _Real,
    response: NDArray[np.complex128],
    trusted: NDArray[np.bool_],
    *,
    sample_rate_hz: float,
) -> float:
    """Return the correlation of the fine structures of noise and response, -1..1.

    A closed loop multiplies everything the mic hears, the room's noise included, by
    ``1 / (1 - g P)``, and the response measured through it is ``P / (1 - g P)``: both carry the
    same factor. The noise of an open loop knows nothing of P.
    """
    density_hz, noise = power_density(residual, sample_rate_hz, resolution_hz=3.0)
    step = float(density_hz[1])
    band = (density_hz > _FINE_BAND_HZ[0]) & (density_hz < _FINE_BAND_HZ[1])
    power = ndimage.uniform_filter1d(
        np.abs(response) ** 2, max(1, round(1.5 * step / float(frequency_hz[1])))
    )
    at = np.minimum(
        np.rint(density_hz[band] / float(frequency_hz[1])).astype(np.int64), power.size - 1
    )
    sure = trusted[at]
    if sure.sum() < 100:
        return 0.0
    width = max(3, round(_FINE_WIDTH_HZ / step))
    fine_noise = _fine(np.log(np.maximum(noise[band], 1e-30)), width)[sure]
    fine_response = _fine(np.log(np.maximum(power[at], 1e-30)), width)[sure]
    return float(np.corrcoef(fine_noise, fine_response)[0, 1])


def _fine(level: _Real, width: int) -> _Real:
    return np.asarray(level - _smooth(level, width))


def _smooth(values: _Real, width: int) -> _Real:
    return np.asarray(ndimage.uniform_filter1d(values, width, mode="nearest"))
