"""Fit the model that tells howls from music, and write ``shaping/rehearsals/howl_model.json``.

``python tests/bench/fit_howl_model.py`` makes the tuning scenes, measures them and the tuning part
of the programme, boosts trees (see `boosting`), and finds by leaving out sources what the sum of
the trees is worth as log-odds. ``--check`` writes nothing and tells whether the committed model
comes out to the digit. Nothing of the report or the locked part is read.

Examples of one source (a game, a reader, a bank, a generator) are left out together. A source
counts by the square root of its number of examples, so that no long soundtrack drowns the rest.
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Sequence
from pathlib import Path

import boosting
import numpy as np
from howl_examples import Examples, all_examples
from measured_data import Part
from numpy.typing import NDArray

import shaping.rehearsals
from shaping.rehearsals.features import NAMES
from shaping.rehearsals.model import Trees

MODEL = Path(shaping.rehearsals.__file__).parent / "howl_model.json"

MEASURES = {
    "frequency_hz": 0,
    "duration_s": 0,
    "steady_s": 0,
    "tremble_bins": -1,
    "wander_cents": 0,
    "drift_cents": 0,
    "off_scale_cents": 1,
    "stand_off_db": 1,
    "before_stand_off_db": 0,
    "dominance_db": 1,
    "best_dominance_db": 1,
    "over_before_db": 1,
    "rise_db": 0,
    "growth_db_per_s": 0,
    "rise_s": 0,
    "bend_db": -1,
    "curve_db": 0,
    "jump_db": -1,
    "straight_db": 1,
    "straight_s": 1,
    "straight_db_per_s": 0,
    "straight_share": 1,
    "plateau_slope_db_per_s": 0,
    "plateau_ripple_db": 0,
    "fall_db_per_s": 0,
    "stroke_db": -1,
    "harmonic_db": -1,
    "partner_db": -1,
    "siblings": -1,
    "hold_db": 1,
}
"""Measures that may decide, and which way alone: 1 speaks for a howl the more the higher."""

ROUNDS = 250
FOLDS = 6


class Table:
    """All examples in one table."""

    def __init__(self, examples: Sequence[Examples]) -> None:
        columns = [NAMES.index(name) for name in MEASURES]
        measures = np.vstack([e.measures for e in examples])[:, columns]
        label = np.concatenate([e.label for e in examples])
        sources = sorted({e.source for e in examples})
        source = np.concatenate([[sources.index(e.source)] * len(e.label) for e in examples])
        used = label != -2
        self.values = np.nan_to_num(measures[used], posinf=99.0, neginf=-99.0)
        self.howl = label[used] >= 0
        self.source = source[used].astype(np.int64)
        self.weight = _weights(self.howl, self.source)
        self.monotone = np.array(list(MEASURES.values()))

    def fold(self) -> NDArray[np.int64]:
        """Return each example's fold; sources stay together, folds are about alike."""
        count = np.bincount(self.source)
        own = np.zeros(count.size, np.int64)
        filled = np.zeros(FOLDS)
        for number in np.argsort(-count, kind="stable"):
            own[number] = int(filled.argmin())
            filled[own[number]] += count[number]
        return own[self.source]


def _weights(howl: NDArray[np.bool_], source: NDArray[np.int64]) -> NDArray[np.float64]:
    weight = np.ones(howl.size)
    for side in (True, False):
        part = howl == side
        count = np.bincount(source[part], minlength=source.max() + 1)
        own = 1 / np.sqrt(np.maximum(count, 1))
        weight[part] = own[source[part]]
        weight[part] *= part.sum() / weight[part].sum()
    return weight


def left_out(table: Table) -> NDArray[np.float64]:
    """Return each example's sum by trees that did not see its source."""
    total = np.zeros(table.howl.size)
    fold = table.fold()
    for number in range(FOLDS):
        inside = fold != number
        data = boosting.binned(table.values[inside])
        trees = boosting.fit(data, table.howl[inside], table.weight[inside], table.monotone, ROUNDS)
        total[~inside] = sums(trees, table.values[~inside])
    return total


def sums(trees: Trees, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the sums of many examples at once."""
    total = np.full(len(values), trees.start)
    nodes = trees.feature.shape[1]
    rows = np.arange(len(values))
    for feature, bar, leaf in zip(trees.feature, trees.bar, trees.leaf, strict=True):
        node = np.zeros(len(values), np.int64)
        while node[0] < nodes:
            node = 2 * node + 1 + (values[rows, feature[node]] > bar[node])
        total += leaf[node - nodes]
    return total


def calibration(total: NDArray[np.float64], howl: NDArray[np.bool_]) -> tuple[float, float]:
    """Return offset and slope that turn sums into log-odds, by maximum likelihood."""
    matrix = np.stack([np.ones(total.size), total], axis=1)
    beta = np.array([0.0, 1.0])
    for _ in range(50):
        chance = 1 / (1 + np.exp(-matrix @ beta))
        slope = matrix.T @ (howl - chance)
        bend = (matrix * (chance * (1 - chance))[:, None]).T @ matrix
        beta = beta + np.linalg.solve(bend, slope)
    return round(float(beta[0]), 3), round(float(beta[1]), 3)


def text_of(trees: Trees, calibrated: tuple[float, float]) -> str:
    """Return the model as it is written."""
    bars = [[None if math.isinf(b) else b for b in row] for row in trees.bar.tolist()]
    raw = {
        "fitted_by": "tests/bench/fit_howl_model.py",
        "measures": list(MEASURES),
        "calibration": calibrated,
        "start": trees.start,
        "feature": trees.feature.tolist(),
        "bar": bars,
        "leaf": trees.leaf.tolist(),
    }
    lines = [f" {json.dumps(k)}: {json.dumps(v, separators=(',', ':'))}" for k, v in raw.items()]
    return "{\n" + ",\n".join(lines) + "\n}\n"


def fitted() -> tuple[str, NDArray[np.float64], Table]:
    """Return the model's text, the left-out log-odds of every example, and the examples."""
    table = Table(all_examples(Part.TUNING))
    total = left_out(table)
    calibrated = calibration(total, table.howl)
    trees = boosting.fit(
        boosting.binned(table.values), table.howl, table.weight, table.monotone, ROUNDS
    )
    return text_of(trees, calibrated), calibrated[0] + calibrated[1] * total, table


def main() -> None:
    """Fit, and write or compare."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="compare with the committed model")
    options = parser.parse_args()
    text, evidence, table = fitted()
    chance = 1 / (1 + np.exp(-evidence))
    print(f"{table.howl.sum()} howls' tones and {np.sum(~table.howl)} others, sources left out:")
    print(f"  Brier score {np.mean((chance - table.howl) ** 2):.4f}")
    if options.check:
        same = MODEL.read_text(encoding="utf-8") == text
        print("the committed model comes out to the digit" if same else "the model DIFFERS")
        raise SystemExit(0 if same else 1)
    MODEL.write_text(text, encoding="utf-8")
    print(f"wrote {MODEL.name}")


if __name__ == "__main__":
    main()
