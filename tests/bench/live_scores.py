"""From evidence, hop by hop, to what the bench counts: false rings per hour, times to name a ring.

The same for the watch's model and for the plain methods beside it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from live_examples import Watched
from numpy.typing import NDArray

from shaping.live.watch.model import HELD_FRAMES, RING_LIKE, RIVAL_WEIGHT, Rivals

_SAME = math.log(1.015)
_ONE_EVENT_S = 3.0


@dataclass(frozen=True, eq=False)
class Scored:
    """One recording with the evidence of each measured tone, held and weighed."""

    recording: Watched
    evidence: NDArray[np.float64]


def scored(recording: Watched, sums: NDArray[np.float64]) -> Scored:
    """Hold and weigh the sums of the trees as the watch does."""
    held = held_sums(recording, sums, HELD_FRAMES)
    rivals = Rivals()
    weighed = held.copy()
    hertz = recording.measures[:, 0]
    for at in np.flatnonzero(held >= RING_LIKE):
        count = rivals.count(float(hertz[at]), float(recording.known_s[at]))
        weighed[at] -= RIVAL_WEIGHT * math.log1p(count)
        rivals.note(float(hertz[at]), float(recording.known_s[at]))
    return Scored(recording, weighed)


def held_sums(recording: Watched, sums: NDArray[np.float64], frames: int) -> NDArray[np.float64]:
    """Return the least sum of each tone over its last frames; -99 where one is missing."""
    frame, log_hertz = recording.frame, np.log(recording.measures[:, 0].astype(np.float64))
    held = sums.copy()
    if not frame.size:
        return held
    starts = np.searchsorted(frame, np.arange(int(frame.max()) + 2))
    for back in range(1, frames):
        earlier = np.full(sums.size, -99.0)
        for number in np.unique(frame[frame >= back]):
            now = slice(starts[number], starts[number + 1])
            then = slice(starts[number - back], starts[number - back + 1])
            if then.start < then.stop:
                near = np.abs(log_hertz[now, None] - log_hertz[None, then]) < _SAME
                earlier[now] = np.where(near, sums[None, then], -99.0).max(axis=1)
        held = np.minimum(held, earlier)
    return held


def false_rings(one: Scored, bar: float) -> int:
    """Return how many rings were told where none was."""
    recording = one.recording
    wrong = (one.evidence >= bar) & (recording.label == -1)
    events: list[list[float]] = []
    for time_s, hertz in zip(recording.known_s[wrong], recording.measures[wrong, 0], strict=True):
        for event in events:
            if abs(math.log(hertz / event[0])) < _SAME and time_s - event[1] < _ONE_EVENT_S:
                event[1] = time_s
                break
        else:
            events.append([float(hertz), float(time_s)])
    return len(events)


def delays_s(one: Scored, bar: float) -> list[float]:
    """Return for each howl when it was named after it stood out; infinite where it never was."""
    result = []
    for number, howl in enumerate(one.recording.howls):
        named = (one.recording.label == number) & (one.evidence >= bar)
        known = one.recording.known_s[named]
        result.append(float(known[0]) - howl.start_s if known.size else math.inf)
    return result


def told(many: Sequence[Scored], bar: float) -> str:
    """Return what one bar gives, in a line."""
    clean = [one for one in many if one.recording.kind in ("music", "speech")]
    hours = sum(one.recording.duration_s for one in clean) / 3600
    false = sum(false_rings(one, bar) for one in clean)
    delay = np.array([d for one in many for d in delays_s(one, bar)])
    return (
        f"{false} false in {hours:.2f} h; {np.isfinite(delay).mean():.1%} of {delay.size} named, "
        f"median {np.median(delay):.2f} s, within 0.6 s {np.mean(delay <= 0.6):.1%}"
    )
