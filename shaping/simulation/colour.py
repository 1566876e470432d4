"""Uneven responses of loudspeakers and microphones, as analogue prototypes.

Everything acoustic on the stage is described by causal, minimum-phase rational functions of
``j f``, evaluated on the bins of a discrete Fourier transform. Equalisers of the desk are digital
and live in `shaping.filters`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Peak:
    """One bump (or dip) of a response, shaped like the cookbook's analogue peaking prototype.

    Attributes
    ----------
    frequency_hz : float
        Centre in Hz.
    gain_db : float
        Height in dB; negative for a dip.
    q : float
        Quality factor; the edges lie at half the gain in dB.
    """

    frequency_hz: float
    gain_db: float
    q: float


def bin_frequencies(n: int, *, sample_rate_hz: float) -> Floats:
    """Return the frequencies in Hz of a real transform of `n` samples, shape (n // 2 + 1,)."""
    return np.asarray(np.fft.rfftfreq(n, 1 / sample_rate_hz), dtype=np.float64)


def peaks_response(peaks: Sequence[Peak], frequency_hz: Floats) -> Complexes:
    """Product of the peaks' complex responses, shape of `frequency_hz`.

    References
    ----------
    .. [1] R. Bristow-Johnson, "Audio EQ Cookbook", W3C Group Note, 2021 (peakingEQ prototype).
    """
    total = np.ones(np.shape(frequency_hz), dtype=np.complex128)
    for peak in peaks:
        s = 1j * np.asarray(frequency_hz) / peak.frequency_hz
        a = 10 ** (peak.gain_db / 40)
        total *= (s * s + s * (a / peak.q) + 1) / (s * s + s / (a * peak.q) + 1)
    return total


def high_pass_response(corner_hz: float, frequency_hz: Floats) -> Complexes:
    """Second-order Butterworth high-pass: a closed box below its resonance."""
    s = 1j * np.asarray(frequency_hz) / corner_hz
    return np.asarray(s * s / (s * s + np.sqrt(2) * s + 1))


def low_pass_response(corner_hz: float, frequency_hz: Floats) -> Complexes:
    """Second-order Butterworth low-pass: a diaphragm above its break-up."""
    s = 1j * np.asarray(frequency_hz) / corner_hz
    return np.asarray(1 / (s * s + np.sqrt(2) * s + 1))


def shelf_response(
    low: float | Floats, high: float | Floats, corner_hz: float | Floats, frequency_hz: Floats
) -> Complexes:
    """First-order change from the factor `low` to the factor `high` around `corner_hz`."""
    s = 1j * np.asarray(frequency_hz) / corner_hz
    return np.asarray((low + high * s) / (1 + s))


def coloured(path: Floats, peaks: Sequence[Peak], *, sample_rate_hz: float) -> Floats:
    """Impulse response `path` with `peaks` laid over it; same length.

    Parameters
    ----------
    path : ndarray, shape (n,)
        Impulse response.
    peaks : sequence of Peak
        Bumps and dips to apply.
    sample_rate_hz : float
        Sample rate in Hz.

    Returns
    -------
    ndarray, shape (n,)
    """
    start = int(np.flatnonzero(path)[0])  # stays silent until then: the prototypes are causal
    n = fft.next_fast_len(2 * path.size, real=True)
    frequency_hz = bin_frequencies(n, sample_rate_hz=sample_rate_hz)
    spectrum = fft.rfft(path, n) * peaks_response(peaks, frequency_hz)
    result = np.asarray(fft.irfft(spectrum, n)[: path.size], dtype=np.float64)
    result[:start] = 0.0
    return result
