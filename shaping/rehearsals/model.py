"""How sure we are that a tone is a howl, and why, in words.

The model is a scorecard: each measure of `shaping.rehearsals.features` is turned into points by a
curve of straight pieces, and the confidence is the logistic function of the sum. The curves are in
``howl_model.json``; ``tests/bench/fit_howl_model.py`` fits them.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.pitch import hertz_text
from shaping.analysis.rings import CERTAIN as CERTAIN
from shaping.rehearsals.features import Features

LISTED = 0.25
"""Less likely tones are not listed, not even as possible rings."""


@dataclass(frozen=True, eq=False)
class Curve:
    """Points for one measure: straight lines between knots, level beyond them."""

    logarithmic: bool
    knots: NDArray[np.float64]
    points: NDArray[np.float64]

    def __call__(self, value: float) -> float:
        """Return the points for a value."""
        if self.logarithmic:
            value = math.log10(max(value, 0.01))
        return float(np.interp(value, self.knots, self.points))


@lru_cache(maxsize=1)
def _scorecard() -> tuple[float, dict[str, Curve]]:
    text = resources.files(__package__).joinpath("howl_model.json").read_text(encoding="utf-8")
    raw = json.loads(text)
    curves = {
        name: Curve(bool(c["log"]), np.array(c["knots"], float), np.array(c["points"], float))
        for name, c in raw["measures"].items()
    }
    return float(raw["bias"]), curves


def confidence_of(features: Features) -> float:
    """Return how likely a tone with these measures is a howl, 0..1."""
    bias, curves = _scorecard()
    score = bias + sum(curve(getattr(features, name)) for name, curve in curves.items())
    return 1 / (1 + math.exp(-min(max(score, -30.0), 30.0)))


def reason_for(features: Features, confidence: float, *, clipped: bool) -> str:
    """Return the evidence in words, what speaks against it included."""
    f = features
    words = []
    if f.growth_db_per_s > 5 and f.rise_db >= 8 and f.rise_s > 0.04:
        line = "along a straight line" if f.bend_db < 1.2 else "unevenly"
        words.append(f"grew {f.growth_db_per_s:.0f} dB/s {line}")
    else:
        words.append("was not seen growing")
    words.append(
        f"stood {max(f.stand_off_db, 0):.0f} dB over its neighbours for {f.steady_s:.1f} s"
    )
    if f.wander_cents < 6:
        words.append(f"held {hertz_text(f.frequency_hz)} within {max(f.wander_cents, 1):.0f} cents")
    else:
        words.append(f"wandered by {f.wander_cents:.0f} cents")
    if clipped or f.harmonic_db > -20:
        words.append("has harmonics, as when clipped" if clipped else "has harmonics")
    elif f.partner_db < -20:
        words.append("no family of harmonics")
    if f.hold_db > 8:
        words.append("went on when the rest fell away")
    text = ", ".join(words)
    return text if confidence >= CERTAIN else f"possible ring: {text}"
