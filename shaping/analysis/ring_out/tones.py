"""One tone under the glass: its frequency from the turning of its phase.

The capture is shifted down by a first guess of the frequency, low-passed and looked at as a
slowly turning phasor. The slope of its phase, weighted by its power, is the correction to the
guess; for one tone in white noise that reaches the Cramér-Rao bound.

References
----------
.. [1] D. C. Rife and R. R. Boorstyn, "Single-tone parameter estimation from discrete-time
   observations", IEEE Trans. Inf. Theory 20(5), 591-598, 1974.
.. [2] S. A. Tretter, "Estimating the frequency of a noisy sinusoid by linear regression", IEEE
   Trans. Inf. Theory 31(6), 832-835, 1985: regression on the unwrapped phase.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_OVERLAP = 4  # a Hann window's neighbours a quarter apart hold all there is to know


@dataclass(frozen=True, slots=True)
class Tone:
    """A tone's frequency over one stretch of time.

    Attributes
    ----------
    frequency_hz : float
        Power-weighted mean frequency.
    error_hz : float
        One standard deviation of `frequency_hz`, from the scatter of the phase.
    wander_hz : float
        Power-weighted standard deviation of the momentary frequency about the mean.
    """

    frequency_hz: float
    error_hz: float
    wander_hz: float


def phasor(
    samples: NDArray[np.float32],
    sample_rate_hz: float,
    frequency_hz: float,
    *,
    start_s: float,
    stop_s: float,
    window_s: float,
) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """Shift a stretch of capture down by `frequency_hz` and low-pass it with a Hann window.

    Returns
    -------
    time_s : ndarray of float64, shape (n,)
        Centres of the windows, a quarter of a window apart.
    value : ndarray of complex128, shape (n,)
        The phasor: a sine of amplitude a gives ``abs(value) == a``. Empty where the stretch does
        not hold three windows.
    """
    hop = max(round(window_s * sample_rate_hz / _OVERLAP), 2)
    length = _OVERLAP * hop
    first = max(round((start_s - window_s / 2) * sample_rate_hz), 0)
    last = min(round((stop_s + window_s / 2) * sample_rate_hz), samples.size)
    pieces = (last - first) // hop
    count = pieces - _OVERLAP + 1
    if count < 3:
        return np.zeros(0), np.zeros(0, np.complex128)
    turn = 2 * np.pi * frequency_hz / sample_rate_hz
    inside = np.arange(length)
    window = 1 - np.cos(2 * np.pi * (inside + 0.5) / length)
    kernel = ((2 / window.sum()) * window * np.exp(-1j * turn * inside)).reshape(_OVERLAP, hop)
    weights = np.concatenate([kernel.real, kernel.imag]).astype(np.float32)
    # Each piece is weighed once for each of the windows that it is part of.
    parts = samples[first : first + pieces * hop].reshape(pieces, hop) @ weights.T
    value = np.zeros(count, np.complex128)
    for place in range(_OVERLAP):
        turned = parts[place : place + count]
        value += turned[:, place] + 1j * turned[:, _OVERLAP + place]
    begin = np.arange(count) * hop + first
    value *= np.exp(-1j * turn * begin)
    return np.asarray(begin + length / 2, np.float64) / sample_rate_hz, value


def refine_tone(
    samples: NDArray[np.float32],
    sample_rate_hz: float,
    frequency_hz: float,
    *,
    start_s: float,
    stop_s: float,
    window_s: float = 0.06,
) -> Tone | None:
    """Measure a tone's frequency by the slope of its phase.

    Parameters
    ----------
    samples : ndarray of float32, shape (n,)
        The capture.
    sample_rate_hz : int
        Sample rate in Hz.
    frequency_hz : float
        First guess, within ``1 / window_s`` of the truth.
    start_s, stop_s : float
        Stretch of the capture in which the tone stands out.
    window_s : float
        Length of the low-pass window: what lies further off than ``2 / window_s`` is left out.

    Returns
    -------
    Tone or None
        None where the stretch is too short.
    """
    time, value = phasor(
        samples, sample_rate_hz, frequency_hz, start_s=start_s, stop_s=stop_s, window_s=window_s
    )
    power = np.abs(value) ** 2
    if value.size < 3 or power.sum() <= 0:
        return None
    weight = power / power.sum()
    phase = np.unwrap(np.angle(value))
    centre = float(weight @ time)
    spread = float(weight @ (time - centre) ** 2)
    if spread <= 0:
        return None
    slope = float(weight @ ((time - centre) * phase)) / spread
    left_over = phase - float(weight @ phase) - slope * (time - centre)
    scatter = float(weight @ left_over**2)
    independent = max(1 / float(weight @ weight) / _OVERLAP * 2, 1.0)
    hop_s = time[1] - time[0]
    momentary = np.diff(left_over) / (2 * np.pi * hop_s)
    shared = np.sqrt(weight[1:] * weight[:-1])
    wander = float(np.sqrt(shared @ momentary**2 / shared.sum()))
    return Tone(
        frequency_hz=frequency_hz + slope / (2 * np.pi),
        error_hz=float(np.sqrt(scatter / independent / spread)) / (2 * np.pi),
        wander_hz=wander,
    )
