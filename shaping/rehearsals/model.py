"""How sure we are that a tone is a howl, and why, in words.

The model is a sum of small trees over the measures of `shaping.rehearsals.features`; a few weights
bring it to log-odds that hold on sources the trees have not seen, and their logistic function is
the confidence.
The numbers are in ``howl_model.json``; ``tests/bench/fit_howl_model.py`` fits them.

A second look sets each tone beside the others of its channel: music that brings one howl-like
tone after another, at ever different pitches, is music. What was never seen growing is never
certain.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.findings import CERTAIN as CERTAIN
from shaping.rehearsals.features import NAMES, Features
from shaping.rehearsals.first_look import possible, terms
from shaping.text.frequency import hertz_text

LISTED = 0.4
"""Less likely tones are not listed, not even as possible rings."""

GROWTH_SEEN_DB = 8.0
"""A rise along a straight line of at least this height is growth that was seen."""

FASTEST_SEEN_DB_PER_S = 450.0
"""A frame of 85 ms shows a sudden onset as a rise of about 700 dB/s."""

GREATEST_JUMP_DB = 12.0
"""From frame to frame, 21 ms: a sudden onset jumps by 15 dB and more."""

_UNSEEN_EVIDENCE = math.log(CERTAIN / (1 - CERTAIN)) - 0.05

RIVALS_WITHIN_S = 12.0
"""Tones at other pitches count that start within this time."""

LEAST_COMPANY = -2.0
"""Tones with less evidence than this speak for no loop, neither again nor at the same time."""

_AGAIN_RATIO = 1.01
"""Closer tones are one frequency again."""


@dataclass(frozen=True, eq=False)
class Trees:
    """A sum of small trees of one depth.

    Attributes
    ----------
    feature : ndarray of int64, shape (trees, nodes)
        Measure that each node looks at, in the order of `shaping.rehearsals.features.NAMES`;
        the nodes of a tree level by level.
    bar : ndarray of float64, shape (trees, nodes)
        Greater values go right.
    leaf : ndarray of float64, shape (trees, nodes + 1)
        What each leaf adds.
    start : float
        What the sum starts from.
    """

    feature: NDArray[np.int64]
    bar: NDArray[np.float64]
    leaf: NDArray[np.float64]
    start: float

    def total(self, values: NDArray[np.float64]) -> float:
        """Return the sum for one tone's measures."""
        tree = np.arange(self.feature.shape[0])
        node = np.zeros(tree.size, np.int64)
        nodes = self.feature.shape[1]
        while node[0] < nodes:
            right = values[self.feature[tree, node]] > self.bar[tree, node]
            node = 2 * node + 1 + right
        return float(self.start + self.leaf[tree, node - nodes].sum())


@dataclass(frozen=True, eq=False)
class _Model:
    trees: Trees
    weights: list[float]
    bends: list[float]
    quick_weights: list[float]
    quick_bar: float


@lru_cache(maxsize=1)
def _model() -> _Model:
    text = resources.files(__package__).joinpath("howl_model.json").read_text(encoding="utf-8")
    raw = json.loads(text)
    known = np.array([NAMES.index(name) for name in raw["measures"]])
    bar = [[math.inf if b is None else b for b in row] for row in raw["bar"]]
    trees = Trees(
        known[np.array(raw["feature"])], np.array(bar), np.array(raw["leaf"]), raw["start"]
    )
    return _Model(trees, raw["weights"], raw["bends"], raw["quick_weights"], raw["quick_bar"])


def worth_measuring(looks: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Tell which tracks may be howls, by what `shaping.rehearsals.first_look` saw of them."""
    quick = (terms(looks) * np.array(_model().quick_weights)).sum(axis=1)
    result: NDArray[np.bool_] = possible(looks) & (quick >= _model().quick_bar)
    return result


def seen_growing(features: Features) -> bool:
    """Whether the tone grew as a loop does: along a line, no faster than the frames resolve."""
    return (
        features.line_db >= GROWTH_SEEN_DB
        and features.line_db_per_s <= FASTEST_SEEN_DB_PER_S
        and features.jump_db <= GREATEST_JUMP_DB
    )


def evidence_of(features: Features) -> float:
    """Return the sum of the trees for one tone; `weighed` makes log-odds of it."""
    return _model().trees.total(features.as_array())


def confidence_of(evidence: float) -> float:
    """Return the confidence, 0..1, for an amount of evidence."""
    return 1 / (1 + math.exp(-min(max(evidence, -30.0), 30.0)))


def weighed(
    evidence: Sequence[float],
    start_s: Sequence[float],
    stop_s: Sequence[float],
    frequency_hz: Sequence[float],
    grew: Sequence[bool],
) -> list[float]:
    """Return log-odds that each event of a channel is a howl, from all of them together.

    Tones at other pitches just before and after speak for notes; the same frequency again, and
    another howl at the same time, speak for a loop. What was not seen growing stays below
    `CERTAIN`, whatever else speaks for it.

    Parameters
    ----------
    evidence : sequence of float
        Sum of the trees of each event, at its most howl-like.
    start_s, stop_s, frequency_hz : sequence of float
        When, and where.
    grew : sequence of bool
        Whether it was seen growing.
    """
    if not len(evidence):
        return []
    matrix = circumstances(evidence, start_s, stop_s, frequency_hz)
    odds = straightened((matrix * np.array(_model().weights)).sum(axis=1), _model().bends)
    return [
        float(o) if g else min(float(o), _UNSEEN_EVIDENCE) for o, g in zip(odds, grew, strict=True)
    ]


BENDS_AT = (0.0, 2.0)
"""Sums at which what they are worth as log-odds bends: one chance in two, and seven in eight."""


def straightened(
    total: NDArray[np.float64], bends: Sequence[float] | NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return log-odds that hold, along a line that bends at `BENDS_AT`, for weighed sums."""
    odds: NDArray[np.float64] = (bent(total) * np.asarray(bends)).sum(axis=1)
    return odds


def bent(total: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return one, the sum, and what it exceeds each of `BENDS_AT` by; shape (n, 4)."""
    over = [np.maximum(total - place, 0.0) for place in BENDS_AT]
    return np.stack([np.ones_like(total), total, *over], axis=1)


CIRCUMSTANCES = ("one", "evidence", "pitches", "again", "beside")
"""What `weighed` weighs: the logarithm of one plus the number of other pitches just before and
after, the evidence of the same frequency again, and that of another tone at the same time."""


def circumstances(
    evidence: Sequence[float],
    start_s: Sequence[float],
    stop_s: Sequence[float],
    frequency_hz: Sequence[float],
) -> NDArray[np.float64]:
    """Return what `weighed` weighs, shape (n, 5), in the order of `CIRCUMSTANCES`."""
    strength, start, stop, hertz = (
        np.asarray(v, float) for v in (evidence, start_s, stop_s, frequency_hz)
    )
    semitone = np.round(12 * np.log2(hertz / 440.0))
    rows = []
    for i in range(strength.size):
        apart = (start >= stop[i]) | (stop <= start[i])
        ratio = np.maximum(hertz / hertz[i], hertz[i] / hertz)
        other = (ratio > 1.02) & (np.abs(ratio - np.round(ratio)) > 0.02)
        rival = other & apart & (np.abs(start - start[i]) < RIVALS_WITHIN_S)
        again, beside = (
            float(strength[tones].max(initial=LEAST_COMPANY))
            for tones in (apart & (ratio < _AGAIN_RATIO), other & ~apart)
        )
        pitches = math.log1p(np.unique(semitone[rival]).size)
        rows.append([1.0, strength[i], pitches, again, beside])
    return np.array(rows)


def reason_for(features: Features, confidence: float, *, grew: bool, clipped: bool) -> str:
    """Return the evidence in words, what speaks against it included."""
    f = features
    words = []
    if grew and f.growth_db_per_s > 1:
        line = "along a straight line" if f.bend_db < 1.2 else "unevenly"
        words.append(f"grew {f.growth_db_per_s:.0f} dB/s {line}")
    else:
        words.append("was not seen growing")
    words.append(
        f"stood {max(f.stand_off_db, 0):.0f} dB over its neighbours for {f.steady_s:.1f} s"
    )
    cents = max(round(f.wander_cents), 1)
    unit = "cent" if cents == 1 else "cents"
    if f.wander_cents < 6:
        words.append(f"held {hertz_text(f.frequency_hz)} within {cents} {unit}")
    else:
        words.append(f"wandered by {cents} {unit}")
    if clipped or f.harmonic_db > -20:
        words.append("has harmonics, as when clipped" if clipped else "has harmonics")
    elif f.partner_db < -20:
        words.append("no family of harmonics")
    if f.hold_db > 8:
        words.append("went on when the rest fell away")
    text = ", ".join(words)
    return text if confidence >= CERTAIN else f"possible ring: {text}"
