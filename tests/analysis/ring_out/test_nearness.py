"""How near to howling: what a loop of known gain makes of noise is seen where it is."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from shaping.analysis.ring_out.nearness import (
    ERROR_DB,
    WEIGHTS,
    Heights,
    cell_edges,
    find_nearness,
    heights,
    levels,
    measures,
)
from tests.plan.plan_makers import ring

RATE = 16_000


def pole(frequency_hz: float, radius: float) -> np.ndarray:
    angle = 2 * np.pi * frequency_hz / RATE
    return np.array([[1.0, 0.0, 0.0, 1.0, -2 * radius * np.cos(angle), radius**2]])


@pytest.fixture(scope="module")
def noise() -> np.ndarray:
    return 0.01 * np.random.default_rng(5).standard_normal(12 * RATE)


def comb(noise: np.ndarray, margin_db: float, delay_s: float = 0.02) -> np.ndarray:
    """Noise in a loop that is nothing but a delay: every multiple of 50 Hz is in phase.

    Source: Nyquist 1932 (from memory): a loop of gain L answers 1 / (1 - L) times as loud.
    """
    delay = round(delay_s * RATE)
    gain = 10 ** (-margin_db / 20)
    feedback = np.zeros(delay + 1)
    feedback[0], feedback[delay] = 1.0, -gain
    return signal.lfilter([1.0], feedback, noise).astype(np.float32)


@pytest.mark.parametrize("margin_db", [4.0, 6.0, 9.0])
def test_noise_in_a_loop_stands_out_by_what_the_formula_says(noise, margin_db):
    """Oracle: 1 / (1 - L) over its own median from 450 to 550 Hz, in closed form."""
    seen = heights(comb(noise, margin_db), RATE)
    gain = 10 ** (-margin_db / 20)
    around_hz = np.linspace(400, 600, 2001)
    closed = -20 * np.log10(np.abs(1 - gain * np.exp(-2j * np.pi * around_hz * 0.02)))
    expected = closed.max() - np.median(closed)
    cell = np.abs(seen.frequency_hz / 500 - 1).argmin()
    assert seen.frequency_hz[cell] == pytest.approx(500, abs=1.5)
    assert seen.late_db[cell] == pytest.approx(expected, abs=2.0)


def test_nearer_is_higher_and_what_is_far_lies_low(noise):
    rings = [ring(3_000.0)]
    near, far = (find_nearness(comb(noise, margin_db), RATE, rings) for margin_db in (2.0, 8.0))
    cell = np.abs(near.frequency_hz / 500 - 1).argmin()
    assert near.level_db[cell] > far.level_db[cell] + 2.0
    assert np.all(near.error_db == ERROR_DB)


def test_a_sure_ring_is_at_the_howl_and_at_its_own_frequency(noise):
    found = find_nearness(noise.astype(np.float32), RATE, [ring(777.0)])
    cell = np.abs(found.frequency_hz / 777.0 - 1).argmin()
    assert found.frequency_hz[cell] == 777.0
    assert found.level_db[cell] >= 0.0
    assert np.median(found.level_db) < -12.0


def test_without_a_likely_ring_or_in_a_moment_there_is_no_level_to_count_from(noise):
    sound = noise.astype(np.float32)
    assert find_nearness(sound, RATE, []) is None
    assert find_nearness(sound, RATE, [ring(777.0, confidence=0.45)]) is None
    assert find_nearness(sound, RATE, [ring(777.0, confidence=0.55)]) is not None
    assert find_nearness(sound[: 2 * RATE], RATE, [ring(777.0)]) is None


def test_a_tone_that_stood_from_the_beginning_counts_less(noise):
    """A hum or a held note is in the early part too; a point near howling comes later."""
    time_s = np.arange(noise.size) / RATE
    tone = 0.001 * np.sin(2 * np.pi * 640 * time_s)
    held = heights((noise + tone).astype(np.float32), RATE)
    late = heights((noise + tone * (time_s > 5)).astype(np.float32), RATE)
    nothing = np.zeros_like(held.frequency_hz)
    cell = np.abs(held.frequency_hz / 640 - 1).argmin()
    held_db, late_db = (levels(seen, nothing, WEIGHTS)[cell] for seen in (held, late))
    assert late_db > held_db + 1.0


def test_a_howl_of_one_moment_counts_no_more_than_its_share(noise):
    loud = noise.copy()
    loud[-RATE // 4 :] += np.sin(2 * np.pi * 900 * np.arange(RATE // 4) / RATE)
    seen = heights(loud.astype(np.float32), RATE)
    assert seen.late_db[np.abs(seen.frequency_hz / 900 - 1).argmin()] < 4.0


def test_weights_say_the_same_as_the_measures_they_were_fitted_to(rng):
    cells = 60
    seen = Heights(np.geomspace(100, 1000, cells), *(rng.uniform(-3, 15, (3, cells))))
    confidence = rng.random(cells)
    w = WEIGHTS
    line = [w.base_db, w.late_root, w.region, w.early, w.early_root, w.ring]
    np.testing.assert_allclose(
        levels(seen, confidence, w), measures(seen, confidence) @ line, rtol=0, atol=1e-9
    )


def test_long_recordings_come_out_as_their_parts_would(noise):
    """Streaming by blocks: the same means as from one spectrogram over everything."""
    sound = np.tile(noise, 6).astype(np.float32)  # 72 s: two blocks
    one, six = heights(noise.astype(np.float32), RATE), heights(sound, RATE)
    assert one.frequency_hz.shape == six.frequency_hz.shape == (cell_edges(0.45 * RATE).size - 1,)
    assert np.median(np.abs(six.late_db)) < np.median(np.abs(one.late_db))


def test_harmonics_of_a_howl_are_no_points_of_the_loop(noise):
    """A clipped sine: odd harmonics stand out of the noise, and only the howl is near."""
    time_s = np.arange(noise.size) / RATE
    howl = 0.2 * np.clip(1.5 * np.sin(2 * np.pi * 700 * time_s), -1, 1) * (time_s > 6)
    sound = (noise * 0.01 + howl).astype(np.float32)
    plain = heights(sound, RATE)
    third = np.abs(plain.frequency_hz / 2100 - 1).argmin()
    seen = levels(plain, np.zeros_like(plain.late_db), WEIGHTS)
    assert seen[third] > -8.0  # it does stand out
    found = find_nearness(sound, RATE, [ring(700.0)])
    assert found.level_db[np.abs(found.frequency_hz / 700 - 1).argmin()] >= 0.0
    assert found.level_db[third] < seen[third] - 3.0
