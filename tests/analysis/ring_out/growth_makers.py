"""Rises and falls that the tests of rings are made with."""

from __future__ import annotations

from typing import Any

from shaping.analysis.ring_out.slopes import Growth


def growth(frequency_hz: float = 1000.0, **facts: Any) -> Growth:
    """A plain howl: 40 dB in one second, straight, steady, alone, the loudest of all."""
    plain: dict[str, Any] = {
        "frequency_error_hz": 0.05,
        "wander_hz": 0.05,
        "start_s": 2.0,
        "stop_s": 3.0,
        "slope_db_per_s": 40.0,
        "deviation_db": 0.3,
        "steepest_db_per_s": 45.0,
        "contrast_db": 40.0,
        "contrast_before_db": 0.0,
        "held_db": 0.0,
        "family": 0,
        "undertones": 0,
        "partials": 0,
        "overtones": 0,
        "stood_until_s": 4.0,
        "peak_db": -20.0,
        "share_db": 0.0,
    }
    return Growth(frequency_hz, **(plain | facts))
