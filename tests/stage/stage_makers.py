"""Stages for tests: paths that ring and decay, from nowhere but a seed."""

from __future__ import annotations

import numpy as np
from scipy import fft

RATE = 8_000


def diffuse_paths(
    mics: int, wedges: int, *, seed: int, t60_s: float = 0.25, delay_s: float = 0.006
) -> np.ndarray:
    """Return decaying noise, shape (mics, wedges, n), silent until `delay_s`."""
    rng = np.random.default_rng(seed)
    start, n = round(delay_s * RATE), round(1.2 * t60_s * RATE)
    time_s = np.arange(n) / RATE
    paths = np.zeros((mics, wedges, start + n))
    decay = 10 ** (-3 * time_s / t60_s)
    for m in range(mics):
        for w in range(wedges):
            own = start + int(rng.integers(0, start))
            tail = rng.standard_normal(start + n - own) * decay[: start + n - own]
            paths[m, w, own:] = tail / np.sqrt(np.sum(tail**2))
    return paths


def spectra(paths: np.ndarray, *, oversampling: int = 8) -> tuple[np.ndarray, np.ndarray]:
    """Return frequencies and responses, shape (n,) and (n, mics, wedges)."""
    size = fft.next_fast_len(oversampling * paths.shape[2], real=True)
    return fft.rfftfreq(size, 1 / RATE), np.moveaxis(fft.rfft(paths, size), 2, 0)
