"""Tunes of long notes and chords for one General MIDI instrument that can hold a note.

Alone and without a band: the hardest programme there is for a howl detector.
"""

from __future__ import annotations

import numpy as np

DURATION_S = 40.0

HOLDING = {
    8: "celesta", 10: "music box", 11: "vibraphone", 14: "tubular bells", 16: "drawbar organ",
    17: "percussive organ", 18: "rock organ", 19: "church organ", 20: "reed organ",
    21: "accordion", 22: "harmonica", 27: "clean guitar",
    29: "overdriven guitar", 30: "distorted guitar", 40: "violin", 41: "viola", 42: "cello",
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


def tune(program: int, *, seed: int, duration_s: float = DURATION_S) -> bytes:
    """Return a standard MIDI file of one track."""
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
