import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shaping.errors import ParameterError
from shaping.filters import cookbook
from shaping.filters.apply import apply_sos, initial_state
from shaping.filters.butterworth import high_pass_cascade
from shaping.filters.response import frequency_response


def chain():
    return np.concatenate(
        [
            high_pass_cascade(120.0, 3, sample_rate_hz=48_000),
            cookbook.peaking(2500.0, -9.0, 8.0, sample_rate_hz=48_000),
        ]
    )


@given(st.lists(st.integers(0, 40_000), max_size=6), st.sampled_from([None, 2]))
def test_blocks_give_what_the_whole_gives(cuts, channels):
    shape = (40_000,) if channels is None else (40_000, channels)
    noise = np.random.default_rng(1).standard_normal(shape).astype(np.float32)
    whole, _ = apply_sos(chain(), noise, initial_state(chain(), channels=channels))
    state = initial_state(chain(), channels=channels)
    parts = []
    for block in np.split(noise, sorted(cuts)):
        filtered, state = apply_sos(chain(), block, state)
        assert filtered.dtype == np.float32
        assert state.dtype == np.float64
        parts.append(filtered)
    np.testing.assert_array_equal(np.concatenate(parts), whole)


def test_impulse_response_has_the_stated_frequency_response():
    impulse = np.zeros(1 << 15)
    impulse[0] = 1.0
    filtered, _ = apply_sos(chain(), impulse, initial_state(chain()))
    grid_hz = np.fft.rfftfreq(impulse.size, 1 / 48_000)
    expected = frequency_response(chain(), grid_hz, sample_rate_hz=48_000)
    np.testing.assert_allclose(np.fft.rfft(filtered), expected, atol=1e-9)


def test_arguments_are_left_alone():
    block = np.random.default_rng(2).standard_normal(500)
    before = block.copy()
    state = initial_state(chain())
    _, later = apply_sos(chain(), block, state)
    np.testing.assert_array_equal(block, before)
    assert not state.any()
    assert later.any()


def test_no_filters_pass_a_copy():
    wire = np.empty((0, 6))
    block = np.arange(4.0)
    filtered, state = apply_sos(wire, block, initial_state(wire))
    np.testing.assert_array_equal(filtered, block)
    assert filtered is not block
    assert state.shape == (0, 2)


def test_a_fading_tail_ends_in_zeros_not_denormals():
    impulse = np.zeros(400_000)
    impulse[0] = 1.0
    bell = cookbook.peaking(2500.0, -9.0, 1.0, sample_rate_hz=48_000)
    filtered, state = apply_sos(bell, impulse, initial_state(bell))
    assert not state.any()
    assert not filtered[40_000:].any()
    denormal = (filtered != 0) & (np.abs(filtered) < np.finfo(np.float64).tiny)
    assert denormal.sum() < 16_384


def test_a_state_that_does_not_fit_is_refused():
    with pytest.raises(ParameterError, match="does not fit"):
        apply_sos(chain(), np.zeros((8, 2)), initial_state(chain()))
