"""Sound for the stage to pick up: a talking voice, a band, mains hum.

All synthetic and made here, so that nothing needs a licence; the same seed gives the same samples.
Every function returns float64 samples at the level asked for, the root mean square over the
passages that sound.
"""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from shaping.simulation.colour import Floats

_TABLE = 2048
# Formants of vowels in Hz: handbook round figures for an adult voice (from memory).
_VOWELS = (
    (730, 1090, 2440, 3400),
    (270, 2290, 3010, 3600),
    (530, 1840, 2480, 3500),
    (570, 840, 2410, 3300),
    (300, 870, 2240, 3300),
    (640, 1190, 2390, 3400),
    (490, 1350, 1690, 3300),
)
_FORMANT_WIDTHS_HZ = (80.0, 100.0, 140.0, 220.0)
_FORMANT_LEVELS = (1.0, -0.7, 0.5, -0.35)  # neighbours of opposite sign leave no hole between


class Voice(StrEnum):
    """How a note of `music` sounds."""

    PLUCKED = "plucked"
    ORGAN = "organ"
    FLUTE = "flute"


def speech(n: int, *, sample_rate_hz: int, seed: int, level_dbfs: float = -26.0) -> Floats:
    """Speak in phrases with pauses, without words; shape (n,).

    A glottal pulse train with a falling, wavering pitch through four formants per syllable;
    bursts of noise stand for the consonants.
    """
    rng = np.random.default_rng([seed, 1])
    result = np.zeros(n)
    base_hz = rng.uniform(95.0, 210.0)
    position = round(rng.uniform(0.1, 0.6) * sample_rate_hz)
    while position < n:
        syllables = int(rng.integers(4, 13))
        for index in range(syllables):
            duration = round(rng.uniform(0.12, 0.30) * sample_rate_hz)
            fall = 1.12 - 0.25 * index / syllables
            pitch_hz = base_hz * fall * rng.uniform(0.92, 1.08)
            sound = _syllable(rng, duration, pitch_hz, sample_rate_hz)
            _mix(result, position, sound * rng.uniform(0.5, 1.0))
            if rng.random() < 0.5:
                _mix(result, position - duration // 3, _consonant(rng, sample_rate_hz))
            position += round(duration * rng.uniform(0.75, 0.95))
        position += round(rng.uniform(0.35, 1.6) * sample_rate_hz)
    return at_level(result, level_dbfs)


def music(
    n: int,
    *,
    sample_rate_hz: int,
    seed: int,
    level_dbfs: float = -24.0,
    voices: tuple[Voice, ...] = (Voice.PLUCKED, Voice.ORGAN, Voice.FLUTE),
    drums: bool = True,
) -> Floats:
    """Play chords, a tune and drums; shape (n,).

    The first voice plays chords, the last one the tune; held notes last up to four seconds.
    """
    rng = np.random.default_rng([seed, 2])
    result = np.zeros(n)
    beat_s = rng.uniform(0.42, 0.62)
    root = int(rng.integers(43, 55))
    scale = np.array([0, 2, 4, 5, 7, 9, 11])
    bar = round(4 * beat_s * sample_rate_hz)
    for start in range(0, n, bar):
        degree = int(rng.choice([0, 3, 4, 5]))
        chord = [root + int(scale[(degree + k) % 7]) + 12 * ((degree + k) // 7) for k in (0, 2, 4)]
        for voice in voices[:-1] or voices:
            beats = 4 if voice is Voice.ORGAN else int(rng.choice([1, 2]))
            for beat in range(0, 4, beats):
                for pitch in chord:
                    at = start + round(beat * beat_s * sample_rate_hz)
                    sound = note(rng, voice, pitch, beats * beat_s, sample_rate_hz)
                    _mix(result, at, 0.3 * sound)
        time = 0.0
        while time < 4:
            length = float(rng.choice([0.5, 1.0, 1.0, 2.0, 4.0]))
            if rng.random() < 0.8:
                pitch = root + 24 + int(rng.choice(scale))
                sound = note(rng, voices[-1], pitch, length * beat_s, sample_rate_hz)
                _mix(result, start + round(time * beat_s * sample_rate_hz), 0.5 * sound)
            time += length
        if drums:
            for step in range(8):
                at = start + round(step * beat_s / 2 * sample_rate_hz)
                _mix(result, at, _drum(rng, step, sample_rate_hz))
    return at_level(result, level_dbfs)


def note(
    rng: np.random.Generator, voice: Voice, pitch: int, duration_s: float, sample_rate_hz: int
) -> Floats:
    """Play one note, with its release; about full scale.

    `pitch` counts semitones, 69 for the A at 440 Hz. A plucked note dies away, an organ's stands
    still, a flute's wavers by 43 cents 5.2 times a second once it has settled.
    """
    frequency_hz = 440.0 * 2 ** ((pitch - 69) / 12)
    top = max(1, min(16, int(0.4 * sample_rate_hz / frequency_hz)))
    order = np.arange(1, top + 1).astype(np.float64)
    ring_s = duration_s + (0.6 if voice is Voice.PLUCKED else 0.08)
    n = round(ring_s * sample_rate_hz)
    time_s = np.arange(n) / sample_rate_hz
    phase = frequency_hz * time_s + rng.random()
    if voice is Voice.PLUCKED:
        decay_s = 0.9 * np.sqrt(220.0 / frequency_hz)
        bright, dull = _waveform(order**-1.0), _waveform(order**-2.2)
        mix = np.exp(-time_s / (0.25 * decay_s))
        sound = mix * _lookup(bright, phase) + (1 - mix) * _lookup(dull, phase)
        envelope = np.exp(-time_s / decay_s) * np.minimum(1, time_s / 0.003)
    elif voice is Voice.ORGAN:
        sound = _lookup(_waveform(np.isin(order, [1, 2, 3, 4, 6, 8]) / order), phase)
        envelope = np.minimum(1, time_s / 0.02)
    else:
        onset = np.clip(time_s / 0.4, 0, 1)
        phase = phase + 0.004 * frequency_hz / 5.2 * onset * np.sin(2 * np.pi * 5.2 * time_s)
        sound = _lookup(_waveform(order**-1.8), phase)
        envelope = np.minimum(1, time_s / 0.06)
    release = np.clip((ring_s - time_s) / 0.06, 0, 1)
    return np.asarray(sound * envelope * release)


def hum(
    n: int, *, sample_rate_hz: int, seed: int, level_dbfs: float = -45.0, mains_hz: float = 50.0
) -> Floats:
    """Mains hum with harmonics up to the twelfth, the frequency off by a few hundredths; (n,)."""
    rng = np.random.default_rng([seed, 3])
    fundamental_hz = mains_hz * (1 + 4e-4 * rng.standard_normal())
    time_s = np.arange(n) / sample_rate_hz
    result = np.zeros(n)
    for harmonic in range(1, 13):
        level = rng.uniform(0.3, 1.0) / harmonic * (2.0 if harmonic % 2 == 0 else 1.0)
        phase = rng.uniform(0, 2 * np.pi)
        result += level * np.sin(2 * np.pi * harmonic * fundamental_hz * time_s + phase)
    return at_level(result, level_dbfs)


def at_level(samples: Floats, level_dbfs: float) -> Floats:
    """Scale to a level: the root mean square over the tenths of a second that sound."""
    size = max(1, min(samples.size, 4800))
    frames = samples[: samples.size // size * size].reshape(-1, size)
    power = np.mean(frames**2, axis=1)
    if not power.any():
        return samples
    active = power[power > 1e-4 * power.max()].mean()
    return np.asarray(samples * 10 ** (level_dbfs / 20) / np.sqrt(active))


def _mix(target: Floats, start: int, sound: Floats) -> None:
    first, last = max(start, 0), min(start + sound.size, target.size)
    if last > first:
        target[first:last] += sound[first - start : last - start]


def _syllable(rng: np.random.Generator, n: int, pitch_hz: float, sample_rate_hz: int) -> Floats:
    time = np.linspace(0, 1, n)
    glide = pitch_hz * (1 + rng.uniform(-0.1, 0.1) * time + 0.01 * np.sin(9 * time + rng.random()))
    phase = np.cumsum(glide) / sample_rate_hz % 1.0
    flow = np.where(phase < 0.4, 0.5 - 0.5 * np.cos(np.pi * phase / 0.4), 0.0)
    closing = (phase >= 0.4) & (phase < 0.56)
    flow[closing] = np.cos(np.pi / 2 * (phase[closing] - 0.4) / 0.16)
    source = np.diff(flow, prepend=flow[0]) + 0.002 * rng.standard_normal(n)
    sound = 0.04 * source  # what the formants leave of the treble
    vowel = _VOWELS[rng.integers(len(_VOWELS))]
    for formant_hz, width_hz, level in zip(vowel, _FORMANT_WIDTHS_HZ, _FORMANT_LEVELS, strict=True):
        radius = np.exp(-np.pi * width_hz / sample_rate_hz)
        angle = 2 * np.pi * formant_hz * rng.uniform(0.95, 1.05) / sample_rate_hz
        a = [1.0, -2 * radius * np.cos(angle), radius * radius]
        sound += level * signal.lfilter([1 - radius, 0.0, radius - 1], a, source)
    envelope = np.minimum(1, np.minimum(time / 0.15, (1 - time) / 0.35))
    sound = sound * np.sin(np.pi / 2 * envelope) ** 2
    return np.asarray(sound / max(np.sqrt(np.mean(sound**2)), 1e-12))


def _consonant(rng: np.random.Generator, sample_rate_hz: int) -> Floats:
    n = round(rng.uniform(0.03, 0.12) * sample_rate_hz)
    centre_hz = min(rng.uniform(2_500.0, 6_500.0), 0.35 * sample_rate_hz)
    edges = [0.7 * centre_hz, min(1.5 * centre_hz, 0.45 * sample_rate_hz)]
    sos = signal.butter(2, edges, "bandpass", fs=sample_rate_hz, output="sos")
    sound = signal.sosfilt(sos, rng.standard_normal(n)) * np.hanning(n)
    return np.asarray(rng.uniform(0.1, 0.4) * sound / max(np.sqrt(np.mean(sound**2)), 1e-12))


def _waveform(partials: NDArray[np.float64]) -> Floats:
    """One period with the given amplitudes of its partials, one extra point at the end."""
    angle = 2 * np.pi * np.arange(_TABLE + 1) / _TABLE
    order = np.arange(1, partials.size + 1)
    return np.asarray(
        partials @ np.sin(order[:, None] * angle[None, :] + 0.7 * order[:, None] ** 2)
    )


def _lookup(table: Floats, phase: Floats) -> Floats:
    position = phase % 1.0 * _TABLE
    index = position.astype(np.intp)
    return np.asarray(table[index] + (position - index) * np.diff(table, append=table[1])[index])


def _drum(rng: np.random.Generator, step: int, sample_rate_hz: int) -> Floats:
    time_s = np.arange(round(0.25 * sample_rate_hz)) / sample_rate_hz
    noise = rng.standard_normal(time_s.size)
    if step % 4 == 0:
        sweep = 2 * np.pi * (50 * time_s + 4 * (1 - np.exp(-time_s / 0.03)))
        return np.asarray(1.8 * np.exp(-time_s / 0.08) * np.sin(sweep))
    if step % 4 == 2:
        return np.asarray(
            np.exp(-time_s / 0.06) * (0.35 * noise + 0.5 * np.sin(2 * np.pi * 190 * time_s))
        )
    return np.asarray(0.15 * np.exp(-time_s / 0.02) * np.diff(noise, prepend=0.0))
