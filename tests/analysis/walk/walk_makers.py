"""Walks made for tests: a path that fades into another while noise plays."""

from __future__ import annotations

import numpy as np
from scipy import signal

from shaping.capture.signals import pink_noise

RATE_HZ = 24_000


def path(seed: int, *, decay_s: float = 0.03) -> np.ndarray:
    """Return a direct sound and a room behind it."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(round(0.15 * RATE_HZ)) / RATE_HZ
    room = 0.05 * rng.standard_normal(time_s.size) * np.exp(-time_s / decay_s)
    room[0] = 0.5
    return np.concatenate([np.zeros(200), room])


def stable_db(impulse: np.ndarray) -> float:
    """Return the send that a path allows, worst case over phase, from 100 Hz to 10 kHz."""
    hz, response = signal.freqz(impulse, worN=32_768, fs=RATE_HZ)
    return float(-20 * np.log10(np.abs(response[(hz > 100) & (hz < 10_000)]).max()))


def walk_of(
    first: np.ndarray, second: np.ndarray, *, seconds: float = 9.0, noise: float = 1e-4
) -> tuple[np.ndarray, np.ndarray]:
    """Return capture and reference of a walk from one path to another."""
    played = pink_noise(seconds, sample_rate_hz=RATE_HZ, level_dbfs=-26.0, seed=4, high_hz=10_500.0)
    size = played.size + RATE_HZ // 2
    share = np.clip(np.linspace(-1.0, 2.0, size), 0.0, 1.0)
    sent = np.append(played, np.zeros(RATE_HZ // 2))
    ways = [signal.oaconvolve(sent, one)[:size] for one in (first, second)]
    heard = (1 - share) * ways[0] + share * ways[1]
    heard += noise * np.random.default_rng(8).standard_normal(size)
    return np.append(np.zeros(3000), heard).astype(np.float32), played.astype(np.float32)
