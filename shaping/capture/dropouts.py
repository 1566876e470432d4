"""Dropouts: stretches where the recorder wrote zeros, or the last sample again, inside a signal.

A dropout begins or ends in a jump, or stands still away from zero for longer than any wave does; a
fade to digital silence, the flat crest of a low note and a rest between notes do neither.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_MIN_HELD_S = 0.3e-3
"""Equal samples in a row for this long do not occur in a signal well above its quantiser step."""

_MIN_HELD = 8
"""... nor fewer than this many at a low sample rate."""

_LONGEST_S = 1.0
"""A longer stretch is a pause or an edit, not lost samples."""

_AROUND_S = 5e-3
"""How much signal on each side a dropout is compared with."""

_MIN_STEPS = 4
"""Quantiser steps that the jump must span."""

_RAIL = 0.98
"""Held samples this near the peak are clipping, which has its own check."""

_MOST_RUNS = 20_000
"""Runs looked at: a file of millions is digital noise anyway, and time is bounded."""


@dataclass(frozen=True, slots=True)
class Dropouts:
    """Lost stretches.

    Attributes
    ----------
    count : int
        How many.
    first : int
        Index of the first lost sample.
    samples : int
        Lost samples in all.
    """

    count: int
    first: int
    samples: int


def find_dropouts(samples: NDArray[np.float32], sample_rate_hz: int) -> Dropouts | None:
    """Find dropouts in one channel, shape (n,); None if there are none."""
    shortest = max(_MIN_HELD, round(_MIN_HELD_S * sample_rate_hz))
    starts, lengths = _held(samples, shortest, round(_LONGEST_S * sample_rate_hz))
    around = max(16, round(_AROUND_S * sample_rate_hz))
    high, low = _RAIL * float(samples.max()), _RAIL * float(samples.min())
    lost: list[tuple[int, int]] = []
    for start, length in np.column_stack((starts, lengths))[:_MOST_RUNS].tolist():
        value = float(samples[start])
        if value and not low < value < high:
            continue
        end = start + length
        before = samples[max(0, start - around) : start].astype(np.float64)
        after = samples[end : end + around].astype(np.float64)
        if before.size < 8 or after.size < 8:
            continue
        jump = max(abs(value - before[-1]), abs(value - after[0]))
        steps = np.abs(np.concatenate((np.diff(before), np.diff(after))))
        moving = steps[steps > 0]
        if moving.size < steps.size // 2:
            continue  # the surroundings stand still as well
        usual = float(np.sqrt(np.mean(steps**2)))
        least = _MIN_STEPS * float(moving.min())
        stuck = length >= around and abs(value) >= least
        if stuck or jump >= max(usual, least):
            lost.append((start, length))
    if not lost:
        return None
    return Dropouts(len(lost), lost[0][0], sum(length for _, length in lost))


def _held(
    samples: NDArray[np.float32], shortest: int, longest: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return starts and lengths of the runs of equal samples strictly inside the recording."""
    same = samples[1:] == samples[:-1]
    edges = np.flatnonzero(np.diff(same, prepend=False, append=False))
    starts, lengths = edges[::2], edges[1::2] - edges[::2] + 1
    inside = (starts > 0) & (starts + lengths < samples.size)
    held = inside & (lengths >= shortest) & (lengths <= longest)
    return starts[held], lengths[held]
