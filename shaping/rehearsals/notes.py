"""Whether the tones of a channel are notes: many pitches that lie on one scale.

A room gives a loop its frequencies, and they lie anywhere between the notes. An instrument, a
synth or a voice that follows one brings pitches a whole number of semitones apart, whatever it is
tuned to.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

MIN_PITCHES = 8
"""Fewer pitches are too few to tell."""

RAYLEIGH = 6.9
"""Pitches drawn between the notes lie as close to one scale once in a thousand times: the chance
is ``exp(-n R^2)``, R the length of the mean of their places in the semitone, drawn on a circle
(N. I. Fisher, Statistical Analysis of Circular Data, 1993, section 4.3; from memory)."""

_ONE_PITCH_CENTS = 35.0  # a third of a semitone: a note out of tune, and not yet the next one


def are_notes(frequencies_hz: Sequence[float]) -> bool:
    """Tell whether frequencies are the notes of one scale.

    Parameters
    ----------
    frequencies_hz : sequence of float
        Of all events of a channel; those within a third of a semitone count once.

    Examples
    --------
    >>> are_notes([440 * 2 ** (n / 12) for n in (0, 2, 4, 5, 7, 9, 11, 12)])
    True
    >>> are_notes([440.0] * 100)
    False
    """
    cents = np.sort(1200 * np.log2(np.asarray(frequencies_hz, float) / 440.0))
    if cents.size == 0:
        return False
    groups = np.split(cents, np.flatnonzero(np.diff(cents) > _ONE_PITCH_CENTS) + 1)
    pitches = np.array([group.mean() for group in groups])
    mean = abs(np.exp(2j * np.pi * pitches / 100).mean())
    return bool(pitches.size >= MIN_PITCHES and pitches.size * mean**2 > RAYLEIGH)
