"""Fit the model of the watch, and write ``shaping/live/watch/watch_model.json``.

``python tests/bench/fit_watch_model.py`` measures the tuning part hop by hop (`live_examples`),
boosts trees (`boosting`) and writes them with the sum from which a ring is certain. ``--left-out``
fits without one third of the sources at a time and prints, for several bars, false rings per hour
and the time to name a ring: `CERTAIN_AT` was chosen there. Nothing of the report part is read.

Examples: howls from a quarter of a second before they stand out to 0.9 s after, and of what is no
howl all that rises along a line, with one in 25 of the rest. A source counts by the square root of
its number of examples.
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Sequence
from pathlib import Path

import boosting
import live_scores
import numpy as np
from fit_howl_model import sums
from live_examples import Watched, watched
from measured_data import DataMissingError, Part
from numpy.typing import NDArray

import shaping.live.watch
from shaping.live.watch.measures import MEASURE_NAMES
from shaping.rehearsals.model import Trees

MODEL = Path(shaping.live.watch.__file__).parent / "watch_model.json"
CERTAIN_AT = 2.0
"""Chosen on left-out tuning sources: about one false certain ring an hour of speech and music."""

ROUNDS = 120
FOLDS = 3
ONE_WAY = {
    **dict.fromkeys(
        (
            "stand_off_db",
            "least_stand_off_db",
            "over_third_db",
            "dominance_db",
            "over_before_db",
            "straight_db",
            "line_db",
            "off_scale_cents",
            "over_highest_db",
            "over_usual_db",
            "lead_db",
        ),
        1,
    ),
    **dict.fromkeys(
        (
            "below_top_db",
            "jump_db",
            "bend_short_db",
            "bend_middle_db",
            "bend_long_db",
            "straight_jump",
            "tremble_bins",
            "wander_bins",
            "harmonic_db",
            "partner_db",
            "siblings",
            "stroke_db",
            "tones_now",
            "tones_per_s",
        ),
        -1,
    ),
}
"""Measures that may only speak one way: 1 speaks for a ring the more the higher."""


class Table:
    """Examples of many recordings in one table."""

    def __init__(self, recordings: Sequence[Watched]) -> None:
        rng = np.random.default_rng(0)
        self.sources = sorted({one.source for one in recordings})
        values, howl, source = [], [], []
        for one in recordings:
            is_howl = _named_in_time(one)
            other = one.label == -1
            line = one.measures[:, MEASURE_NAMES.index("line_db")] >= 8
            line &= one.measures[:, MEASURE_NAMES.index("over_third_db")] >= 5
            other &= line | (rng.random(other.size) < 0.04)
            kept = is_howl | other
            values.append(one.measures[kept])
            howl.append(is_howl[kept])
            source.append(np.full(int(kept.sum()), self.sources.index(one.source)))
        self.values = np.concatenate(values).astype(np.float64)
        self.howl, self.source = np.concatenate(howl), np.concatenate(source)
        self.one_way = np.array([ONE_WAY.get(name, 0) for name in MEASURE_NAMES])

    def fold_of_sources(self) -> NDArray[np.int64]:
        """Return each source's fold; folds are about alike."""
        count = np.bincount(self.source, minlength=len(self.sources))
        own, filled = np.zeros(count.size, np.int64), np.zeros(FOLDS)
        for number in np.argsort(-count, kind="stable"):
            own[number] = int(filled.argmin())
            filled[own[number]] += count[number]
        return own

    def trees(self, inside: NDArray[np.bool_]) -> Trees:
        """Boost trees on part of the examples."""
        howl, source = self.howl[inside], self.source[inside]
        weight = np.zeros(howl.size)
        for side in (True, False):
            part = howl == side
            count = np.bincount(source[part], minlength=len(self.sources))
            weight[part] = (1 / np.sqrt(np.maximum(count, 1)))[source[part]]
            weight[part] *= part.sum() / weight[part].sum()
        data = boosting.binned(self.values[inside])
        return boosting.fit(data, howl, weight, self.one_way, ROUNDS)


def _named_in_time(one: Watched) -> NDArray[np.bool_]:
    inside = np.zeros(one.frame.size, bool)
    for number, howl in enumerate(one.howls):
        after_s = one.known_s - howl.start_s
        inside |= (one.label == number) & (after_s > -0.25) & (after_s < 0.9)
    return inside


def text_of(trees: Trees) -> str:
    """Return the model as it is written."""
    raw = {
        "fitted_by": "tests/bench/fit_watch_model.py",
        "measures": list(MEASURE_NAMES),
        "certain_at": CERTAIN_AT,
        "start": trees.start,
        "feature": trees.feature.tolist(),
        "bar": [[None if math.isinf(b) else b for b in row] for row in trees.bar.tolist()],
        "leaf": trees.leaf.tolist(),
    }
    lines = [f" {json.dumps(k)}: {json.dumps(v, separators=(',', ':'))}" for k, v in raw.items()]
    return "{\n" + ",\n".join(lines) + "\n}\n"


def left_out(recordings: Sequence[Watched], table: Table) -> None:
    """Print what left-out sources gave."""
    fold = table.fold_of_sources()
    trees = [table.trees(fold[table.source] != number) for number in range(FOLDS)]
    scored = [
        live_scores.scored(
            one, sums(trees[fold[table.sources.index(one.source)]], one.measures.astype(float))
        )
        if one.frame.size
        else live_scores.scored(one, np.zeros(0))
        for one in recordings
    ]
    for bar in np.arange(1.0, 3.01, 0.2):
        print(f"bar {bar:.1f}: {live_scores.told(scored, bar)}", flush=True)


def main() -> None:
    """Fit, and write or print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--left-out", action="store_true", help="print what left-out sources give")
    parser.add_argument("--check", action="store_true", help="compare with the committed model")
    options = parser.parse_args()
    recordings = watched(Part.TUNING)
    table = Table(recordings)
    if options.left_out:
        left_out(recordings, table)
        return
    text = text_of(table.trees(np.ones(table.howl.size, bool)))
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
