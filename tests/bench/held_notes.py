"""Held notes of every instrument that holds notes, played by a software synthesiser.

Each instrument of the General MIDI set that can hold a note plays a tune of long notes and
chords, alone, without vibrato where it has none: the hardest programme there is for a howl
detector. Needs the Debian packages ``fluidsynth`` (LGPL-2.1+) and ``fluid-soundfont-gm`` (MIT).
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

SOUNDFONT = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")

_PLAY = ("fluidsynth", "-ni", "-q", "-R", "0", "-C", "0", "-g", "0.6", "-r", "48000")

PROGRAMS = {
    8: "celesta", 10: "music box", 11: "vibraphone", 14: "tubular bells", 16: "drawbar organ",
    17: "percussive organ", 18: "rock organ", 19: "church organ", 20: "reed organ",
    21: "accordion", 22: "harmonica", 40: "violin", 41: "viola", 42: "cello",
    44: "tremolo strings", 48: "strings", 49: "slow strings", 50: "synth strings", 52: "choir",
    53: "voices", 54: "synth voice", 56: "trumpet", 57: "trombone", 60: "horn", 61: "brass",
    62: "synth brass", 65: "alto saxophone", 68: "oboe", 69: "english horn", 70: "bassoon",
    71: "clarinet", 72: "piccolo", 73: "flute", 74: "recorder", 75: "pan flute",
    76: "blown bottle", 77: "shakuhachi", 78: "whistle", 79: "ocarina", 80: "square lead",
    81: "saw lead", 82: "calliope lead", 83: "chiff lead", 85: "voice lead", 88: "new age pad",
    89: "warm pad", 90: "polysynth pad", 91: "choir pad", 92: "bowed pad", 93: "metallic pad",
    94: "halo pad", 95: "sweep pad", 97: "soundtrack", 98: "crystal", 99: "atmosphere",
    100: "brightness", 101: "goblins", 102: "echoes", 103: "stars", 109: "bagpipe",
}  # fmt: skip
"""Numbers of the General MIDI 1 sound set, from 0."""

HELD_OUT = frozenset({10, 17, 19, 22, 41, 49, 53, 60, 68, 72, 75, 79, 82, 89, 92, 95, 99, 102})
"""Instruments that no tuning has heard."""


def render(program: int, *, seed: int, duration_s: float = 40.0) -> NDArray[np.float32]:
    """Play one instrument at 48 kHz, mono; shape (n,)."""
    if shutil.which("fluidsynth") is None or not SOUNDFONT.exists():
        raise SystemExit("install the Debian packages fluidsynth and fluid-soundfont-gm first")
    with tempfile.TemporaryDirectory() as folder:
        midi, audio = Path(folder) / "tune.mid", Path(folder) / "tune.wav"
        midi.write_bytes(_tune(program, seed=seed, duration_s=duration_s))
        subprocess.run(
            [*_PLAY, "-F", audio, SOUNDFONT, midi],
            check=True,
            capture_output=True,
        )
        samples, _ = soundfile.read(audio, dtype="float32", always_2d=True)
    return np.ascontiguousarray(samples[: round(duration_s * 48_000), 0])


def _tune(program: int, *, seed: int, duration_s: float) -> bytes:
    rng = np.random.default_rng([seed, program])
    events: list[tuple[int, bytes]] = [(0, bytes([0xC0, program]))]
    time = 0.2
    low, high = (72, 98) if program in (72, 78, 10, 8) else (48, 90)
    scale = np.array([0, 2, 4, 5, 7, 9, 11])
    root = int(rng.integers(low, low + 12))
    while time < duration_s - 1:
        length = float(rng.choice([0.4, 0.8, 1.5, 2.5, 4.0]))
        degree = int(rng.integers(0, 7 * (high - low) // 12 - 7))
        chord = [degree] if rng.random() < 0.6 else [degree, degree + 2, degree + 4]
        velocity = int(rng.integers(50, 120))
        for step in chord:
            note = min(root + 12 * (step // 7) + int(scale[step % 7]), 108)
            events.append((round(time * 960), bytes([0x90, note, velocity])))
            events.append((round((time + length) * 960), bytes([0x80, note, 0])))
        time += length + float(rng.choice([0.0, 0.0, 0.3]))
    track = b"\x00\xff\x51\x03" + (500_000).to_bytes(3, "big")  # 120 beats of 480 ticks a minute
    now = 0
    for at, message in sorted(events, key=lambda event: event[0]):
        track += _variable(at - now) + message
        now = at
    track += b"\x83\x60\xff\x2f\x00"
    header = b"MThd" + (6).to_bytes(4, "big") + bytes([0, 0, 0, 1]) + (480).to_bytes(2, "big")
    return header + b"MTrk" + len(track).to_bytes(4, "big") + track


def _variable(value: int) -> bytes:
    data = [value & 0x7F]
    while value := value >> 7:
        data.append(0x80 | (value & 0x7F))
    return bytes(reversed(data))
