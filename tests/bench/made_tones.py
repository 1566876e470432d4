"""Tones without howls that a stage or a switchboard makes: drones, pads, beeps, check tones.

A tone that a hand brings up on a fader is not among them: it grows as a howl does, and cannot be
told from one. Two generators that share nothing but their notes: additive tones serve tuning,
frequency-modulated and filtered ones the report and the locked part (by seed). Everything is drawn
from its seed.
"""

from __future__ import annotations

import numpy as np
from measured_data import RATE_HZ, Part, Real
from numpy.typing import NDArray
from scipy import signal

DURATION_S = 60.0
_SEEDS = {Part.TUNING: range(48), Part.REPORT: range(100, 108), Part.LOCKED: range(200, 212)}
_DIAL_HZ = (697.0, 770.0, 852.0, 941.0), (1209.0, 1336.0, 1477.0)


def seeds(part: Part) -> range:
    """Return the seeds of a part."""
    return _SEEDS[part]


def made(seed: int) -> NDArray[np.float32]:
    """Return a minute of tones; shape (n,)."""
    rng = np.random.default_rng([seed, 0x746F6E65])
    n = round(DURATION_S * RATE_HZ)
    result = 10 ** (rng.uniform(-75, -50) / 20) * rng.standard_normal(n)
    additive = seed in _SEEDS[Part.TUNING]
    kinds = (_pad, _drone, _beeps, _check) if additive else (_modulated, _swept, _dial, _steps)
    kind = kinds[seed % 4]
    at = 0.5
    while at < DURATION_S - 2:
        length_s = float(rng.uniform(1.0, 7.0))
        sound = kind(rng, min(length_s, DURATION_S - 1 - at))
        start = round(at * RATE_HZ)
        result[start : start + sound.size] += 10 ** (rng.uniform(-30, -8) / 20) * sound
        at += length_s + float(rng.choice([0.0, 0.1, 0.6, 2.0]))
    return np.clip(result, -1, 1).astype(np.float32)


def _note_hz(rng: np.random.Generator) -> float:
    return float(440 * 2 ** ((rng.integers(48, 100) - 69) / 12))


def _time(length_s: float) -> Real:
    return np.arange(round(length_s * RATE_HZ)) / RATE_HZ


def _faded(sound: Real, rise_s: float, fall_s: float, shape: int) -> Real:
    """Fade in and out: along a line, a raised cosine, or as a charging capacitor."""
    n = sound.size
    level = np.ones(n)
    for seconds, turned in ((rise_s, False), (fall_s, True)):
        count = min(max(round(seconds * RATE_HZ), 48), n // 2)
        x = np.linspace(0, 1, count)
        ramp = (x, np.sin(np.pi / 2 * x) ** 2, (1 - np.exp(-4 * x)) / (1 - np.exp(-4)))[shape]
        if turned:
            level[-count:] *= ramp[::-1]
        else:
            level[:count] *= ramp
    return sound * level


def _pad(rng: np.random.Generator, length_s: float) -> Real:
    t, f = _time(length_s), _note_hz(rng)
    fall = rng.uniform(6, 40)
    total = np.zeros(t.size)
    for k in range(1, int(rng.integers(2, 8))):
        detuned = f * k * (1 + rng.normal(0, 3e-4))
        total += 10 ** (-fall * (k - 1) / 20) * np.sin(2 * np.pi * (detuned * t + rng.uniform()))
    return _faded(total, float(rng.uniform(0.05, 1.5)), 0.3, int(rng.integers(3)))


def _drone(rng: np.random.Generator, length_s: float) -> Real:
    t, f = _time(length_s), _note_hz(rng) / 2
    depth, rate = rng.uniform(0, 0.003), rng.uniform(0.2, 6)
    phase = 2 * np.pi * f * (t + depth / rate * np.sin(2 * np.pi * rate * t) / (2 * np.pi))
    total = sum(rng.uniform(0.05, 1) * np.sin(k * phase) / k for k in (1, 2, 3, 4, 5, 6))
    return _faded(np.asarray(total), float(rng.uniform(0.02, 2.0)), 1.0, int(rng.integers(2)))


def _beeps(rng: np.random.Generator, length_s: float) -> Real:
    t = _time(length_s)
    f = float(rng.choice([400.0, 425.0, 440.0, 480.0, 800.0, 1000.0, 2000.0, 2850.0]))
    on, off = rng.uniform(0.2, 1.5), rng.uniform(0.1, 0.8)
    gate = ((t % (on + off)) < on).astype(float)
    gate = signal.lfilter(*signal.butter(1, rng.uniform(20, 400), fs=RATE_HZ), gate)
    return np.asarray(np.sin(2 * np.pi * f * t) * gate)


def _check(rng: np.random.Generator, length_s: float) -> Real:
    f = float(rng.choice([100.0, 250.0, 440.0, 1000.0, 1000.0, 3150.0, 6300.0]))
    sound = np.sin(2 * np.pi * f * _time(length_s))
    if rng.random() < 0.35:
        return sound * _turned_up(rng, sound.size)
    return _faded(
        sound,
        float(rng.choice([0.001, 0.02, 0.3, 1.0])),
        0.02,
        int(rng.integers(3)),
    )


def _modulated(rng: np.random.Generator, length_s: float) -> Real:
    t, f = _time(length_s), _note_hz(rng)
    ratio = float(rng.choice([0.5, 1.0, 1.0, 2.0, 3.0, 1.414]))
    index = rng.uniform(0, 1.5) * np.exp(-t / rng.uniform(0.3, 4))
    sound = np.sin(2 * np.pi * f * t + index * np.sin(2 * np.pi * ratio * f * t))
    attack = 1 - np.exp(-t / rng.uniform(0.003, 0.4))
    return _faded(sound * attack, 0.002, float(rng.uniform(0.05, 0.6)), 0)


def _swept(rng: np.random.Generator, length_s: float) -> Real:
    t, f = _time(length_s), _note_hz(rng) / 2
    saws = signal.sawtooth(2 * np.pi * f * t) + signal.sawtooth(2 * np.pi * f * 1.003 * t)
    open_hz = min(f * float(rng.uniform(1.2, 8)), 18_000)
    sos = signal.butter(4, open_hz, fs=RATE_HZ, output="sos")
    swell = np.minimum(t / rng.uniform(0.1, 3.0), 1) ** 2
    return _faded(signal.sosfilt(sos, 0.5 * saws) * swell, 0.01, 0.4, 1)


def _dial(rng: np.random.Generator, length_s: float) -> Real:
    parts = []
    for _ in range(max(int(length_s / 0.5), 1)):
        t = _time(float(rng.uniform(0.15, 0.4)))
        low, high = (float(rng.choice(row)) for row in _DIAL_HZ)
        key = 0.5 * (np.sin(2 * np.pi * low * t) + np.sin(2 * np.pi * high * t))
        parts += [_faded(key, 0.003, 0.003, 0), np.zeros(round(0.1 * RATE_HZ))]
    return np.concatenate(parts)[: round(length_s * RATE_HZ)]


def _steps(rng: np.random.Generator, length_s: float) -> Real:
    """Make a check tone that is switched on, or brought up in steps of some dB."""
    f = float(rng.choice([400.0, 1000.0, 1000.0, 2000.0])) * (1 + rng.normal(0, 1e-3))
    t = _time(length_s)
    step_s, step_db = rng.uniform(0.15, 0.8), float(rng.choice([0.0, 3.0, 6.0, 10.0]))
    level_db = np.minimum(-30 + step_db * np.floor(t / step_s), 0.0) if step_db else 0.0 * t
    return np.asarray(np.sin(2 * np.pi * f * t) * 10 ** (level_db / 20))


def _turned_up(rng: np.random.Generator, n: int) -> Real:
    """Level of a tone that is turned up click by click, by uneven clicks at uneven times."""
    clicks = int(rng.integers(3, 12))
    at = np.cumsum(rng.uniform(0.08, 0.6, clicks))
    level_db = np.cumsum(rng.uniform(1.5, 7.0, clicks))
    level_db -= level_db[-1]
    index = np.searchsorted(at, np.arange(n) / RATE_HZ)
    return np.asarray(10 ** (np.concatenate([[level_db[0] - 6.0], level_db])[index] / 20))
