"""Alignment and resampling against signals that are known exactly between their samples."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from shaping.analysis.loop.alignment import align
from shaping.analysis.loop.resampling import resample_uniform
from shaping.errors import CaptureError, ParameterError
from tests.analysis.loop.loop_makers import RATE, diffuse_path, pink_noise


@pytest.mark.parametrize(("start", "step"), [(10.3, 1.000123), (0.0, 441 / 480), (5.5, 2.7)])
def test_resampling_meets_a_tone_between_its_samples(start: float, step: float) -> None:
    turn = 2 * np.pi * 0.11
    tone = np.sin(turn * np.arange(60_000)).astype(np.float32)
    count = int(50_000 / step)
    got = resample_uniform(tone, start=start, step=step, count=count)
    want = np.sin(turn * (start + step * np.arange(count)))
    inner = slice(3000, count - 3000)
    assert np.abs(got[inner] - want[inner]).max() < 2e-4


def test_resampling_is_zero_outside_the_signal() -> None:
    got = resample_uniform(np.ones(100), start=-50.0, step=1.0, count=300)
    assert not got[:50].any()
    assert not got[150:].any()
    assert np.all(got[50:150] == 1)


def test_resampling_refuses_a_step_that_is_not_positive() -> None:
    with pytest.raises(ParameterError, match="step=0"):
        resample_uniform(np.ones(10), start=0.0, step=0.0, count=5)


@pytest.mark.parametrize(
    ("offset_s", "ppm", "capture_s", "snr_db", "rate"),
    [
        (1.2345, 0.0, 16.0, 20.0, 48_000),
        (3.33, 200.0, 18.0, 6.0, 48_000),  # late start, fast recorder
        (-4.1, -200.0, 7.0, 20.0, 48_000),  # recorder started after the player, and stops first
        (0.5, 60.0, 14.0, 20.0, 44_100),  # another rate
    ],
)
def test_alignment_finds_offset_and_clock(
    offset_s: float, ppm: float, capture_s: float, snr_db: float, rate: int
) -> None:
    rng = np.random.default_rng(1)
    reference = pink_noise(12, rng)
    path = np.zeros(4000)
    path[0] = 1.0
    path[1:] += rng.standard_normal(3999) * 0.02 * np.exp(-np.arange(3999) / 900)
    heard = signal.oaconvolve(reference, path)[: reference.size].astype(np.float32)
    ratio = 1 + ppm * 1e-6
    capture = resample_uniform(
        heard,
        start=-offset_s * RATE / ratio,
        step=RATE / rate / ratio,
        count=int(capture_s * rate),
    )
    capture += rng.standard_normal(capture.size) * capture.std() * 10 ** (-snr_db / 20)
    found = align(
        capture.astype(np.float32), reference, capture_rate_hz=rate, reference_rate_hz=RATE
    )
    assert found.clock_ppm == pytest.approx(ppm, abs=0.3)
    assert found.offset_s * RATE == pytest.approx(offset_s * RATE, abs=0.5)  # below one sample


def test_alignment_refuses_another_noise() -> None:
    rng = np.random.default_rng(2)
    with pytest.raises(CaptureError, match="not to be found"):
        align(
            pink_noise(10, rng), pink_noise(10, rng), capture_rate_hz=RATE, reference_rate_hz=RATE
        )


def test_alignment_refuses_a_capture_that_is_too_short() -> None:
    noise = pink_noise(1, np.random.default_rng(3))
    with pytest.raises(CaptureError, match="at least 2 s"):
        align(noise, noise, capture_rate_hz=RATE, reference_rate_hz=RATE)


def test_a_diffuse_path_does_not_hide_the_reference() -> None:
    rng = np.random.default_rng(4)
    reference = pink_noise(10, rng)
    heard = signal.oaconvolve(reference, diffuse_path(rng, direct=0.0)).astype(np.float32)
    found = align(heard, reference, capture_rate_hz=RATE, reference_rate_hz=RATE)
    assert abs(found.clock_ppm) < 0.3
    assert found.agreeing > 0.9
