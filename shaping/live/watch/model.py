"""How sure it is that a tone is a ring, from what was measured up to now.

As `shaping.rehearsals.model`, a sum of small trees, here over `shaping.live.watch.measures`, which
see nothing of what comes after. Its numbers are in ``watch_model.json``;
``tests/bench/fit_watch_model.py`` fits them, and the sum from which a ring is certain.
"""

from __future__ import annotations

import json
import math
from functools import lru_cache
from importlib import resources
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.findings import CERTAIN
from shaping.live.watch.measures import MEASURE_NAMES
from shaping.rehearsals.model import Trees

HELD_FRAMES: Final = 3
"""A sum counts once it has held for so many frames, 64 ms: one frame's chance names nothing."""

RING_LIKE: Final = -0.5
"""Tones of other pitches with at least this evidence speak for music."""

RIVAL_WEIGHT: Final = 1.0
"""What the logarithm of one plus their number takes from the evidence. Of 0, 0.3, 0.6 and 1 this
named the most rings in time, at two false ones an hour, on tuning sources left out of the fit."""

RIVALS_FOR_S: Final = 12.0
"""As in `shaping.rehearsals.model`."""

APART_S: Final = 0.3
"""Only tones that have ended are rivals: a loop pushed far rings at several places at once. Without
this, fewer rings were named in time on those sources."""

_SEMITONES = 12


class Rivals:
    """Tones of one channel that were ring-like of late, by semitone.

    Music that brings one ring-like tone after another, at ever different pitches, is music.
    """

    def __init__(self) -> None:
        self._last_s: dict[int, float] = {}

    def count(self, frequency_hz: float, now_s: float) -> int:
        """Return how many other pitches were ring-like of late, and are not any more.

        Multiples are no other pitch.
        """
        own = _semitone(frequency_hz)
        return sum(
            APART_S <= now_s - last_s <= RIVALS_FOR_S and _other_pitch(abs(one - own))
            for one, last_s in self._last_s.items()
        )

    def note(self, frequency_hz: float, now_s: float) -> None:
        """Remember a ring-like tone."""
        self._last_s[_semitone(frequency_hz)] = now_s


def _semitone(frequency_hz: float) -> int:
    return round(_SEMITONES * math.log2(frequency_hz / 440.0))


def _other_pitch(semitones: int) -> bool:
    if semitones == 0:
        return False
    ratio = 2 ** (semitones / _SEMITONES)
    return abs(ratio - round(ratio)) > 0.03 * ratio


@lru_cache(maxsize=1)
def _model() -> tuple[Trees, float]:
    text = resources.files(__package__).joinpath("watch_model.json").read_text(encoding="utf-8")
    raw = json.loads(text)
    known = np.array([MEASURE_NAMES.index(name) for name in raw["measures"]])
    bar = [[math.inf if b is None else b for b in row] for row in raw["bar"]]
    trees = Trees(
        known[np.array(raw["feature"])], np.array(bar), np.array(raw["leaf"]), raw["start"]
    )
    return trees, float(raw["certain_at"])


def evidence_of(measures: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the sums of the trees, shape (n,), for measures of shape (n, len(MEASURE_NAMES))."""
    trees, _ = _model()
    rows, every = np.arange(len(measures))[:, None], np.arange(trees.feature.shape[0])
    nodes = trees.feature.shape[1]
    node = np.zeros((len(measures), every.size), np.int64)
    for _ in range(round(math.log2(nodes + 1))):
        right = measures[rows, trees.feature[every, node]] > trees.bar[every, node]
        node = 2 * node + 1 + right
    return np.asarray(trees.start + trees.leaf[every, node - nodes].sum(axis=1))


def certain_at() -> float:
    """Return the sum from which a ring is certain."""
    return _model()[1]


def confidence_of(evidence: float) -> float:
    """Return the confidence, 0..1; `CERTAIN` where the model says certain."""
    odds = evidence - certain_at() + math.log(CERTAIN / (1 - CERTAIN))
    return 1 / (1 + math.exp(-min(max(odds, -30.0), 30.0)))
