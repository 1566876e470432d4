"""What is wrong with a measurement, on both sides of each boundary, from made-up signals."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.analysis.loop.faults import (
    MeasurementFault,
    _gate,
    _steadiness,
    fluctuation,
    gain_over_time,
    snr_fault,
)
from shaping.analysis.loop.live_mic import noise_likeness
from shaping.analysis.loop.traces import Traces
from shaping.capture.recording import QualityNote, Severity

RATE = 8000


def codes(notes: list[QualityNote]) -> list[str]:
    assert all(note.severity is Severity.WARNING for note in notes)
    return [note.code for note in notes]


@pytest.mark.parametrize(("snr_db", "low"), [(6.0, False), (5.9, True), (-3.0, True)])
def test_six_db_over_the_noise_is_the_least(snr_db: float, low: bool) -> None:
    notes = snr_fault(snr_db)
    assert codes(notes) == ([MeasurementFault.LOW_SNR] if low else [])
    if low:
        assert f"only {snr_db:.0f} dB over the noise (at least 6 dB" in notes[0].message


def with_gains(gains: list[float]) -> tuple[np.ndarray, np.ndarray]:
    """Return a capture whose gain follows the list, tenth by tenth of a second, and its residual.

    Of two frames' worth of noise the prediction is the ungained noise.
    """
    rng = np.random.default_rng(3)
    played = rng.standard_normal(len(gains) * RATE // 10)
    heard = played * np.repeat(gains, RATE // 10)
    return heard.astype(np.float32), (heard - played).astype(np.float32)


def test_gain_is_read_frame_by_frame() -> None:
    gain = gain_over_time(*with_gains([1.0, 0.5, 2.0, 1.0]), sample_rate_hz=RATE)
    assert gain == pytest.approx([1.0, 0.5, 2.0, 1.0], abs=1e-5)


def test_frames_in_which_nothing_was_played_do_not_count() -> None:
    heard, residual = with_gains([1.0] * 5)
    predicted = heard - residual
    quiet = predicted.copy()
    quiet[:800] *= 0.2  # power 0.04 of the usual
    quiet[800:1600] *= 0.3  # power 0.09
    gain = gain_over_time(quiet, np.zeros_like(quiet), sample_rate_hz=RATE)
    assert gain.size == 4


def gated(gains: list[float]) -> list[QualityNote]:
    heard, residual = with_gains(gains)
    return _gate(Traces(RATE, heard - residual, heard, residual))


@pytest.mark.parametrize(
    ("gains", "told"),
    [
        ([1.0] * 40 + [0.34] + [1.0] * 59, False),  # 1 % of the time
        (3 * ([1.0] * 32 + [0.3]), True),
        ([1.0] * 97 + [0.36] * 3, False),  # turned down, not off
    ],
)
def test_a_gate_is_told_by_what_it_cut_off(gains: list[float], told: bool) -> None:
    assert codes(gated(gains)) == ([MeasurementFault.GATED] if told else [])


def test_how_much_was_cut_off_is_told() -> None:
    (note,) = gated([1.0] * 90 + [0.1] * 10)
    assert "cut off for 10 % of the time" in note.message


def bands_of_noise(depth_db: float, *, seconds: float = 20.0) -> np.ndarray:
    """Return noise whose level swings once a second by a sine of this many dB rms."""
    rng = np.random.default_rng(5)
    time = np.arange(int(seconds * 16_000)) / 16_000
    swing_db = depth_db * np.sqrt(2) * np.sin(2 * np.pi * time)
    return (rng.standard_normal(time.size) * 10 ** (swing_db / 20)).astype(np.float32)


def test_noise_fluctuates_as_noise_does() -> None:
    """Source: Bendat and Piersol: 4.34 / sqrt(B T) dB, so the ratio is 1."""
    assert fluctuation(bands_of_noise(0.0), sample_rate_hz=16_000) == pytest.approx(1.0, abs=0.15)


def test_added_swing_adds_in_squares() -> None:
    # Of the four bands the median lies between 1 and 2 kHz: 0.90 and 0.64 dB are expected there.
    depth_db = 2.0
    ratios = [np.hypot(4.34 / np.sqrt(b * 0.2315 * 0.1), depth_db) for b in (1000.0, 2000.0)]
    expected = np.mean(
        [r / (4.34 / np.sqrt(b * 0.2315 * 0.1)) for r, b in zip(ratios, (1000, 2000), strict=True)]
    )
    found = fluctuation(bands_of_noise(depth_db), sample_rate_hz=16_000)
    assert found == pytest.approx(expected, rel=0.1)


@pytest.mark.parametrize(("depth_db", "unsteady"), [(1.5, False), (3.0, True)])
def test_a_signal_three_times_as_unsteady_as_noise_is_no_noise(
    depth_db: float, unsteady: bool
) -> None:
    notes = _steadiness(bands_of_noise(depth_db), 16_000)
    assert codes(notes) == ([MeasurementFault.NOT_NOISE] if unsteady else [])


def test_silence_and_fades_around_the_signal_are_left_out() -> None:
    noise = bands_of_noise(0.0, seconds=8.0)
    padded = np.concatenate([np.zeros(32_000, np.float32), noise, np.zeros(32_000, np.float32)])
    assert fluctuation(padded, sample_rate_hz=16_000) < 1.5
    assert fluctuation(np.zeros(16_000, np.float32), sample_rate_hz=16_000) == 0.0


def closed(likeness: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return noise shaped by a rough response, the grid, that response, and where it is trusted."""
    rng = np.random.default_rng(11)
    frequency_hz = np.arange(0, 9000.0, 1.0)
    bumps = np.interp(frequency_hz, np.arange(0, 9001.0, 15.0), rng.standard_normal(601))
    response = 10 ** (4 * bumps / 20) + 0j
    count = 20 * 20_000
    spectrum = np.fft.rfft(rng.standard_normal(count))
    hz = np.fft.rfftfreq(count, 1 / 20_000)
    shape = np.interp(hz, frequency_hz, 4 * likeness * bumps)
    noise = np.fft.irfft(spectrum * 10 ** (shape / 20), count).astype(np.float32)
    return noise, frequency_hz, response, np.ones(frequency_hz.size, bool)


def test_noise_with_the_responses_own_peaks_is_like_it_and_other_noise_is_not() -> None:
    assert noise_likeness(*closed(1.0), sample_rate_hz=20_000) > 0.9
    assert noise_likeness(*closed(-1.0), sample_rate_hz=20_000) < -0.9
    assert abs(noise_likeness(*closed(0.0), sample_rate_hz=20_000)) < 0.06


def test_too_few_trusted_frequencies_tell_nothing() -> None:
    noise, hz, response, trusted = closed(1.0)
    trusted[:] = False
    trusted[1000:1120] = True
    assert noise_likeness(noise, hz, response, trusted, sample_rate_hz=20_000) == 0.0
