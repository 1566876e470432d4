import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shaping.analysis.loudness import measure_loudness

RNG = np.random.default_rng(7)
NOISE = (
    np.repeat([0.2, 0.001, 0.05, 0.1], 6000)[:, None] * RNG.standard_normal((24_000, 2))
).astype(np.float32)


@pytest.mark.parametrize("rate_hz", [8_000, 11_025])
@given(cuts=st.lists(st.integers(0, 24_000), max_size=8))
def test_blocks_measure_as_the_whole_does(rate_hz, cuts):
    whole = measure_loudness([NOISE], rate_hz)
    parts = measure_loudness(np.split(NOISE, sorted(cuts)), rate_hz)
    assert parts.integrated_lufs == pytest.approx(whole.integrated_lufs, abs=1e-9)
    assert parts.peak == whole.peak == float(np.max(np.abs(NOISE)))


def test_blocks_that_end_with_a_gating_step_measure_as_the_whole_does():
    whole = measure_loudness([NOISE], 8_000)
    steps = measure_loudness(np.split(NOISE, range(800, 24_000, 800)), 8_000)
    assert steps.integrated_lufs == pytest.approx(whole.integrated_lufs, abs=1e-9)


def test_loudness_follows_gain():
    once = measure_loudness([NOISE], 8_000).integrated_lufs
    half = measure_loudness([NOISE * np.float32(0.5)], 8_000).integrated_lufs
    assert half - once == pytest.approx(20 * math.log10(0.5), abs=1e-4)


@pytest.mark.parametrize("blocks", [[], [NOISE[:0]], [NOISE[:3000]], [np.zeros_like(NOISE)]])
def test_nothing_to_hear_has_no_loudness(blocks):
    assert measure_loudness(blocks, 8_000).integrated_lufs == -math.inf
