"""Fit the model that tells howls from music, and write ``shaping/rehearsals/howl_model.json``.

``python tests/bench/fit_howl_model.py`` makes the tuning scenes, measures them and the tuning part
of the programme, boosts trees (see `boosting`), and finds by leaving out sources what the sum of
the trees and the circumstances of an event are worth as log-odds, along a line that may bend.
``--check`` writes nothing and tells whether the committed model comes out to the digit. Nothing of
the report or the locked part is read. Scenes and measures are kept in the temporary folder until
what makes them changes; without them it takes about half an hour on an idle core.

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
from howl_examples import MADE, SAME_RATIO, Examples, all_examples
from measured_data import DataMissingError, Part
from numpy.typing import NDArray

import shaping.rehearsals
from shaping.rehearsals.detector import WEAKEST_EVIDENCE, Candidate
from shaping.rehearsals.features import NAMES, Features
from shaping.rehearsals.first_look import terms
from shaping.rehearsals.judging import joined, without_harmonics
from shaping.rehearsals.model import Trees, bent, circumstances, seen_growing, straightened

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
    "line_db": 1,
    "line_db_per_s": 0,
    "line_jump": -1,
    "straight_curve_db": 0,
    "plateau_slope_db_per_s": 0,
    "plateau_ripple_db": 0,
    "fall_db_per_s": 0,
    "stroke_db": -1,
    "harmonic_db": -1,
    "partner_db": -1,
    "siblings": -1,
    "hold_db": 1,
    "second_dominance_db": 1,
    "spread_stroke_db": -1,
    "line_flat": -1,
}
"""Measures that may decide, and which way alone: 1 speaks for a howl the more the higher."""

KEPT = 0.99
"""Share of howls that the quick sum lets pass."""

ROUNDS = 200
FOLDS = 6

MADE_WEIGHT = 0.2
"""Weight of events in made tones when the sums become odds: there are twelve minutes of them in an
hour of the tuning material, and two or three of line check in an hour of rehearsal."""


class Table:
    """All examples in one table."""

    def __init__(self, examples: Sequence[Examples]) -> None:
        columns = [NAMES.index(name) for name in MEASURES]
        measures = np.vstack([e.measures for e in examples])[:, columns]
        label = np.concatenate([e.label for e in examples])
        sources = sorted({e.source for e in examples})
        self.values = measures
        self.looks = np.vstack([e.looks for e in examples])
        self.recording = np.repeat(np.arange(len(examples)), [len(e.label) for e in examples])
        self.label = label
        self.used = label != -2
        self.howl = label >= 0
        self.source = np.repeat(
            [sources.index(e.source) for e in examples], [len(e.label) for e in examples]
        )
        self.weight = _weights(self.howl, self.source, self.used)
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


def _weights(
    howl: NDArray[np.bool_], source: NDArray[np.int64], used: NDArray[np.bool_]
) -> NDArray[np.float64]:
    weight = np.ones(howl.size)
    for side in (True, False):
        part = (howl == side) & used
        count = np.bincount(source[part], minlength=source.max() + 1)
        own = 1 / np.sqrt(np.maximum(count, 1))
        weight[part] = own[source[part]]
        weight[part] *= part.sum() / weight[part].sum()
    return weight


def quick_sum(table: Table) -> tuple[NDArray[np.float64], float]:
    """Return the weights of the quick sum, and the bar that `KEPT` of the howls pass."""
    matrix = terms(table.looks)
    weights = np.zeros(matrix.shape[1])
    sides = [table.howl & table.used, ~table.howl & table.used]
    share = 0.5 * sum(side / side.sum() for side in sides) * table.used.sum()
    for _ in range(50):
        chance = 1 / (1 + np.exp(-np.clip(matrix @ weights, -30, 30)))
        slope = matrix.T @ (share * (table.howl - chance)) - 0.1 * weights
        bend = (matrix * (share * chance * (1 - chance))[:, None]).T @ matrix
        weights = weights + np.linalg.solve(bend + 0.1 * np.eye(weights.size), slope)
    weights = np.round(weights, 3)
    quick = (matrix * weights).sum(axis=1)
    howls = table.recording[table.howl] * 100 + table.label[table.howl]
    best = np.array([quick[table.howl][howls == howl].max() for howl in np.unique(howls)])
    return weights, round(float(np.quantile(best, 1 - KEPT, method="lower")) - 0.005, 2)


def trees_of(table: Table, inside: NDArray[np.bool_]) -> Trees:
    """Boost trees on part of the examples."""
    inside = inside & table.used
    data = boosting.binned(table.values[inside])
    return boosting.fit(data, table.howl[inside], table.weight[inside], table.monotone, ROUNDS)


def left_out(table: Table) -> NDArray[np.float64]:
    """Return each example's sum by trees that did not see its source."""
    total = np.zeros(table.howl.size)
    fold = table.fold()
    for number in range(FOLDS):
        trees = trees_of(table, fold != number)
        total[fold == number] = sums(trees, table.values[fold == number])
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


def events(
    examples: Sequence[Examples], total: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.float64]]:
    """Join examples to events as the scan does; return circumstances, truth and weight."""
    rows, truth, weight = [], [], []
    first = 0
    for e in examples:
        found = []
        for measures, evidence in zip(e.measures, total[first:], strict=False):
            if evidence >= WEAKEST_EVIDENCE:
                f = Features(*(float(v) for v in measures))
                stop_s = f.start_s + f.duration_s
                found.append(Candidate(f.start_s, stop_s, float(evidence), seen_growing(f), f))
        first += len(e.label)
        distinct = [candidate for candidate, _ in without_harmonics(joined(found))]
        if not distinct:
            continue
        matrix = circumstances(
            [c.evidence for c in distinct],
            [c.start_s for c in distinct],
            [c.stop_s for c in distinct],
            [c.features.frequency_hz for c in distinct],
        )
        for candidate, row in zip(distinct, matrix, strict=True):
            true = _is_howl(candidate, e)
            if true is not None:
                rows.append(row)
                truth.append(true)
                weight.append(MADE_WEIGHT if e.source.startswith(MADE) else 1.0)
    return np.array(rows), np.array(truth), np.array(weight)


def _is_howl(candidate: Candidate, e: Examples) -> bool | None:
    start, stop = candidate.start_s, candidate.stop_s
    for howl in e.howls:
        near = abs(math.log(candidate.features.frequency_hz / howl.frequency_hz))
        if near < math.log(SAME_RATIO) and start < howl.stop_s and stop > howl.start_s:
            return True
    beside = any(start < end and stop > begin for begin, end in e.excited)
    return None if beside else False


def logistic(
    matrix: NDArray[np.float64], truth: NDArray[np.bool_], weight: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the weights that turn circumstances into log-odds, by maximum likelihood."""
    weights = np.zeros(matrix.shape[1])
    for _ in range(50):
        chance = 1 / (1 + np.exp(-np.clip(matrix @ weights, -30, 30)))
        slope = matrix.T @ (weight * (truth - chance)) - 0.1 * weights
        bend = (matrix * (weight * chance * (1 - chance))[:, None]).T @ matrix + 0.1 * np.eye(
            weights.size
        )
        weights = weights + np.linalg.solve(bend, slope)
    return np.round(weights, 3)


def text_of(
    trees: Trees,
    weights: NDArray[np.float64],
    bends: NDArray[np.float64],
    quick: tuple[NDArray[np.float64], float],
) -> str:
    """Return the model as it is written."""
    bars = [[None if math.isinf(b) else b for b in row] for row in trees.bar.tolist()]
    raw = {
        "fitted_by": "tests/bench/fit_howl_model.py",
        "measures": list(MEASURES),
        "quick_weights": quick[0].tolist(),
        "quick_bar": quick[1],
        "weights": weights.tolist(),
        "bends": bends.tolist(),
        "start": trees.start,
        "feature": trees.feature.tolist(),
        "bar": bars,
        "leaf": trees.leaf.tolist(),
    }
    lines = [f" {json.dumps(k)}: {json.dumps(v, separators=(',', ':'))}" for k, v in raw.items()]
    return "{\n" + ",\n".join(lines) + "\n}\n"


def main() -> None:
    """Fit, and write or compare."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="compare with the committed model")
    options = parser.parse_args()
    examples = all_examples(Part.TUNING)
    table = Table(examples)
    quick = quick_sum(table)
    passed = (terms(table.looks) * quick[0]).sum(axis=1) >= quick[1]
    table.used &= passed
    total = np.where(passed, left_out(table), -np.inf)
    matrix, truth, weight = events(examples, total)
    weights = logistic(matrix, truth, weight)
    bends = logistic(bent(matrix @ weights), truth, weight)
    chance = 1 / (1 + np.exp(-straightened(matrix @ weights, bends)))
    print(f"{truth.sum()} events at howls and {np.sum(~truth)} others, sources left out:")
    print(f"  Brier score {np.mean((chance - truth) ** 2):.4f}")
    print(f"  weights {weights.tolist()}, bends {bends.tolist()}")
    text = text_of(trees_of(table, np.ones(table.howl.size, bool)), weights, bends, quick)
    if options.check:
        same = MODEL.read_text(encoding="utf-8") == text
        print("the committed model comes out to the digit" if same else "the model DIFFERS")
        raise SystemExit(0 if same else 1)
    MODEL.write_text(text, encoding="utf-8")
    print(f"wrote {MODEL.name}")


if __name__ == "__main__":
    try:
        main()
    except DataMissingError as error:
        raise SystemExit(str(error)) from None
