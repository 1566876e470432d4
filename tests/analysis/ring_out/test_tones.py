"""A tone's frequency by its phase, against the Cramér-Rao bound."""

import numpy as np
import pytest

from shaping.analysis.ring_out.tones import refine_tone

RATE = 48000


def _tone(frequency_hz, duration_s, snr_db, seed):
    time = np.arange(round(duration_s * RATE)) / RATE
    noise = np.random.default_rng(seed).standard_normal(time.size) / np.sqrt(2)
    return (np.sin(2 * np.pi * frequency_hz * time) + noise * 10 ** (-snr_db / 20)).astype(
        np.float32
    )


@pytest.mark.parametrize("frequency_hz", [63.0, 251.3, 2514.7])
def test_frequency_is_within_three_times_the_bound(frequency_hz):
    """Source: Rife and Boorstyn 1974: var(w) >= 12 / (eta N (N^2 - 1)), from memory."""
    count, snr = 24000, 10.0
    bound_hz = np.sqrt(12 / (snr * count**3)) * RATE / (2 * np.pi)
    errors = []
    for seed in range(12):
        samples = _tone(frequency_hz, 0.5, 10.0, seed)
        tone = refine_tone(samples, RATE, frequency_hz * 1.01, start_s=0.0, stop_s=0.5)
        errors.append(tone.frequency_hz - frequency_hz)
    assert np.sqrt(np.mean(np.square(errors))) < 3 * bound_hz + 1e-4 * frequency_hz


def test_growing_tone_keeps_its_frequency():
    time = np.arange(RATE) / RATE
    samples = (1e-4 * 10 ** (60 * time / 20) * np.sin(2 * np.pi * 163.4 * time)).astype(np.float32)
    tone = refine_tone(samples, RATE, 165.0, start_s=0.2, stop_s=0.9)
    assert tone.frequency_hz == pytest.approx(163.4, rel=1e-4)
    assert tone.wander_hz < 0.1


def test_vibrato_wanders_and_stretch_too_short_gives_none():
    time = np.arange(RATE) / RATE
    phase = 2 * np.pi * 440 * time + 8 / 5.5 * np.sin(2 * np.pi * 5.5 * time)
    tone = refine_tone(np.sin(phase).astype(np.float32), RATE, 440.0, start_s=0.1, stop_s=0.9)
    # Frequency deviation 8 Hz peak: 8 / sqrt(2) root mean square, a little smoothed by the window.
    assert tone.wander_hz == pytest.approx(8 / np.sqrt(2), rel=0.25)
    assert refine_tone(np.zeros(100, np.float32), RATE, 440.0, start_s=0, stop_s=0.1) is None
