import numpy as np
import pytest

from shaping.errors import ParameterError
from shaping.filters import cookbook
from shaping.filters.butterworth import high_pass_cascade, low_pass_cascade
from shaping.filters.response import frequency_response, group_delay_s, magnitude_db


def test_response_keeps_its_digits_near_zero_and_nyquist():
    # |H| = W^n / sqrt(1 + W^2n) with W the ratio of the tangents of half the angles.
    frequency_hz = np.array([1e-3, 1e-2, 0.1, 1.0])
    sos = high_pass_cascade(100.0, 2, sample_rate_hz=48_000)
    w = np.tan(np.pi * frequency_hz / 48_000) / np.tan(np.pi * 100 / 48_000)
    expected = w**2 / np.sqrt(1 + w**4)
    response = frequency_response(sos, frequency_hz, sample_rate_hz=48_000)
    np.testing.assert_allclose(np.abs(response), expected, rtol=1e-9)

    mirrored_hz = 24_000 - frequency_hz
    sos = low_pass_cascade(23_900.0, 2, sample_rate_hz=48_000)
    response = frequency_response(sos, mirrored_hz, sample_rate_hz=48_000)
    np.testing.assert_allclose(np.abs(response), expected, rtol=1e-8)


def test_response_is_exactly_one_or_nothing_where_it_should_be():
    notch = cookbook.notch(6000.0, 3.0, sample_rate_hz=48_000)
    high_pass = high_pass_cascade(80.0, 5, sample_rate_hz=48_000)
    assert frequency_response(notch, 0.0, sample_rate_hz=48_000) == pytest.approx(1, abs=1e-14)
    assert abs(frequency_response(high_pass, 0.0, sample_rate_hz=48_000)) == 0
    assert abs(frequency_response(high_pass, 24_000.0, sample_rate_hz=48_000)) == pytest.approx(1)
    assert magnitude_db(high_pass, 0.0, sample_rate_hz=48_000) == pytest.approx(-300)


def test_group_delay_is_the_slope_of_the_phase():
    sos = np.concatenate(
        [
            cookbook.peaking(2500.0, -9.0, 4.0, sample_rate_hz=48_000),
            cookbook.all_pass(900.0, 2.0, sample_rate_hz=48_000),
            low_pass_cascade(9000.0, 3, sample_rate_hz=48_000),
        ]
    )
    frequency_hz = np.linspace(0, 24_000, 24_001)
    phase = np.unwrap(np.angle(frequency_response(sos, frequency_hz, sample_rate_hz=48_000)))
    slope_s = -(phase[2:-20] - phase[:-22]) / (2 * np.pi * 2.0)
    ours_s = group_delay_s(sos, frequency_hz[1:-21], sample_rate_hz=48_000)
    np.testing.assert_allclose(ours_s, slope_s, atol=2e-8)


def test_group_delay_of_a_notch_is_finite_on_its_zero():
    notch = cookbook.notch(6000.0, 3.0, sample_rate_hz=48_000)
    delay_s = group_delay_s(notch, [5999.9, 6000.0, 6000.1], sample_rate_hz=48_000)
    np.testing.assert_allclose(delay_s, delay_s[0], rtol=1e-3)


def test_responses_keep_shape_and_refuse_frequencies_beyond_nyquist():
    sos = cookbook.notch(6000.0, 3.0, sample_rate_hz=48_000)
    grid = np.ones((2, 3)) * 100.0
    assert frequency_response(sos, grid, sample_rate_hz=48_000).shape == (2, 3)
    assert group_delay_s(sos[:0], grid, sample_rate_hz=48_000).tolist() == np.zeros((2, 3)).tolist()
    for wrong_hz in (-1.0, 24_001.0, float("nan")):
        with pytest.raises(ParameterError, match="from 0 to 24000 Hz"):
            frequency_response(sos, wrong_hz, sample_rate_hz=48_000)
