"""Stable gain against loops whose answer is known in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.analysis.findings import LoopResponse
from shaping.analysis.loop.stability import in_phase_interval, stable_gain, worst_of
from shaping.errors import CaptureError


def _loop(level_db: np.ndarray, frequency_hz: np.ndarray, delay_s: float) -> LoopResponse:
    nothing = np.zeros(frequency_hz.size)
    return LoopResponse(
        frequency_hz=frequency_hz,
        response=10 ** (level_db / 20) + 0j,
        coherence=nothing + 1,
        error_db=nothing + 0.1,
        variance=2 * (10 ** (level_db / 20) * 0.1 / 8.686) ** 2,
        excited=frequency_hz > 100,
        trusted=frequency_hz > 100,
        delay_s=delay_s,
        clock_ppm=0.0,
        coherence_median=1.0,
    )


FREQUENCY_HZ = np.arange(0, 10_000, 0.5)


def _hump(centre_hz: float, height_db: float, width_hz: float = 20.0) -> np.ndarray:
    return height_db / (1 + ((FREQUENCY_HZ - centre_hz) / width_hz) ** 2)


def test_worst_case_is_the_highest_point_and_critical_frequencies_are_its_peaks() -> None:
    level = -30 + _hump(1003.0, 12) + _hump(2500.0, 9) + _hump(400.0, 5)
    gain = stable_gain(_loop(level, FREQUENCY_HZ, 0.01))
    assert gain.worst_case_db == pytest.approx(30 - 12, abs=0.02)
    assert [round(c.frequency_hz) for c in gain.critical[:3]] == [1003, 2500, 400]
    assert [c.gain_db for c in gain.critical] == sorted(c.gain_db for c in gain.critical)


def test_in_phase_counts_only_multiples_of_a_full_turn() -> None:
    # With 10 ms of pure delay the loop is in phase at multiples of 100 Hz.
    level = -30 + _hump(1050.0, 12) + _hump(2500.0, 9)
    loop = _loop(level, FREQUENCY_HZ, 0.01)
    assert stable_gain(loop).worst_case_db == pytest.approx(18, abs=0.05)
    least_db, most_db = in_phase_interval(loop, same_start=True)
    assert least_db == most_db == pytest.approx(21, abs=0.05)  # 1050 Hz is half a turn off


def test_an_early_start_is_not_taken_for_the_delay_of_the_loop() -> None:
    level = -30 + _hump(1050.0, 12) + _hump(2500.0, 9)
    loop = _loop(level, FREQUENCY_HZ, 0.01)
    least_db, most_db = in_phase_interval(loop)
    known_db, _ = in_phase_interval(loop, same_start=True)
    assert stable_gain(loop).worst_case_db - 0.01 <= least_db <= known_db <= most_db
    assert most_db - least_db > 0.5


def test_untrusted_frequencies_do_not_count() -> None:
    gain = stable_gain(_loop(-30 + _hump(50.0, 20) + _hump(900.0, 6), FREQUENCY_HZ, 0.01))
    assert gain.worst_case_db == pytest.approx(24, abs=0.1)
    blind = _loop(-30 + 0 * FREQUENCY_HZ, FREQUENCY_HZ * 0.005, 0.01)
    with pytest.raises(CaptureError, match="No frequency"):
        stable_gain(blind)


def test_an_equaliser_moves_the_stable_gain() -> None:
    loop = _loop(-30 + _hump(1000.0, 12), FREQUENCY_HZ, 0.01)
    half = np.full(FREQUENCY_HZ.size, 0.5 + 0j)
    moved = stable_gain(loop, half).worst_case_db - stable_gain(loop).worst_case_db
    assert moved == pytest.approx(6.02, abs=0.01)


def test_the_worst_of_several_captures_counts() -> None:
    first = stable_gain(_loop(-30 + _hump(1000.0, 12), FREQUENCY_HZ, 0.01))
    second = stable_gain(_loop(-30 + _hump(2000.0, 15), FREQUENCY_HZ, 0.01))
    worst = worst_of([first, second])
    assert worst.worst_case_db == pytest.approx(30 - 15, abs=0.02)
    assert [round(c.frequency_hz) for c in worst.critical[:2]] == [2000, 1000]
