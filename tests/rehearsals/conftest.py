"""Recordings planted with howls."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

RATE = 48_000


def _planted_howl(
    *,
    frequency_hz: float = 2_517.0,
    growth_db_per_s: float = 60.0,
    start_s: float = 4.0,
    hold_s: float = 1.0,
    peak: float = 0.3,
    total_s: float = 10.0,
    rate: int = RATE,
) -> np.ndarray:
    """A howl as theory has it: a straight line in dB, a plateau, a fall; over a noisy programme."""
    rng = np.random.default_rng(5)
    t = np.arange(round(total_s * rate)) / rate
    level_db = np.minimum(growth_db_per_s * (t - start_s), 60.0) - 60.0
    level_db[t < start_s] = -200.0
    end_s = start_s + 60.0 / growth_db_per_s + hold_s
    level_db[t > end_s] = -150.0 * (t[t > end_s] - end_s)
    tone = peak * 10 ** (level_db / 20) * np.sin(2 * np.pi * frequency_hz * t)
    noise = 0.01 * np.convolve(rng.standard_normal(t.size), np.ones(8) / 8, "same")
    return (tone + noise).astype(np.float32)


@pytest.fixture
def planted_howl() -> Callable[..., np.ndarray]:
    return _planted_howl
