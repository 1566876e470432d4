"""Noise, paths and recordings for the tests of the quiet ring-out: simple and seeded."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

RATE = 48_000
Floats = NDArray[np.float64]


def pink_noise(
    seconds: float, rng: np.random.Generator, *, rate: int = RATE
) -> NDArray[np.float32]:
    """Return pink noise from 40 Hz to 18 kHz."""
    count = round(seconds * rate)
    frequency_hz = fft.rfftfreq(count, 1 / rate)
    weight = np.zeros_like(frequency_hz)
    band = (frequency_hz > 40) & (frequency_hz < min(18_000, 0.43 * rate))
    weight[band] = 1 / np.sqrt(frequency_hz[band])
    noise = fft.irfft(fft.rfft(rng.standard_normal(count)) * weight, count)
    return (0.1 * noise / noise.std()).astype(np.float32)


def diffuse_path(
    rng: np.random.Generator, *, t60_s: float = 0.4, direct: float = 0.5, rate: int = RATE
) -> Floats:
    """Return a direct sound 10 ms late and a decaying diffuse tail of unit energy."""
    count = round(1.2 * t60_s * rate)
    tail = rng.standard_normal(count) * np.exp(-6.91 * np.arange(count) / (t60_s * rate))
    tail /= np.sqrt(np.sum(tail**2))
    tail[0] += direct
    return np.concatenate([np.zeros(rate // 100), 0.05 * tail])


def recorded(
    reference: NDArray[np.float32],
    path: Floats,
    rng: np.random.Generator,
    *,
    snr_db: float = 20.0,
) -> NDArray[np.float32]:
    """Return what a mic hears of the reference, with white noise at so many dB under it."""
    heard = signal.oaconvolve(reference, path)
    heard += rng.standard_normal(heard.size) * heard.std() * 10 ** (-snr_db / 20)
    return heard.astype(np.float32)


def bell_resonator(samples: Floats, centre_hz: float, q: float, height: float) -> Floats:
    """Filter with power response ``1 + height / (1 + u^2)``, u of a resonator of this Q."""
    turn = 2 * np.pi * centre_hz / RATE
    # Width kept against the bilinear transform, so that Q is that of the analogue resonator.
    octaves = 2 / np.log(2) * np.arcsinh(1 / (2 * q))
    alpha = np.sin(turn) * np.sinh(np.log(2) / 2 * octaves * turn / np.sin(turn))
    boost = np.sqrt(1 + height)
    numerator = [1 + alpha * boost, -2 * np.cos(turn), 1 - alpha * boost]
    denominator = [1 + alpha, -2 * np.cos(turn), 1 - alpha]
    return np.asarray(signal.lfilter(numerator, denominator, samples))


def true_response(
    path: Floats, frequency_hz: Floats, *, rate: int = RATE
) -> NDArray[np.complex128]:
    """Return the response of a path at any frequencies, from a long transform."""
    size = 2**19
    response = fft.rfft(path, size)
    at = np.rint(frequency_hz * size / rate).astype(int)
    return np.asarray(response[at])
