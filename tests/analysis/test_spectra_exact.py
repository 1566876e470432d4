"""Spectra on signals of a few samples and of known levels, figure by figure."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.analysis.spectra import (
    Spectrogram,
    decibels,
    hann_scalloping_db,
    interpolate_peak,
    power_spectrogram,
    welch_power,
)
from shaping.errors import ParameterError


def test_frames_bins_and_times_follow_window_hop_and_rate() -> None:
    found = power_spectrogram(
        np.zeros(1000, np.float32), 1000, window_s=0.1, hop_s=0.03, max_frequency_hz=200.0
    )
    assert found.power_db.shape == (31, 21)  # 1 + (1000 - 100) // 30 frames; 0 to 200 Hz by 10
    assert found.time_s[:3] == pytest.approx([0.05, 0.08, 0.11])
    assert found.frequency_hz[-1] == 200.0
    assert (found.hop_s, found.bin_hz) == (pytest.approx(0.03), 10.0)
    assert np.all(found.power_db == -200.0)


def test_half_the_rate_ends_the_bins_and_padding_makes_them_finer() -> None:
    found = power_spectrogram(
        np.zeros(500, np.float32), 1000, window_s=0.1, hop_s=0.1, zero_padding=2
    )
    assert (found.frequency_hz[-1], found.bin_hz) == (500.0, 5.0)


def test_windows_have_sixteen_samples_and_hops_one_at_least() -> None:
    found = power_spectrogram(np.zeros(40, np.float32), 1000, window_s=0.001, hop_s=0.0001)
    assert found.power_db.shape == (25, 9)


def test_a_window_is_rounded_up_to_a_fast_length() -> None:
    found = power_spectrogram(np.zeros(2000, np.float32), 1000, window_s=0.101, hop_s=0.5)
    assert found.bin_hz == pytest.approx(1000 / 108)  # 101 is prime; 108 is 2^2 3^3


@pytest.mark.parametrize("amplitude", [1.0, 0.1])
def test_a_sine_at_a_bin_reads_its_level_and_6_db_less_beside_it(amplitude: float) -> None:
    """Source: Harris 1978: the Hann main lobe is half as high one bin off, nothing two off."""
    samples = amplitude * np.sin(2 * np.pi * 100 * np.arange(1000) / 1000)
    found = power_spectrogram(samples.astype(np.float32), 1000, window_s=0.1, hop_s=0.1)
    row = found.power_db[4]
    level_db = 20 * np.log10(amplitude)
    assert row[9:12] == pytest.approx([level_db - 6.02, level_db, level_db - 6.02], abs=0.01)
    assert row[8] < level_db - 100
    assert row[12] < level_db - 100


def test_more_frames_than_a_block_are_all_there() -> None:
    samples = np.sin(2 * np.pi * 100 * np.arange(6000) / 1000).astype(np.float32)
    found = power_spectrogram(samples, 1000, window_s=0.1, hop_s=0.01)
    assert found.power_db.shape[0] == 591
    assert found.power_db[:, 10] == pytest.approx(np.zeros(591), abs=0.01)


@pytest.mark.parametrize("name", ["window_s", "hop_s", "max_frequency_hz", "zero_padding"])
def test_lengths_that_are_not_positive_are_refused(name: str) -> None:
    for value in (0, -1):
        with pytest.raises(ParameterError, match=f"{name}={value}"):
            power_spectrogram(np.zeros(10, np.float32), 48000, **{name: value})
    with pytest.raises(ParameterError, match="sample_rate_hz=0"):
        power_spectrogram(np.zeros(10, np.float32), 0)


def test_backwards_is_backwards() -> None:
    power_db = np.arange(6, dtype=np.float32).reshape(3, 2)
    back = Spectrogram(np.array([1.0, 2.0, 3.0]), np.array([0.0, 5.0]), power_db).reversed(5.0)
    assert back.time_s.tolist() == [2.0, 3.0, 4.0]
    assert back.power_db.tolist() == [[4, 5], [2, 3], [0, 1]]


def test_one_frame_has_no_hop() -> None:
    one = Spectrogram(np.array([1.0]), np.array([0.0, 5.0]), np.zeros((1, 2), np.float32))
    assert one.hop_s == 0.0
    two = Spectrogram(np.array([1.0, 1.5]), np.array([0.0, 5.0]), np.zeros((2, 2), np.float32))
    assert two.hop_s == 0.5


def test_decibels_have_a_floor() -> None:
    found = decibels(np.array([1.0, 0.01, 0.0, 1e-25], np.float32))
    assert found == pytest.approx([0.0, -20.0, -200.0, -200.0])


@pytest.mark.parametrize(
    ("left", "peak", "right", "offset", "level"),
    [
        (-4.0, 0.0, -4.0, 0.0, 0.0),
        # Through -9, -1, -1: the parabola -4 (x - 1/2)^2 has its top between the two.
        (-9.0, -1.0, -1.0, 0.5, 0.0),
        (-1.0, -1.0, -9.0, -0.5, 0.0),
        (-6.25, -0.25, -2.25, 0.25, 0.0),  # -4 (x - 1/4)^2
        (-5.0, -5.0, -5.0, 0.0, -5.0),  # flat
    ],
)
def test_the_top_of_the_parabola(
    left: float, peak: float, right: float, offset: float, level: float
) -> None:
    found = interpolate_peak(np.array(left), np.array(peak), np.array(right))
    assert float(found[0]) == pytest.approx(offset)
    assert float(found[1]) == pytest.approx(level)


@pytest.mark.parametrize(
    ("offset", "loss_db"),
    [(0.0, 0.0), (0.5, 1.4236), (-0.5, 1.4236), (1.0, 6.0206), (-1.0, 6.0206)],
)
def test_scalloping_of_a_hann_window(offset: float, loss_db: float) -> None:
    """Source: Harris 1978, table 1: 1.42 dB at half a bin; half the height one bin off."""
    assert float(hann_scalloping_db(np.array(offset))) == pytest.approx(loss_db, abs=1e-3)


def test_welch_averages_count_their_overlap() -> None:
    """Source: Welch 1967: neighbours share 1/36: 19 segments are worth 19 / (1 + 2/36 * 18/19)."""
    noise = np.random.default_rng(2).standard_normal(1000).astype(np.float32)
    hz, density, averages = welch_power(noise, 1000, window_s=0.1)
    assert (hz.size, hz[1]) == (51, 10.0)
    assert averages == pytest.approx(19 / (1 + 2 * (18 / 19) / 36))
    # One-sided: its integral is the mean square.
    assert density.sum() * 10.0 == pytest.approx(float(np.mean(noise**2)), rel=0.05)
    _, _, once = welch_power(noise[:50], 1000, window_s=0.1)
    assert once == 1.0


def test_welch_density_at_the_ends_counts_once() -> None:
    """A constant and the fastest alternation: all their power lies in one bin and its neighbour."""
    ones = np.ones(400, np.float32)
    hz, density, _ = welch_power(ones, 100, window_s=1.0)
    assert density.sum() * hz[1] == pytest.approx(1.0, rel=0.01)
    turn = np.where(np.arange(400) % 2, -1, 1).astype(np.float32)
    hz, density, _ = welch_power(turn, 100, window_s=1.0)
    assert density.sum() * hz[1] == pytest.approx(1.0, rel=0.01)
    assert density.argmax() == density.size - 1
