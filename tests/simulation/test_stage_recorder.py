from __future__ import annotations

import numpy as np
import pytest

from shaping.simulation.recorder import recorded

RATE = 48_000


def test_fast_clock_lowers_every_frequency_by_its_share():
    ppm, tone_hz = 200.0, 9_000.0
    tone = np.sin(2 * np.pi * tone_hz * np.arange(3 * RATE) / RATE)
    capture = recorded(tone, sample_rate_hz=RATE, start_s=0.5, duration_s=2.0, clock_ppm=ppm)
    position = 0.5 * RATE + np.arange(2 * RATE) / (1 + ppm * 1e-6)
    expected = np.sin(2 * np.pi * tone_hz * position / RATE)
    np.testing.assert_allclose(capture, expected, atol=2e-3)


def test_same_clock_cuts_and_pads():
    sound = np.random.default_rng(1).standard_normal(RATE)
    capture = recorded(sound, sample_rate_hz=RATE, start_s=-0.25, duration_s=1.5, clock_ppm=0.0)
    assert capture.size == 1.5 * RATE
    np.testing.assert_allclose(capture[12_000:60_000], sound, atol=1e-9)
    assert np.abs(capture[:11_900]).max() == pytest.approx(0.0, abs=1e-12)
