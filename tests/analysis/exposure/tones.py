"""Recordings with known levels, for tests of exposure."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile as sf

RATE_HZ = 48_000


def tone(
    seconds: float = 6.0, *, frequency_hz: float = 1000.0, amplitude: float = 0.05
) -> np.ndarray:
    """Return a sine with a little noise, as a calibrator gives it."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    noise = np.random.default_rng(3).standard_normal(time_s.size)
    return amplitude * np.sin(2 * np.pi * frequency_hz * time_s) + 1e-5 * noise


def saved(path: Path, sound: np.ndarray, *, subtype: str = "PCM_24", rate_hz: int = RATE_HZ) -> str:
    """Write a sound and return its path."""
    sf.write(path, sound, rate_hz, subtype=subtype)
    return str(path)
