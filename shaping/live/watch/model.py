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

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.findings import CERTAIN
from shaping.live.watch.measures import NAMES
from shaping.rehearsals.model import Trees

HELD_FRAMES = 3
"""A sum counts once it has held for so many frames, 64 ms: one frame's chance names nothing."""


@lru_cache(maxsize=1)
def _model() -> tuple[Trees, float]:
    text = resources.files(__package__).joinpath("watch_model.json").read_text(encoding="utf-8")
    raw = json.loads(text)
    known = np.array([NAMES.index(name) for name in raw["measures"]])
    bar = [[math.inf if b is None else b for b in row] for row in raw["bar"]]
    trees = Trees(
        known[np.array(raw["feature"])], np.array(bar), np.array(raw["leaf"]), raw["start"]
    )
    return trees, float(raw["certain_at"])


def evidence_of(measures: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the sums of the trees, shape (n,), for measures of shape (n, len(NAMES))."""
    trees, _ = _model()
    rows, every = np.arange(len(measures))[:, None], np.arange(trees.feature.shape[0])
    nodes = trees.feature.shape[1]
    node = np.zeros((len(measures), every.size), np.int64)
    for _ in range(round(math.log2(nodes + 1))):
        right = measures[rows, trees.feature[every, node]] > trees.bar[every, node]
        node = 2 * node + 1 + right
    return np.asarray(trees.start + trees.leaf[every, node - nodes].sum(axis=1))


def confidence_of(evidence: float) -> float:
    """Return the confidence, 0..1; `CERTAIN` where the model says certain."""
    _, certain_at = _model()
    odds = evidence - certain_at + math.log(CERTAIN / (1 - CERTAIN))
    return 1 / (1 + math.exp(-min(max(odds, -30.0), 30.0)))
