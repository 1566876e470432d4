"""The impulse response between a known signal and what came of it.

`least_squares_response` suits noise: no window, hence no bias of narrow resonances and no
leakage, whatever was playing before the stretch. `sweep_response` suits one sine sweep: the
products of distortion arrive before the linear response and are cut away.

Conventions: an impulse response is indexed by lag in samples, from ``-lead`` to
``length - lead - 1``.

References
----------
.. [1] L. Ljung, "System Identification: Theory for the User", 2nd ed., 1999, ch. 7 (FIR least
   squares).
.. [2] R. Chan, M. Ng, "Conjugate gradient methods for Toeplitz systems", SIAM Review 38(3),
   1996 (circulant preconditioning).
.. [3] A. Farina, "Simultaneous measurement of impulse response and distortion with a swept-sine
   technique", AES 108th Convention, 2000.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

Samples = NDArray[np.float32]
_Real = NDArray[np.float64]

_REFINEMENTS = 2  # the second corrects what the first left at the ends of the recording
_ITERATIONS = 15  # a choice: a bound on the work where it does not converge
_CONVERGED = 1e-2  # of the first residual: the second pass takes the rest down again by as much
_SOLVER_FLOOR = 100.0
"""Floor of the preconditioner over `excitation_floor`: a wider span of powers slows it down."""
_EXCITED_RATIO = 1e-3
"""Power per octave against its median below which a frequency does not count as excited."""


def excitation_floor(frequency_hz: _Real, power: _Real) -> _Real:
    """Return the power density below which a frequency counts as not excited.

    Thirty dB below the median power per octave, which is the same all over the band for pink
    noise and for an exponential sweep.
    """
    per_octave = power * frequency_hz
    lively = per_octave[per_octave > 1e-4 * per_octave.max()] if per_octave.size else per_octave
    level = float(np.median(lively)) if lively.size else 0.0
    return np.asarray(_EXCITED_RATIO * level / np.maximum(frequency_hz, frequency_hz[1]))


def least_squares_response(
    played: Samples, heard: Samples, *, length: int, sample_rate_hz: float
) -> tuple[_Real, Samples]:
    """Fit the impulse response that turns `played` into `heard` with the least squared error.

    Frequencies hardly present in `played` stay near zero.

    Parameters
    ----------
    played : ndarray of float32, shape (n + length - 1,)
        Begins ``length - 1`` samples before the first lag that reaches ``heard[0]``: ``heard[i]``
        answers to ``played[i : i + length]``, latest last.
    heard : ndarray of float32, shape (n,)
        What was recorded.
    length : int
        Samples of impulse response.
    sample_rate_hz : float
        Sample rate in Hz.

    Returns
    -------
    response : ndarray, shape (length,)
        Impulse response.
    residual : ndarray of float32, shape (n,)
        `heard` less what the response explains.
    """
    size = fft.next_fast_len(played.size, real=True)
    spectrum = fft.rfft(played, size)
    solve = _toeplitz_solver(played, spectrum, size, length, heard.size, sample_rate_hz)
    response = np.zeros(length, np.float32)
    residual = np.array(heard, np.float32)
    padded = np.zeros(size, np.float32)
    for _ in range(_REFINEMENTS):
        padded[length - 1 : played.size] = residual
        gradient = fft.irfft(fft.rfft(padded) * np.conj(spectrum), size)[:length]
        step = solve(gradient)
        predicted = fft.irfft(fft.rfft(step, size) * spectrum, size)[length - 1 : played.size]
        # The best length of this step: it can only bring the error down.
        power = float(np.dot(predicted, predicted))
        if power <= 0:
            break
        scale = np.float32(float(np.dot(residual, predicted)) / power)
        response += scale * step
        residual -= scale * predicted
    return response.astype(np.float64), residual


def _toeplitz_solver(
    played: Samples,
    spectrum: NDArray[np.complex64],
    size: int,
    length: int,
    count: int,
    sample_rate_hz: float,
) -> Callable[[Samples], Samples]:
    """Return the solution of the Toeplitz system of the autocorrelation of `played`.

    That system differs from the normal equations by the ends of the recording only. Conjugate
    gradients, preconditioned by the smooth spectrum of `played`.
    """
    frequency_hz, density = power_density(played, sample_rate_hz)
    density = np.maximum(density, _SOLVER_FLOOR * excitation_floor(frequency_hz, density))
    period = fft.next_fast_len(2 * length, real=True)
    at_hz = fft.rfftfreq(period, 1 / sample_rate_hz)
    expected = np.interp(at_hz, frequency_hz, density) * (sample_rate_hz / 2)
    inverse = (1 / np.maximum(expected, 1e-30)).astype(np.float32)
    correlation = fft.irfft(np.abs(spectrum) ** 2, size)[:length] / np.float32(played.size)
    lags = np.zeros(period, np.float32)
    lags[:length] = correlation
    lags[period - length + 1 :] = correlation[:0:-1]
    eigenvalues = fft.rfft(lags).real

    def apply(vector: Samples, weights: Samples) -> Samples:
        return np.asarray(fft.irfft(fft.rfft(vector, period) * weights, period)[:length])

    def solve(gradient: Samples) -> Samples:
        solution = np.zeros(length, np.float32)
        residual = gradient / np.float32(count)
        direction = preconditioned = apply(residual, inverse)
        power = first = float(np.dot(residual, preconditioned))
        for _ in range(_ITERATIONS):
            if power <= _CONVERGED**2 * first or power <= 0:
                break
            image = apply(direction, eigenvalues)
            step = np.float32(power / float(np.dot(direction, image)))
            solution = solution + step * direction
            residual = residual - step * image
            preconditioned = apply(residual, inverse)
            previous, power = power, float(np.dot(residual, preconditioned))
            direction = preconditioned + np.float32(power / previous) * direction
        return solution

    return solve


def power_density(
    samples: Samples, sample_rate_hz: float, *, resolution_hz: float = 6.0
) -> tuple[_Real, _Real]:
    """Return frequencies and one-sided power density by Welch's method with Hann windows."""
    size = min(2 ** int(np.ceil(np.log2(sample_rate_hz / resolution_hz))), samples.size)
    frequency_hz, density = signal.welch(samples, sample_rate_hz, nperseg=size, detrend=False)
    return np.asarray(frequency_hz, np.float64), np.asarray(density, np.float64)


def sweep_response(
    played: Samples, heard: Samples, *, lead: int, length: int, sample_rate_hz: float
) -> tuple[_Real, _Real]:
    """Divide spectra, keep the linear response, and give a stretch of what is mere noise.

    Parameters
    ----------
    played, heard : ndarray of float32
        Lined up so that the strongest arrival has lag 0.
    lead, length : int
        Samples kept before lag 0, and in all.
    sample_rate_hz : float
        Sample rate in Hz.

    Returns
    -------
    response, noise : ndarray, shape (length,)
        The impulse response, and a stretch as long from a second part of the same deconvolution,
        after the response has died away.
    """
    size = fft.next_fast_len(played.size + heard.size, real=True)
    spectrum = fft.rfft(np.asarray(played, np.float64), size)
    power = np.abs(spectrum) ** 2
    smooth = signal.fftconvolve(power, np.full(65, 1 / 65), mode="same")
    floor = excitation_floor(fft.rfftfreq(size, 1 / sample_rate_hz), np.maximum(smooth, 0))
    full = fft.irfft(
        fft.rfft(np.asarray(heard, np.float64), size) * np.conj(spectrum) / (power + floor), size
    )
    response = np.concatenate([full[-lead:], full[: length - lead]]) if lead else full[:length]
    return response, full[length - lead : 2 * length - lead]
