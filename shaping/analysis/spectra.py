"""Spectra of captures: short-time and averaged power, and peaks between the bins.

Conventions: windows are periodic Hann; levels are in dB relative to a full-scale sine
(a sine of amplitude 1 reads 0 dB at its own bin), never a sound pressure level; a frame's time is
that of its centre.

References
----------
.. [1] F. J. Harris, "On the use of windows for harmonic analysis with the discrete Fourier
   transform", Proc. IEEE 66(1), 51-83, 1978: the Hann window, its main lobe and scalloping.
.. [2] J. O. Smith, "Spectral Audio Signal Processing": quadratic interpolation of spectral peaks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from shaping.errors import ParameterError

FLOOR_DB = -200.0
"""Lowest level shown; digital silence reads this."""

_BLOCK_FRAMES = 256  # to bound the memory; small enough for the caches


@dataclass(frozen=True, eq=False)
class Spectrogram:
    """Short-time power of a capture.

    Attributes
    ----------
    time_s : ndarray of float64, shape (frames,)
        Centre of each frame in seconds.
    frequency_hz : ndarray of float64, shape (bins,)
        Frequency of each bin in Hz, evenly spaced.
    power_db : ndarray of float32, shape (frames, bins)
        Power in dB relative to a full-scale sine.
    """

    time_s: NDArray[np.float64]
    frequency_hz: NDArray[np.float64]
    power_db: NDArray[np.float32]

    @property
    def hop_s(self) -> float:
        """Time between frames in seconds (0.0 for a single frame)."""
        return float(self.time_s[1] - self.time_s[0]) if self.time_s.size > 1 else 0.0

    @property
    def bin_hz(self) -> float:
        """Distance between bins in Hz."""
        return float(self.frequency_hz[1] - self.frequency_hz[0])

    def reversed(self, duration_s: float) -> Spectrogram:
        """Return the spectrogram of the same capture, of this duration, played backwards."""
        return Spectrogram((duration_s - self.time_s)[::-1], self.frequency_hz, self.power_db[::-1])


def power_spectrogram(
    samples: NDArray[np.float32],
    sample_rate_hz: float,
    *,
    window_s: float = 0.085,
    hop_s: float = 0.015,
    max_frequency_hz: float = 12_500.0,
    zero_padding: int = 1,
) -> Spectrogram:
    """Compute short-time Hann power spectra.

    The FFT runs over a few hundred frames at a time, so that memory is little more than the
    result's own.

    Parameters
    ----------
    samples : ndarray of float32, shape (n,)
        One channel, full scale +-1.
    sample_rate_hz : float
        Sample rate in Hz.
    window_s, hop_s : float
        Window length and hop in seconds. The window is rounded up to a fast FFT length, the hop
        to a whole sample.
    max_frequency_hz : float
        Bins above this (or above half the sample rate) are left out.
    zero_padding : int
        FFT length over window length.

    Returns
    -------
    Spectrogram
        ``frames = 1 + (n - window) // hop``; a capture shorter than one window is padded with
        zeros to one frame.

    Raises
    ------
    ParameterError
        If a length, rate or `zero_padding` is not positive.
    """
    if min(sample_rate_hz, window_s, hop_s, max_frequency_hz, zero_padding) <= 0:
        raise ParameterError(
            f"sample_rate_hz={sample_rate_hz}, window_s={window_s}, hop_s={hop_s}, "
            f"max_frequency_hz={max_frequency_hz} and zero_padding={zero_padding} must be positive"
        )
    length = fft.next_fast_len(max(round(window_s * sample_rate_hz), 16), real=True)
    hop = max(round(hop_s * sample_rate_hz), 1)
    if samples.size < length:
        samples = np.pad(samples, (0, length - samples.size))
    fft_length = length * zero_padding
    bins = min(int(max_frequency_hz * fft_length / sample_rate_hz) + 1, fft_length // 2 + 1)
    window = signal.windows.hann(length, sym=False).astype(np.float32)
    window *= 2.0 / window.sum()
    frames = np.lib.stride_tricks.sliding_window_view(samples, length)[::hop]
    power_db = np.empty((frames.shape[0], bins), np.float32)
    for start in range(0, frames.shape[0], _BLOCK_FRAMES):
        spectrum = fft.rfft(frames[start : start + _BLOCK_FRAMES] * window, fft_length, axis=1)
        part = spectrum[:, :bins]
        power_db[start : start + _BLOCK_FRAMES] = decibels(part.real**2 + part.imag**2)
    return Spectrogram(
        time_s=(np.arange(frames.shape[0]) * hop + length / 2) / sample_rate_hz,
        frequency_hz=np.arange(bins) * (sample_rate_hz / fft_length),
        power_db=power_db,
    )


def decibels(power: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return ``10 log10`` of a power, no lower than `FLOOR_DB`."""
    floor = np.float32(10 ** (FLOOR_DB / 10))
    return np.asarray(np.float32(10.0) * np.log10(np.maximum(power, floor)), np.float32)


def interpolate_peak(
    left_db: NDArray[np.floating], peak_db: NDArray[np.floating], right_db: NDArray[np.floating]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Find the top of a parabola through a peak's bin and its two neighbours.

    Parameters
    ----------
    left_db, peak_db, right_db : ndarray, one shape
        Levels in dB; `peak_db` is no lower than its neighbours.

    Returns
    -------
    offset_bins : ndarray
        Where the top lies from the peak's bin, within +-0.5.
    level_db : ndarray
        Level of the top.

    Notes
    -----
    On a Hann spectrum without zero padding a pure tone is misplaced by at most 0.016 bin; with a
    zero padding of 2, 0.002 bin [2]_.
    """
    left, peak, right = (np.asarray(a, np.float64) for a in (left_db, peak_db, right_db))
    curvature = np.minimum(left - 2 * peak + right, -1e-9)
    offset = np.clip(0.5 * (left - right) / curvature, -0.5, 0.5)
    return offset, peak - 0.25 * (left - right) * offset


def hann_scalloping_db(offset_bins: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how much lower than its true level a tone reads this far from a bin's centre.

    `offset_bins` counts bins of the unpadded Hann spectrum and lies within +-1.

    >>> round(float(hann_scalloping_db(np.array(0.5))), 2)  # Harris 1978, table 1: 1.42 dB
    1.42
    """
    offset = np.asarray(offset_bins, np.float64)
    gain = np.sinc(offset) / np.where(np.abs(offset) == 1, np.inf, 1 - offset**2)
    gain = np.where(np.abs(offset) == 1, 0.5, gain)
    return np.asarray(-20 * np.log10(np.abs(gain)), np.float64)


def welch_power(
    samples: NDArray[np.float32], sample_rate_hz: int, *, window_s: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Average Hann power spectra at 50 % overlap (Welch's method).

    Returns
    -------
    frequency_hz : ndarray of float64, shape (bins,)
        Frequencies in Hz.
    density : ndarray of float64, shape (bins,)
        One-sided power density in full-scale squared per Hz.
    averages : float
        Number of independent averages: the density's relative standard deviation is
        ``1 / sqrt(averages)``. Neighbouring Hann segments share 1/36 of their power's variance
        at 50 % overlap (P. D. Welch, 1967).

    Notes
    -----
    `scipy.signal.welch` gives the same to 2e-7, but holds every segment's spectrum at once: for
    600 s it takes 660 MB and five times as long.
    """
    length = min(
        fft.next_fast_len(max(round(window_s * sample_rate_hz), 16), real=True), samples.size
    )
    window = signal.windows.hann(length, sym=False).astype(np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(samples, length)[:: max(length // 2, 1)]
    total = np.zeros(length // 2 + 1)
    for start in range(0, frames.shape[0], _BLOCK_FRAMES):
        spectrum = fft.rfft(frames[start : start + _BLOCK_FRAMES] * window, axis=1)
        total += np.sum(spectrum.real**2 + spectrum.imag**2, axis=0, dtype=np.float64)
    density = 2 * total / (frames.shape[0] * sample_rate_hz * float(np.sum(window**2)))
    density[0] /= 2
    if length % 2 == 0:
        density[-1] /= 2
    count = frames.shape[0]
    averages = count / (1 + 2 * (1 - 1 / count) / 36)
    return fft.rfftfreq(length, 1 / sample_rate_hz), density, averages
