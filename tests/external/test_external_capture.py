"""Captures and test signals against standards, closed forms and general-purpose libraries."""

from __future__ import annotations

import math
import wave

import numpy as np
import pytest
from scipy import signal, special

from shaping.capture.audio import read_capture
from shaping.capture.clipping import find_flat_tops
from shaping.capture.hum import find_hum
from shaping.capture.quality import CLIPPED_UNUSABLE_SHARE, NOISY_SNR_DB
from shaping.capture.recording import CaptureKind
from shaping.capture.signals import exponential_sweep, pink_noise, sweep_rate_s
from shaping.capture.steadiness import level_steadiness

RATE = 48_000
BAND_INDICES = range(-14, 13)
"""Third-octaves from 40 Hz to 16 kHz, as powers of 10^(1/10) about 1 kHz."""


def band_levels_db(samples: np.ndarray, rate: int) -> np.ndarray:
    """Third-octave levels from a Welch estimate, band edges a factor 10^(1/20) about midband."""
    frequency_hz, density = signal.welch(
        samples.astype(np.float64), rate, nperseg=min(samples.size, 2**16)
    )
    cumulative = np.concatenate(([0.0], np.cumsum(density))) * (frequency_hz[1] - frequency_hz[0])
    # A bin stands for the band of its own width, so that narrow bands are not cut to whole bins.
    edges = np.concatenate((frequency_hz, [frequency_hz[-1] + frequency_hz[1]]))
    edges -= frequency_hz[1] / 2
    levels = []
    for n in BAND_INDICES:
        midband = 1000 * 10 ** (n / 10)
        low, high = np.interp([midband * 10**-0.05, midband * 10**0.05], edges, cumulative)
        levels.append(10 * math.log10(high - low))
    return np.array(levels)


def slope_db_per_octave(samples: np.ndarray, rate: int) -> float:
    """Slope of the power density from 50 Hz to 16 kHz, fitted on third-octaves."""
    octaves = np.array(BAND_INDICES) / 10 * math.log2(10)
    return float(np.polyfit(octaves, band_levels_db(samples, rate), 1)[0]) - 3.0103


@pytest.mark.parametrize("seed", [0, 1])
@pytest.mark.parametrize(("duration_s", "rate"), [(10.0, 48_000), (30.0, 48_000), (30.0, 44_100)])
def test_pink_noise_is_flat_in_third_octaves(duration_s, rate, seed):
    """Every third-octave from 40 Hz to 16 kHz within 0.5 dB of their mean.

    Source: IEC 61260-1:2014 for midbands and edges; pink noise has equal power in bands of equal
    relative width (-3.01 dB per octave), IEC 60050-801 (from memory).
    Oracle: scipy.signal.welch.
    """
    noise = pink_noise(duration_s, sample_rate_hz=rate, seed=seed)
    levels = band_levels_db(noise, rate)
    # Welch's own scatter in the 9 Hz wide band of 40 Hz, 1 / sqrt(B T), is 0.45 dB over 10 s.
    allowed = 0.5 if duration_s >= 30 else 1.0
    assert np.abs(levels - levels.mean()).max() < allowed
    assert slope_db_per_octave(noise, rate) == pytest.approx(-3.01, abs=0.03)


def test_pink_noise_through_a_filter_bank():
    """The same by octave-band filters in the time domain, which share nothing with an FFT.

    Source: IEC 61260-1:2014, octave midbands 1000 * 10^(3n/10) Hz; filters from
    scipy.signal.butter.
    """
    noise = pink_noise(20.0, seed=3, fade_s=0.0)
    levels = []
    for n in range(-4, 4):
        midband = 1000 * 10 ** (0.3 * n)
        edges = midband * 10**-0.15, midband * 10**0.15
        sos = signal.butter(6, edges, "bandpass", fs=RATE, output="sos")
        levels.append(10 * math.log10(np.mean(signal.sosfilt(sos, noise)[RATE:] ** 2)))
    assert np.ptp(levels) < 0.6


@pytest.mark.parametrize(("low_hz", "high_hz"), [(40.0, 16_000.0), (100.0, 8_000.0)])
def test_sweep_against_a_library_chirp(low_hz, high_hz):
    """The synchronised sweep is a logarithmic chirp that starts at phase zero.

    Source: Farina, AES 108th Convention, 2000, and Novak et al., JAES 63(10), 2015 (formulas);
    scipy.signal.chirp(method="logarithmic").
    """
    sweep = exponential_sweep(8.0, low_hz=low_hz, high_hz=high_hz, fade_s=0.0, level_dbfs=-30.0)
    rate_s = sweep_rate_s(8.0, low_hz=low_hz, high_hz=high_hz)
    time_s = np.arange(sweep.size) / RATE
    end_s = rate_s * math.log(high_hz / low_hz)
    chirp = signal.chirp(time_s, low_hz, end_s, high_hz, method="logarithmic", phi=-90)
    expected = math.sqrt(2) * 10 ** (-30 / 20) * chirp
    np.testing.assert_allclose(sweep, expected, rtol=0, atol=2e-7)


def test_harmonics_of_a_sweep_are_the_sweep_shifted():
    """Three times the phase at t is the phase at t + L ln 3: what keeps distortion apart.

    Source: Novak et al., "Synchronized swept-sine", JAES 63(10), 2015.
    """
    sweep = exponential_sweep(6.0, low_hz=50.0, high_hz=15_000.0, fade_s=0.0).astype(np.float64)
    sine = sweep / (math.sqrt(2) * 10 ** (-30 / 20))
    third = 3 * sine - 4 * sine**3  # sin(3a) = 3 sin(a) - 4 sin(a)^3
    shift = sweep_rate_s(6.0, low_hz=50.0, high_hz=15_000.0) * math.log(3) * RATE
    whole = round(shift)
    time = np.arange(20_000, 60_000)
    later = np.interp(time + shift, np.arange(sine.size), sine)
    assert abs(shift - whole) <= 0.5
    np.testing.assert_allclose(third[time], later, atol=0.02)


def test_sixteen_bit_wav_against_the_standard_library(tmp_path, rng):
    """Samples equal those that Python's own reader finds, over 2^15.

    Source: Python standard library, module wave.
    """
    integers = rng.integers(-(2**15), 2**15, (5 * RATE, 2), dtype=np.int16)
    path = tmp_path / "two.wav"
    with wave.open(str(path), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(2)
        file.setframerate(RATE)
        file.writeframes(integers.tobytes())
    capture = read_capture(path, channel=2, kind=CaptureKind.RING_OUT)
    np.testing.assert_array_equal(capture.samples * 2**15, integers[:, 1])


@pytest.mark.parametrize("over_db", [0.1, 0.5, 3.0])
def test_pile_up_of_a_clipped_sine(over_db):
    """Just as many samples lie in flat tops as the arcsine law says.

    Source: closed form: a sine clipped at c of its amplitude spends 1 - 2 asin(c) / pi of its
    time beyond c.
    """
    # 1 / 137.3 of the sample rate: in no simple ratio to it, as a howl is.
    sine = np.sin(2 * np.pi * np.arange(10 * RATE) / 137.3)
    c = 10 ** (-over_db / 20)
    tops = find_flat_tops(np.clip(sine / c, -1, 1).astype(np.float32) * np.float32(0.5))
    assert tops is not None
    tolerated = c * (1 - 0.002)
    expected = 1 - 2 * math.asin(tolerated) / math.pi
    assert tops.samples / sine.size == pytest.approx(expected, rel=0.02)


def test_clipped_noise_loses_what_bussgang_says():
    """At the share of clipped samples called unusable, the response reads 0.9 dB low.

    Source: Bussgang's theorem (1952): the linear gain of a clipper at c standard deviations is
    erf(c / sqrt(2)), for Gaussian noise.
    """
    noise = np.random.default_rng(8).standard_normal(2_000_000)
    c = math.sqrt(2) * special.erfinv(1 - CLIPPED_UNUSABLE_SHARE)
    clipped = np.clip(noise, -c, c)
    assert np.mean(np.abs(clipped) >= c) == pytest.approx(CLIPPED_UNUSABLE_SHARE, abs=1e-3)
    gain_db = 20 * math.log10(np.mean(clipped * noise))
    assert gain_db == pytest.approx(20 * math.log10(special.erf(c / math.sqrt(2))), abs=0.02)
    assert gain_db == pytest.approx(-0.9, abs=0.05)


def test_level_scatter_of_steady_noise():
    """Quarter-second levels scatter as the random error of a mean square says.

    Source: Bendat and Piersol, Random Data: relative error 1 / sqrt(B T); a Hann window keeps
    T / 1.944 of its length (Welch 1967: mean of the fourth power over the square of the mean
    square).
    """
    noise = np.random.default_rng(2).standard_normal(120 * RATE).astype(np.float32)
    steady = level_steadiness(0.1 * noise, RATE)
    assert steady is not None
    expected_db = 10 / math.log(10) * math.sqrt(1.944 / (3_000 * 0.25))
    assert steady.spread_db == pytest.approx(expected_db, rel=0.12)
    assert steady.snr_db is None


@pytest.mark.parametrize("snr_db", [2.0, NOISY_SNR_DB, 20.0])
def test_signal_to_noise_ratio(snr_db):
    """The ratio is that of the powers, though only their sum is ever heard.

    Source: closed form: powers of independent noises add.
    """
    rng = np.random.default_rng(3)
    floor = 0.01 * rng.standard_normal(30 * RATE)
    played = np.zeros(30 * RATE)
    played[5 * RATE : 25 * RATE] = 0.01 * 10 ** (snr_db / 20) * rng.standard_normal(20 * RATE)
    steady = level_steadiness((floor + played).astype(np.float32), RATE)
    assert steady is not None
    assert steady.snr_db == pytest.approx(snr_db, abs=0.3)


@pytest.mark.parametrize("note", ["G1", "B1", "G2", "B2", "A#1", "G#1", "A#2", "C2"])
def test_no_tempered_note_is_hum(note):
    """A held note, harmonics and all, is told from the mains frequency beside it.

    Source: ISO 16:1975 (A4 = 440 Hz) and equal temperament: G1 48.999 Hz, B1 61.735 Hz.
    """
    names = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"]
    midi = 12 * (int(note[-1]) + 1) + names.index(note[:-1])
    frequency_hz = 440.0 * 2 ** ((midi - 69) / 12)
    time_s = np.arange(10 * RATE) / RATE
    held = sum(0.1 / k * np.sin(2 * np.pi * k * frequency_hz * time_s) for k in range(1, 9))
    held += 1e-4 * np.random.default_rng(1).standard_normal(held.size)
    assert find_hum(held.astype(np.float32), RATE) is None


@pytest.mark.parametrize("mains_hz", [49.8, 50.2, 59.8, 60.2])
def test_hum_level(mains_hz):
    """Hum is found anywhere in the range that networks keep to, and its level is right.

    Source: EN 50160 and ENTSO-E practice (from memory): 50 Hz within 0.2 Hz in normal operation;
    the rms of a sine is its amplitude over sqrt(2).
    """
    time_s = np.arange(20 * RATE) / RATE
    hum = 0.01 * np.sin(2 * np.pi * mains_hz * time_s) + 0.004 * np.sin(
        4 * np.pi * mains_hz * time_s
    )
    floor = 1e-4 * np.random.default_rng(1).standard_normal(hum.size)
    found = find_hum((hum + floor).astype(np.float32), RATE)
    assert found is not None
    assert found.mains_hz == round(mains_hz, -1)
    assert found.harmonics == (1, 2)
    expected = math.sqrt((0.01**2 + 0.004**2) / 2)
    assert 20 * math.log10(found.level / expected) == pytest.approx(0.0, abs=0.2)
