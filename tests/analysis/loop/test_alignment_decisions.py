"""Parts of alignment and deconvolution on signals of which the answer is known by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import fft, signal

from shaping.analysis.loop.alignment import (
    Alignment,
    _common_line,
    _doubling,
    _fine_peak_s,
    _peak,
    _search,
    _sharpen,
    align,
    align_sweep,
)
from shaping.analysis.loop.deconvolution import (
    excitation_floor,
    least_squares_response,
    power_density,
    sweep_response,
)
from shaping.analysis.loop.resampling import resample_uniform
from shaping.errors import CaptureError
from tests.analysis.loop.loop_makers import pink_noise

RATE = 8000


def test_the_highest_peak_may_lie_before_the_start() -> None:
    correlation = np.zeros(100, np.float32)
    correlation[30] = -4.0
    correlation[10] = 3.0
    lag, height = _peak(correlation, 50)
    assert lag == 30.0
    assert height == pytest.approx(4.0 / (5.0 / 10.0))  # over the rms: sqrt((16 + 9) / 100)
    correlation[80] = 5.0
    assert _peak(correlation, 50)[0] == -20.0
    assert _peak(correlation, 80)[0] == 80.0
    assert _peak(np.zeros(10, np.float32), 5) == (0.0, 0.0)


def line(
    offsets_s: list[float], scores: list[float] | None = None
) -> tuple[float, float, list[bool]]:
    at = np.arange(len(offsets_s), dtype=float)
    offset, slope, members = _common_line(
        at, np.array(offsets_s), np.array(scores or [20.0] * len(offsets_s))
    )
    return offset, slope, members.tolist()


def test_stretches_agree_on_one_line() -> None:
    offset, slope, members = line([1.0, 1.0001, 1.0002, 5.0, 1.0004])
    assert (offset, slope) == (pytest.approx(1.0), pytest.approx(1e-4))
    assert members == [True, True, True, False, True]


def test_clocks_differ_by_300_ppm_at_most() -> None:
    assert sum(line([0.29e-3 * n for n in range(6)])[2]) == 6
    # Steeper ones are no clock: each stretch then has itself and neighbours within 0.4 ms.
    assert sum(line([0.6e-3 * n for n in range(6)])[2]) < 6


def test_members_lie_within_0_4_ms_and_are_found_for_sure() -> None:
    assert line([1.0, 1.0, 1.00039])[2] == [True, True, True]
    assert line([1.0, 1.0, 1.0, 1.0011])[2] == [True, True, True, False]
    assert line([1.0, 1.0, 1.0], [20.0, 20.0, 7.0])[2] == [True, True, False]
    assert line([1.0, 1.0, 1.0], [20.0, 20.0, 7.1])[2] == [True, True, True]
    assert line([1.0, 2.0, 3.0]) == (0.0, 0.0, [False, False, False])


@pytest.mark.parametrize(
    ("count", "steps"),
    [(1, [1]), (2, [1, 1]), (4, [1, 2, 2]), (12, [1, 2, 4, 8]), (13, [1, 2, 4, 8, 8])],
)
def test_steps_double_up_to_two_thirds(count: int, steps: list[int]) -> None:
    assert _doubling(count) == steps


@pytest.mark.parametrize("delay", [0.0, 3.0, 3.25, -2.5, 400.3])
def test_the_strongest_arrival_is_read_between_samples(delay: float) -> None:
    size = 1024
    hz = fft.rfftfreq(size, 1 / RATE)
    spectrum = np.exp(-2j * np.pi * hz * delay / RATE) * (hz < 0.4 * RATE)
    assert _fine_peak_s(spectrum, size, RATE) * RATE == pytest.approx(delay, abs=0.01)


def test_the_reference_is_resampled_onto_the_captures_clock() -> None:
    """A ramp: its value is its own time, so the formula of the module header can be read off."""
    ramp = np.arange(40_000, dtype=np.float32)
    found = Alignment(0.5, 100.0, 20.0, 1.0).resample(
        signal.lfilter([1], [1], np.sin(ramp * 0.3)).astype(np.float32),
        reference_rate_hz=8000,
        capture_rate_hz=4000,
        first=8000,
        count=5,
    )
    # Sample n of the capture at n / 4000 s holds the reference at (t - 0.5) / 1.0001 s.
    at = ((8000 + np.arange(5)) / 4000 - 0.5) / 1.0001 * 8000
    assert found == pytest.approx(np.sin(at * 0.3), abs=2e-3)


def test_equal_clocks_copy_samples() -> None:
    noise = np.random.default_rng(1).standard_normal(1000).astype(np.float32)
    found = Alignment(0.01, 0.0, 20.0, 1.0).resample(
        noise, reference_rate_hz=RATE, capture_rate_hz=RATE, first=180, count=50
    )
    np.testing.assert_array_equal(found, noise[100:150])


def test_each_stretch_is_found_where_it_was_cut() -> None:
    reference = pink_noise(4, np.random.default_rng(2), rate=RATE)
    capture = np.concatenate([np.zeros(1000, np.float32), reference])
    lags, scores = _search(capture, reference, np.array([5000, 20_000]), 8000, RATE)
    assert lags.tolist() == [4000.0, 19_000.0]
    assert scores.min() > 20


def test_a_clock_is_sharpened_to_a_part_in_ten_million() -> None:
    rng = np.random.default_rng(6)
    reference = pink_noise(10, rng, rate=RATE)
    ratio = 1 + 50e-6
    capture = resample_uniform(
        reference, start=-0.3 * RATE / ratio, step=1 / ratio, count=11 * RATE
    )
    rough = Alignment(0.3 - 0.1e-3, 40.0, 20.0, 1.0)
    found = _sharpen(rough, capture, reference, RATE, int(1.4 * RATE))
    assert found.clock_ppm == pytest.approx(50.0, abs=0.2)
    assert found.offset_s == pytest.approx(0.3, abs=2e-6)


@pytest.mark.parametrize(("seconds", "enough"), [(2.0, True), (1.9, False)])
def test_two_seconds_are_the_least(seconds: float, enough: bool) -> None:
    noise = pink_noise(seconds, np.random.default_rng(7), rate=RATE)

    def found() -> Alignment:
        return align(noise, noise, capture_rate_hz=RATE, reference_rate_hz=RATE)

    if enough:
        assert found().offset_s == pytest.approx(0.0, abs=1e-5)
        assert found().agreeing == 1.0
    else:
        with pytest.raises(CaptureError, match=r"share at most 1\.9 s.*at least 2 s"):
            found()


def test_most_of_what_was_heard_must_agree() -> None:
    """A tape that holds the reference for a fifth of its time is another tape."""
    rng = np.random.default_rng(8)
    reference = pink_noise(30, rng, rate=RATE)
    other = pink_noise(30, rng, rate=RATE)
    mixed = other.copy()
    mixed[: 6 * RATE] = reference[: 6 * RATE]
    with pytest.raises(CaptureError, match="not to be found"):
        align(mixed, reference, capture_rate_hz=RATE, reference_rate_hz=RATE)
    mixed[: 15 * RATE] = reference[: 15 * RATE]
    found = align(mixed, reference, capture_rate_hz=RATE, reference_rate_hz=RATE)
    assert 0.4 < found.agreeing < 0.6


def sweep(seconds: float = 2.0) -> np.ndarray:
    time = np.arange(int(seconds * RATE)) / RATE
    return (0.5 * signal.chirp(time, 60, seconds, 3500, method="logarithmic")).astype(np.float32)


@pytest.mark.parametrize("offset", [1234, -300])
def test_a_sweep_is_found(offset: int) -> None:
    played = sweep()
    capture = np.zeros(40_000, np.float32)
    low = max(offset, 0)
    capture[low : offset + played.size] = played[low - offset :]
    found = align_sweep(capture, played, capture_rate_hz=RATE, reference_rate_hz=RATE)
    assert found.offset_s * RATE == pytest.approx(offset, abs=1.0)
    assert (found.clock_ppm, found.agreeing) == (0.0, 1.0)
    noise = np.random.default_rng(9).standard_normal(40_000).astype(np.float32)
    with pytest.raises(CaptureError, match="not to be found"):
        align_sweep(noise, played, capture_rate_hz=RATE, reference_rate_hz=RATE)


def test_the_least_squares_response_is_the_path_and_leaves_the_noise() -> None:
    rng = np.random.default_rng(10)
    path = np.zeros(64)
    path[[3, 10, 40]] = [1.0, -0.5, 0.25]
    played = rng.standard_normal(20_000).astype(np.float32)
    noise = 0.01 * rng.standard_normal(20_000 - 63)
    heard = (np.convolve(played, path, "valid") + noise).astype(np.float32)
    response, residual = least_squares_response(played, heard, length=64, sample_rate_hz=RATE)
    assert response == pytest.approx(path, abs=4 * 0.01 / np.sqrt(20_000) + 1e-3)
    assert np.std(residual) == pytest.approx(0.01, rel=0.03)


def test_what_was_not_played_stays_at_rest() -> None:
    heard = np.random.default_rng(11).standard_normal(5000).astype(np.float32)
    response, residual = least_squares_response(
        np.zeros(5063, np.float32), heard, length=64, sample_rate_hz=RATE
    )
    assert not response.any()
    np.testing.assert_array_equal(residual, heard)


def test_a_sweeps_response_begins_before_the_strongest_arrival() -> None:
    played = np.concatenate([sweep(), np.zeros(4000, np.float32)])
    path = np.zeros(200)
    path[[0, 30]] = [1.0, 0.5]
    heard = np.convolve(played, path)[: played.size].astype(np.float32)
    response, noise = sweep_response(played, heard, lead=20, length=100, sample_rate_hz=RATE)
    assert response.size == noise.size == 100
    assert int(np.argmax(response)) == 20
    assert int(np.argmax(response[30:])) == 20
    assert response[50] / response[20] == pytest.approx(0.5, abs=0.05)
    assert np.abs(noise).max() < 0.1 * response[20]
    later = sweep_response(played, heard, lead=0, length=100, sample_rate_hz=RATE)[0]
    assert int(np.argmax(later)) == 0


def test_a_frequency_counts_as_played_within_30_db_of_the_median_octave() -> None:
    hz = np.array([0.0, 100.0, 200.0, 400.0, 800.0])
    pink = 1 / np.maximum(hz, 100.0)
    floor = excitation_floor(hz, pink)
    assert floor[1:] == pytest.approx(1e-3 * pink[1:])
    assert floor[0] == floor[1]  # no division by zero hertz
    silent = np.where(hz > 300, 0.0, pink)  # what is 40 dB under the loudest has no say
    assert excitation_floor(hz, silent)[2] == pytest.approx(1e-3 * pink[2])


def test_density_has_the_asked_resolution_and_the_signals_power() -> None:
    noise = np.random.default_rng(12).standard_normal(80_000).astype(np.float32)
    hz, density = power_density(noise, RATE)
    assert hz[1] == pytest.approx(RATE / 2048)  # the next power of two over 8000 / 6
    assert density.sum() * hz[1] == pytest.approx(1.0, rel=0.02)
    assert power_density(noise, RATE, resolution_hz=100.0)[0][1] == RATE / 128
    assert power_density(noise[:500], RATE)[0][1] == RATE / 500


@pytest.mark.parametrize(("start", "step", "count"), [(0.0, 1.0, 10), (3.0, 1.0, 20)])
def test_whole_samples_are_copied(start: float, step: float, count: int) -> None:
    ramp = np.arange(20, dtype=np.float32)
    found = resample_uniform(ramp, start=start, step=step, count=count)
    expected = [float(n + start) if n + start < 20 else 0.0 for n in range(count)]
    assert found.tolist() == expected


def test_outside_the_signal_there_is_nothing() -> None:
    ones = np.ones(10, np.float32)
    assert resample_uniform(ones, start=10.0, step=1.0, count=3).tolist() == [0.0] * 3
    assert resample_uniform(ones, start=-5.0, step=1.0, count=3).tolist() == [0.0] * 3
    assert resample_uniform(ones, start=0.0, step=1.0, count=0).size == 0
    assert resample_uniform(ones, start=9.0, step=1.0, count=2).tolist() == [1.0, 0.0]
