from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

from shaping.errors import ParameterError
from shaping.filters.cookbook import peaking
from shaping.simulation.closed_loop import (
    ADC_STEP,
    ClosedLoop,
    DelayedConvolver,
    EqChange,
    Stage,
    converted,
    limited,
    measure,
    room_noise,
    run,
)

RATE = 8_000


def small_stage(delay: int = 37, taps: int = 900) -> Stage:
    rng = np.random.default_rng(5)
    path = np.zeros(delay + taps)
    path[delay:] = 0.2 * rng.standard_normal(taps) * np.exp(-np.arange(taps) / 150)
    return Stage(RATE, path, wedge_limit=0.5, noise_dbfs=-60.0)


def sample_by_sample(stage, programme, gain, eq):
    """The loop as its definition reads, one sample at a time."""
    sounded = np.zeros(programme.size)
    heard = np.zeros(programme.size)
    state = None
    sos = np.zeros((0, 6))
    for n in range(programme.size):
        for change in eq:
            if n == round(change.start_s * RATE):
                sos = change.sos
                state = np.zeros((sos.shape[0], 2)) if state is None else state
        past = sounded[max(0, n - stage.path.size + 1) : n + 1][::-1]
        heard[n] = converted(programme[n] + past @ stage.path[: past.size])
        send = np.array([gain[n] * heard[n]])
        if state is not None:
            send, state = signal.sosfilt(sos, send, zi=state)
        sounded[n] = limited(send, stage.wedge_limit)[0]
    return heard


def test_blocks_give_what_single_samples_give():
    stage = small_stage()
    rng = np.random.default_rng(6)
    programme = 0.05 * rng.standard_normal(2_000)
    gain_db = np.linspace(-6.0, 8.0, programme.size)
    first = peaking(500.0, -6.0, 4.0, sample_rate_hz=RATE)
    second = peaking(1_500.0, -9.0, 4.0, sample_rate_hz=RATE)
    size = ClosedLoop(stage).block
    eq = (EqChange(0.0, first), EqChange(20 * size / RATE, second))
    entering = programme + room_noise(stage, programme.size, seed=3)
    expected = sample_by_sample(stage, entering, 10 ** (gain_db / 20), eq)
    heard = run(stage, programme, gain_db=gain_db, eq=eq, seed=3)
    assert np.abs(heard).max() > 0.3  # the limiter took part
    np.testing.assert_allclose(heard, expected, rtol=0, atol=2 * ADC_STEP)


@pytest.mark.parametrize(("delay", "taps"), [(1, 5), (5, 95), (144, 20_000), (1500, 40_000)])
def test_streaming_convolution_is_convolution(delay, taps):
    rng = np.random.default_rng(7)
    path = np.concatenate([np.zeros(delay), rng.standard_normal(taps)])
    convolver = DelayedConvolver(path)
    blocks = rng.standard_normal((100, convolver.block))
    heard = []
    for block in blocks:
        heard.append(convolver.arriving().copy())
        convolver.push(block)
    expected = np.convolve(blocks.ravel(), path)[: blocks.size]
    scale = np.abs(expected).max()
    np.testing.assert_allclose(np.concatenate(heard) / scale, expected / scale, atol=1e-12)


def test_a_path_without_delay_is_refused():
    with pytest.raises(ParameterError, match="delay"):
        DelayedConvolver(np.array([1.0, 0.5]))


def test_converter_clips_and_rounds_to_24_bits():
    samples = converted(np.array([-3.0, 0.3, 2.0]))
    assert samples[0] == -1.0
    assert samples[2] == 1.0 - ADC_STEP
    assert samples[1] / ADC_STEP == round(samples[1] / ADC_STEP)


def test_limiter_leaves_quiet_sound_alone_and_holds_loud_sound():
    assert limited(np.array([0.05]), 0.5)[0] == pytest.approx(0.05, rel=1e-6)
    assert np.abs(limited(np.array([-50.0, 50.0]), 0.5)).max() <= 0.5


def test_nothing_is_fed_back_while_measuring():
    stage = replace(small_stage(), wedge_limit=100.0, noise_dbfs=-400.0)
    click = np.zeros(1_500)
    click[0] = 0.1
    heard = measure(stage, click)
    np.testing.assert_allclose(heard[: stage.path.size], 0.1 * stage.path, atol=ADC_STEP)
    assert not heard[stage.path.size :].any()


def test_room_noise_has_its_level_and_follows_its_seed():
    stage = small_stage()
    noise = room_noise(stage, 40_000, seed=1)
    assert 20 * np.log10(noise.std()) == pytest.approx(-60.0, abs=0.5)
    np.testing.assert_array_equal(noise, room_noise(stage, 40_000, seed=1))
    assert not np.array_equal(noise, room_noise(stage, 40_000, seed=2))
