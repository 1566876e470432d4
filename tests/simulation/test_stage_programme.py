from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from scipy import signal

from shaping.simulation.programme import Voice, at_level, hum, music, note, speech

RATE = 16_000
N = 6 * RATE
MAKERS = {
    "speech": speech,
    "band": music,
    "held notes": partial(music, voices=(Voice.ORGAN, Voice.FLUTE), drums=False),
    "hum": hum,
}


@pytest.mark.parametrize("make", MAKERS.values(), ids=MAKERS.keys())
def test_same_seed_same_sound_at_the_level_asked_for(make):
    sound = make(N, sample_rate_hz=RATE, seed=4, level_dbfs=-30.0)
    np.testing.assert_array_equal(sound, make(N, sample_rate_hz=RATE, seed=4, level_dbfs=-30.0))
    assert not np.array_equal(sound, make(N, sample_rate_hz=RATE, seed=5, level_dbfs=-30.0))
    assert sound.shape == (N,)
    assert np.all(np.isfinite(sound))
    frames = np.sqrt(np.mean(sound.reshape(-1, RATE // 10) ** 2, axis=1))
    active = frames[frames > 0.02 * frames.max()]
    assert 20 * np.log10(np.sqrt(np.mean(active**2))) == pytest.approx(-30.0, abs=1.5)


def test_speech_has_pauses_and_a_wandering_pitch():
    sound = speech(4 * N, sample_rate_hz=RATE, seed=2)
    frames = np.sqrt(np.mean(sound.reshape(-1, RATE // 20) ** 2, axis=1))
    silent = frames < 1e-3 * frames.max()
    assert 0.1 < silent.mean() < 0.6
    pitch = []
    for start in range(0, sound.size - 2048, 2048):
        frame = sound[start : start + 2048] * np.hanning(2048)
        if np.sqrt(np.mean(frame**2)) > 0.1 * frames.max():
            correlation = np.correlate(frame, frame, "full")[2047:]
            pitch.append(RATE / (RATE // 300 + np.argmax(correlation[RATE // 300 : RATE // 80])))
    assert np.percentile(pitch, 75) / np.percentile(pitch, 25) > 1.04


def test_hum_stands_on_the_mains_frequency_and_its_harmonics():
    sound = hum(N, sample_rate_hz=RATE, seed=1, mains_hz=60.0)
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(N))) ** 2
    frequency_hz = np.fft.rfftfreq(N, 1 / RATE)
    near = np.abs(frequency_hz / 60.0 - np.rint(frequency_hz / 60.0)) * 60.0 < 1.5
    assert spectrum[near].sum() > 0.999 * spectrum.sum()


def test_flute_wavers_and_organ_does_not():
    def wander_cents(voice: Voice) -> float:
        sound = note(np.random.default_rng(1), voice, 81, 3.0, RATE)
        sos = signal.butter(3, [700, 1_100], "bandpass", fs=RATE, output="sos")
        phase = np.unwrap(np.angle(signal.hilbert(signal.sosfiltfilt(sos, sound))))
        frequency_hz = np.diff(phase[RATE : 2 * RATE]) * RATE / (2 * np.pi)
        cents = 1200 * np.log2(frequency_hz / 880.0)
        return float(np.abs(cents).max())

    assert wander_cents(Voice.FLUTE) == pytest.approx(43.0, abs=3.0)
    assert wander_cents(Voice.ORGAN) < 2.0


def test_silence_stays_silence():
    assert not at_level(np.zeros(RATE), -20.0).any()
