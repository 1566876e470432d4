"""Levels of real music and speech at known level, and calibration tones right and wrong.

    python tests/bench/exposure_levels.py [--quick]

Each recording is brought to a random level, written by a virtual recorder (24 bits, its own noise)
at 44.1, 48 or 96 kHz with a calibrator's tone of its own, and measured. The truth comes from the
whole spectrum and the analogue weightings, in one piece and without any filter. Wrong tones have
one thing wrong each; right ones have a calibrator's own tolerances, hands at both ends, and noise.
"""

from __future__ import annotations

import argparse
import math
import tempfile
from pathlib import Path

import numpy as np
import soundfile as sf
from exact import share_text
from measured_data import Part, Real, data_folder, opened, programme_files
from numpy.typing import NDArray
from scipy import fft, signal

from shaping.analysis.exposure.calibrated import calibrate
from shaping.analysis.exposure.calibration import measure_tone
from shaping.analysis.exposure.exposure import measure_exposure
from shaping.analysis.weighting import a_weighting_db, c_weighting_db
from shaping.capture.audio import inspect
from shaping.errors import CaptureError

RATES_HZ = (44_100, 48_000, 96_000)
LONGEST_S = 60
WRONG = ("unsteady", "frequency", "clipped", "soft-clipped", "short", "noisy", "keyed", "leaking")


def truth_db(samples: Real, rate_hz: int, full_scale_db: float) -> tuple[float, float]:
    """Return LAeq and LCeq from the spectrum of the whole."""
    power = np.abs(fft.rfft(samples)) ** 2
    power[0] = 0.0
    power[1:] *= 2.0
    at_hz = np.maximum(fft.rfftfreq(samples.size, 1 / rate_hz), 1e-3)
    return tuple(
        full_scale_db + 10 * math.log10(np.sum(power * 10 ** (w(at_hz) / 10)) / samples.size**2)
        for w in (a_weighting_db, c_weighting_db)
    )  # type: ignore[return-value]


def tone(rate_hz: int, rng: np.random.Generator, amplitude: float) -> Real:
    """Return a calibrator's tone as a hand puts it on and takes it off."""
    seconds = rng.uniform(7.0, 14.0)
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    on, off = rng.uniform(0.2, 1.5), seconds - rng.uniform(0.2, 1.0)
    held = np.clip(np.minimum((time_s - on) / 0.15, (off - time_s) / 0.15), 0.0, 1.0)
    hz = 1000.0 * (1 + rng.uniform(-0.012, 0.012))
    wobble_db = rng.uniform(0.0, 0.05) * np.sin(2 * np.pi * rng.uniform(0.1, 2.0) * time_s)
    sound = amplitude * held * 10 ** (wobble_db / 20) * np.sin(2 * np.pi * hz * time_s)
    noise = signal.lfilter([1.0], [1.0, -0.95], rng.standard_normal(time_s.size))
    return np.asarray(sound + amplitude * 10 ** (-rng.uniform(35, 60) / 20) * noise / noise.std())


def wrong_tone(kind: str, rate_hz: int, rng: np.random.Generator) -> Real:
    """Return a tone with one thing wrong."""
    amplitude = float(rng.uniform(0.02, 0.3))
    right = tone(rate_hz, rng, amplitude)
    time_s = np.arange(right.size) / rate_hz
    if kind == "unsteady":
        return right * 10 ** (rng.uniform(0.4, 3.0) * np.sin(2 * np.pi * time_s) / 20)
    if kind == "frequency":
        hz = rng.choice([250.0, 440.0, 500.0, 950.0, 1050.0, 2000.0])
        return np.asarray(amplitude * np.sin(2 * np.pi * hz * time_s))
    if kind == "clipped":
        return np.clip(right / amplitude * rng.uniform(1.1, 3.0), -0.9999695, 0.9999695)
    if kind == "soft-clipped":
        return np.tanh(right / amplitude * rng.uniform(1.0, 2.0)) * amplitude
    if kind == "short":
        return right[: round(rng.uniform(1.0, 3.5) * rate_hz)]
    if kind == "noisy":
        return np.asarray(
            right + amplitude * rng.uniform(0.12, 0.5) * rng.standard_normal(right.size)
        )
    if kind == "keyed":
        return right * (np.sin(2 * np.pi * rng.uniform(0.3, 0.6) * time_s) > 0)
    return right * 10 ** (-rng.uniform(0.15, 1.0) * time_s / 20)  # the seal leaks: it sinks


def programme(part: Part) -> list[Path]:
    """Return all music and speech of a part."""
    return [*programme_files("music", part), *programme_files("speech", part)]


def excerpt(path: Path, rate_hz: int, rng: np.random.Generator) -> Real:
    """Return some seconds of a file at a rate."""
    whole, own_hz = sf.read(path, always_2d=True)
    count = min(len(whole), round(rng.uniform(8, LONGEST_S) * own_hz))
    start = int(rng.integers(len(whole) - count + 1))
    sound = whole[start : start + count, 0]
    if own_hz != rate_hz:
        common = math.gcd(own_hz, rate_hz)
        sound = signal.resample_poly(sound, rate_hz // common, own_hz // common)
    return np.asarray(sound)


def measured(
    folder: Path, sound: Real, rate_hz: int, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Return the errors of LAeq and LCeq of one recording, in dB."""
    full_scale_sine_db = float(rng.uniform(112, 132))
    full_scale_db = full_scale_sine_db + 10 * math.log10(2)
    calibrator_db = float(rng.choice([94.0, 104.0]))
    calibration = tone(rate_hz, rng, 10 ** ((calibrator_db - full_scale_sine_db) / 20))
    level_db = rng.uniform(72, 104)
    sound = sound * 10 ** ((level_db - full_scale_db) / 20) / np.sqrt(np.mean(sound**2))
    sound = sound / max(1.0, np.abs(sound).max() / 0.99)
    sound = np.rint((sound + 1e-6 * rng.standard_normal(sound.size)) * 2**23) / 2**23
    paths = [folder / name for name in ("tone.wav", "song.wav")]
    for path, samples in zip(paths, (calibration, sound), strict=True):
        sf.write(path, samples, rate_hz, subtype="PCM_24")
    info = inspect(str(paths[1]))
    found = measure_exposure(
        info, calibrate(info, [str(paths[0])], calibrator_db=calibrator_db), channel=1
    )
    truth = truth_db(sound, rate_hz, full_scale_db)
    return np.array([found.laeq_db - truth[0], found.lceq_db - truth[1]])


def refused(sound: Real, rate_hz: int) -> bool:
    """Tell whether a tone is refused."""
    try:
        measure_tone(sound, rate_hz, path="tone.wav")
    except CaptureError:
        return True
    return False


def measure(*, quick: bool = False) -> dict[str, float]:
    """Return the figures."""
    opened(Part.REPORT)
    rng = np.random.default_rng(61)
    per_file, per_kind = (1, 5) if quick else (12, 50)
    errors = []
    with tempfile.TemporaryDirectory() as folder:
        for path in (*programme(Part.REPORT), *programme(Part.TUNING)):
            for number in range(per_file):
                rate_hz = RATES_HZ[number % 3]
                errors.append(measured(Path(folder), excerpt(path, rate_hz, rng), rate_hz, rng))
    worst = np.abs(errors)
    right = [
        refused(tone(48_000, rng, rng.uniform(0.02, 0.4)), 48_000) for _ in range(4 * per_kind)
    ]
    wrong = {
        kind: sum(refused(wrong_tone(kind, 48_000, rng), 48_000) for _ in range(per_kind))
        for kind in WRONG
    }
    print({kind: f"{count} of {per_kind}" for kind, count in wrong.items()})
    return {
        "recordings": len(errors),
        "a_worst_db": float(worst[:, 0].max()),
        "c_worst_db": float(worst[:, 1].max()),
        "a_within": int(np.sum(worst[:, 0] <= 0.1)),
        "c_within": int(np.sum(worst[:, 1] <= 0.1)),
        "wrong": len(WRONG) * per_kind,
        "wrong_refused": sum(wrong.values()),
        "right": len(right),
        "right_refused": sum(right),
    }


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    n = measure(quick=parser.parse_args().quick)
    print(f"data: {data_folder().name}, {n['recordings']} recordings")
    print(f"LAeq worst {n['a_worst_db']:.3f} dB, {share_text(n['a_within'], n['recordings'])}")
    print(f"LCeq worst {n['c_worst_db']:.3f} dB, {share_text(n['c_within'], n['recordings'])}")
    print(f"wrong tones refused: {share_text(n['wrong_refused'], n['wrong'])}")
    print(f"right tones refused: {share_text(n['right_refused'], n['right'])}")


if __name__ == "__main__":
    main()
