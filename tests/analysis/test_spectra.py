"""Spectra: levels, times and peaks against closed forms and scipy."""

import numpy as np
import pytest
from scipy import signal

from shaping.analysis.spectra import interpolate_peak, power_spectrogram, welch_power
from shaping.errors import ParameterError


def _sine(frequency_hz, sample_rate_hz, duration_s, amplitude=1.0):
    time = np.arange(round(duration_s * sample_rate_hz)) / sample_rate_hz
    return (amplitude * np.sin(2 * np.pi * frequency_hz * time)).astype(np.float32)


@pytest.mark.parametrize("sample_rate_hz", [8000, 44100, 192000])
def test_full_scale_sine_reads_0_db_at_its_bin(sample_rate_hz):
    spectrogram = power_spectrogram(_sine(1000.0, sample_rate_hz, 1.0), sample_rate_hz)
    middle = spectrogram.power_db[spectrogram.time_s.size // 2]
    place = int(middle.argmax())
    _, level = interpolate_peak(middle[place - 1], middle[place], middle[place + 1])
    assert spectrogram.frequency_hz[place] == pytest.approx(1000.0, abs=spectrogram.bin_hz)
    assert float(level) == pytest.approx(0.0, abs=0.2)


def test_frames_are_timed_at_their_centres():
    samples = np.zeros(48000, np.float32)
    samples[24000] = 1.0
    spectrogram = power_spectrogram(samples, 48000, hop_s=0.01)
    loudest = spectrogram.time_s[spectrogram.power_db.max(axis=1).argmax()]
    assert loudest == pytest.approx(0.5, abs=0.006)


def test_capture_shorter_than_a_window_gives_one_frame():
    assert power_spectrogram(np.ones(100, np.float32), 48000).power_db.shape[0] == 1


def test_interpolated_peak_is_within_the_stated_bias():
    sample_rate_hz = 48000
    for frequency_hz in np.linspace(1000.0, 1012.0, 13):
        spectrogram = power_spectrogram(
            _sine(frequency_hz, sample_rate_hz, 0.2), sample_rate_hz, zero_padding=2
        )
        row = spectrogram.power_db[0]
        place = int(row.argmax())
        offset, _ = interpolate_peak(row[place - 1], row[place], row[place + 1])
        found_hz = (place + float(offset)) * spectrogram.bin_hz
        assert found_hz == pytest.approx(frequency_hz, abs=0.003 * 2 * spectrogram.bin_hz)


def test_welch_power_agrees_with_scipy():
    """Source: scipy.signal.welch, an independent implementation of the same average."""
    samples = np.random.default_rng(1).standard_normal(48000).astype(np.float32)
    frequency, density, averages = welch_power(samples, 8000, window_s=0.125)
    expected_hz, expected = signal.welch(
        samples, 8000, "hann", nperseg=1000, noverlap=500, detrend=False
    )
    np.testing.assert_allclose(frequency, expected_hz)
    np.testing.assert_allclose(density, expected, rtol=1e-3)
    assert np.std(density[5:-5]) / np.mean(density) == pytest.approx(averages**-0.5, rel=0.15)


def test_lengths_must_be_positive():
    with pytest.raises(ParameterError, match="hop_s=0"):
        power_spectrogram(np.zeros(10, np.float32), 48000, hop_s=0)
