"""What the exercise "Which frequency rings?" asks for: tones, and bands to choose among."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shaping.filters.bands import EDGE_RATIO, midbands_hz
from shaping.text.frequency import hertz_text, nearest_note

COARSE_HZ = (250.0, 500.0, 1000.0, 2000.0, 4000.0)
"""Octaves first: where wedges ring (common practice, no published source)."""
_HINTS = ("as in who", "as in law", "as in father", "as in let", "as in see")
"""Vowels whose strongest region lies there: an old ear-training aid (from memory)."""
_TONES_PER_OCTAVE = 12


@dataclass(frozen=True, slots=True)
class Band:
    """A band to choose."""

    text: str
    hint: str
    low_hz: float
    high_hz: float


@dataclass(frozen=True, slots=True)
class Tone:
    """A tone that may grow."""

    hz: float
    text: str


def octave_bands() -> tuple[Band, ...]:
    """Return the five octaves."""
    half = float(np.sqrt(2.0))
    return tuple(
        Band(_name(hz), hint, hz / half, hz * half)
        for hz, hint in zip(COARSE_HZ, _HINTS, strict=True)
    )


def third_octave_bands() -> tuple[Band, ...]:
    """Return the third octaves within the five octaves."""
    exact_hz, nominal_hz = midbands_hz(200.0, 5000.0)
    return tuple(
        Band(_name(name), nearest_note(hz)[0], hz / EDGE_RATIO, hz * EDGE_RATIO)
        for hz, name in zip(exact_hz.tolist(), nominal_hz, strict=True)
    )


def tones() -> tuple[Tone, ...]:
    """Return the tones, a semitone apart, none on the edge between two bands."""
    low_hz, high_hz = octave_bands()[0].low_hz, octave_bands()[-1].high_hz
    count = int(np.floor(np.log2(high_hz / low_hz) * _TONES_PER_OCTAVE))
    # Third octaves meet at multiples of four semitones: half a semitone off is well inside.
    hz = low_hz * 2.0 ** ((np.arange(count) + 0.5) / _TONES_PER_OCTAVE)
    return tuple(
        Tone(round(one, 1), f"{hertz_text(one)}, about {nearest_note(one)[0]}")
        for one in hz.tolist()
    )


def _name(nominal_hz: float) -> str:
    """Return a band's name as it stands on equalisers.

    >>> _name(3150.0), _name(250.0)
    ('3.15 kHz', '250 Hz')
    """
    return f"{nominal_hz / 1000:g} kHz" if nominal_hz >= 1000 else f"{nominal_hz:g} Hz"
