"""Resonances against resonators of known Q, and against noise that has none."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.analysis.noise.resonances import find_resonances
from shaping.errors import CaptureError
from tests.analysis.loop.loop_makers import RATE, bell_resonator, pink_noise

HEIGHT_DB = 9.0


def _at(q: float, centre_hz: float, seconds: float, rng: np.random.Generator) -> list:
    height = 10 ** (HEIGHT_DB / 10) - 1
    noise = pink_noise(seconds + 2, rng)
    heard = bell_resonator(noise, centre_hz, q, height)[2 * RATE :]
    reach = 0.3 / q + 0.01
    return [
        one
        for one in find_resonances(heard, RATE)
        if abs(np.log2(one.frequency_hz / centre_hz)) < reach
    ]


@pytest.mark.parametrize("centre_hz", [200.0, 5000.0])
@pytest.mark.parametrize("q", [2.0, 5.0, 10.0, 30.0, 100.0])
def test_q_and_prominence_are_not_biased(q: float, centre_hz: float) -> None:
    rng = np.random.default_rng([int(q), int(centre_hz)])
    found = [one for _ in range(3) for one in _at(q, centre_hz, 20, rng)[:1]]
    assert len(found) == 3
    claimed = np.mean([one.q_error for one in found])
    mean_q = np.mean([one.q for one in found])
    # The mean of three, by its own error, and 5 % for what the trend takes.
    assert abs(mean_q - q) < 3 * claimed / np.sqrt(3) + 0.05 * q
    prominence = np.mean([one.prominence_db for one in found])
    assert (
        abs(prominence - HEIGHT_DB)
        < 3 * np.mean([one.error_db for one in found]) / np.sqrt(3) + 0.2
    )


def test_noise_of_five_seconds_shows_no_resonance() -> None:
    rng = np.random.default_rng(20)
    alarms = sum(bool(find_resonances(pink_noise(5, rng), RATE)) for _ in range(15))
    assert alarms <= 1


def test_a_resonance_is_found_between_silences() -> None:
    rng = np.random.default_rng(21)
    heard = bell_resonator(pink_noise(12, rng), 800.0, 12.0, 9.0)
    silence = np.zeros(3 * RATE)
    found = find_resonances(np.concatenate([silence, heard, silence]), RATE)
    assert len(found) == 1
    assert found[0].frequency_hz == pytest.approx(800, rel=0.01)


def test_most_prominent_comes_first() -> None:
    rng = np.random.default_rng(22)
    heard = pink_noise(20, rng)
    for centre_hz, height in ((300.0, 2.0), (1500.0, 15.0), (6000.0, 5.0)):
        heard = bell_resonator(heard, centre_hz, 10.0, height)
    found = find_resonances(heard, RATE)
    assert [round(one.frequency_hz, -2) for one in found[:3]] == [1500, 6000, 300]


def test_too_short_a_capture_is_refused() -> None:
    with pytest.raises(CaptureError, match="too short"):
        find_resonances(pink_noise(2, np.random.default_rng(23)), RATE)
