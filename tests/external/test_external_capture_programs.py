"""Captures against general-purpose audio programs from Debian: SoX and FFmpeg."""

from __future__ import annotations

import re
import struct
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal

from shaping.capture.audio import inspect, read_capture
from shaping.capture.clipping import find_flat_tops
from shaping.capture.recording import CaptureKind
from shaping.capture.signals import pink_noise, write_signal

pytestmark = pytest.mark.debian

RATE = 48_000


def run(*command: str | Path) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run([str(word) for word in command], check=True, capture_output=True)


def decoded_by_ffmpeg(path: Path) -> np.ndarray:
    raw = run("ffmpeg", "-v", "error", "-i", path, "-f", "f32le", "-c:a", "pcm_f32le", "-").stdout
    return np.frombuffer(raw, "<f4")


@pytest.fixture
def music(rng: np.random.Generator) -> np.ndarray:
    """Eight seconds of something between tones and noise."""
    time_s = np.arange(8 * RATE) / RATE
    tones = sum(np.sin(2 * np.pi * f * time_s * (1 + 0.001 * time_s)) for f in (220, 331, 1_470))
    return 0.1 * tones + 0.01 * rng.standard_normal(time_s.size)


@pytest.mark.parametrize(
    ("suffix", "error"), [("wav", 0.0), ("flac", 0.0), ("aiff", 0.0), ("mp3", 1e-4), ("ogg", 1e-4)]
)
def test_decoding(tmp_path, music, suffix, error):
    """Block by block, the same samples as another decoder's.

    Source: FFmpeg 5.1 (Debian).
    """
    path = tmp_path / f"music.{suffix}"
    soundfile.write(path, music, RATE)
    ours = read_capture(path, kind=CaptureKind.RING_OUT).samples
    theirs = decoded_by_ffmpeg(path)
    size = min(ours.size, theirs.size)
    assert size >= music.size - 2_000
    # Decoders differ in how much of an encoder's padding they cut off.
    lag = np.argmax(np.abs(signal.correlate(theirs[:size], ours[:size], "full"))) - (size - 1)
    theirs = np.roll(theirs[:size], -lag)
    middle = slice(RATE, size - RATE)
    assert np.sqrt(np.mean((ours[:size][middle] - theirs[middle]) ** 2)) <= error


@pytest.mark.parametrize("fault", ["size 0", "size unset", "cut short"])
def test_what_is_rescued_is_what_another_program_rescues(tmp_path, music, fault):
    """A damaged header is read around as another program does it.

    Source: SoX 14.4 (Debian), option --ignore-length.
    """
    path = tmp_path / "crashed.wav"
    soundfile.write(path, music, RATE)
    data = bytearray(path.read_bytes())
    if fault == "cut short":
        data = data[: len(data) // 2]
    else:
        data[40:44] = struct.pack("<I", 0 if fault == "size 0" else 2**32 - 1)
    path.write_bytes(data)
    rescued = tmp_path / "rescued.wav"
    run("sox", "--ignore-length", path, rescued)
    theirs, _ = soundfile.read(rescued, dtype="float32")
    ours = read_capture(path, kind=CaptureKind.RING_OUT)
    np.testing.assert_array_equal(ours.samples, theirs)
    assert inspect(path).cut_short is not None


@pytest.mark.parametrize("gain_db", [6, 12])
def test_samples_on_the_rail(tmp_path, music, gain_db):
    """As many clipped samples as another program counts.

    Source: FFmpeg 5.1 (Debian), filter astats, "Peak count"; the clipping itself is SoX's.
    """
    soundfile.write(tmp_path / "music.wav", 2 * music, RATE, subtype="PCM_16")
    run("sox", "-D", tmp_path / "music.wav", tmp_path / "clipped.wav", "gain", str(gain_db))
    report = run(
        "ffmpeg", "-i", tmp_path / "clipped.wav", "-af", "astats", "-f", "null", "-"
    ).stderr.decode()
    counted = int(float(re.findall(r"Peak count: ([\d.]+)", report)[0]))
    capture = read_capture(tmp_path / "clipped.wav", kind=CaptureKind.RING_OUT)
    tops = find_flat_tops(capture.samples)
    assert tops is not None
    assert tops.at_full_scale
    assert tops.samples == pytest.approx(counted, rel=0.02)


def test_level_and_peak_of_written_noise(tmp_path):
    """The stated level and peak, measured on the file.

    Source: SoX 14.4 (Debian), effect stats.
    """
    write_signal(tmp_path / "noise.wav", pink_noise(20.0, level_dbfs=-30.0), RATE)
    report = run("sox", tmp_path / "noise.wav", "-n", "trim", "1", "18", "stats").stderr.decode()
    figures = dict(re.findall(r"^(\w+ lev dB)\s+(-[\d.]+)", report, re.M))
    assert float(figures["RMS lev dB"]) == pytest.approx(-30.0, abs=0.1)
    assert -20.0 < float(figures["Pk lev dB"]) <= -18.0


def test_pink_like_another_generators(tmp_path):
    """Octave levels of our noise and of another generator's differ by its own ripple only.

    Source: SoX 14.4 (Debian), synth pinknoise; within about 0.5 dB of pink itself.
    """
    run(
        "sox", "-R", "-n", "-r", str(RATE), "-b", "32", tmp_path / "theirs.wav",
        "synth", "60", "pinknoise",
    )  # fmt: skip
    theirs, _ = soundfile.read(tmp_path / "theirs.wav")
    ours = pink_noise(60.0, seed=2)
    difference = []
    for n in range(-4, 4):
        edges = np.array([10**-0.15, 10**0.15]) * 1000 * 10 ** (0.3 * n)
        sos = signal.butter(4, edges, "bandpass", fs=RATE, output="sos")
        power = [np.mean(signal.sosfilt(sos, noise)[RATE:-RATE] ** 2) for noise in (ours, theirs)]
        difference.append(10 * np.log10(power[0] / power[1]))
    assert np.ptp(difference) < 1.2
