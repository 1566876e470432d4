"""How sure we are that a tone is a howl, and why, in words.

The model is a small committee of networks: each measure of `shaping.rehearsals.features` is
brought to -1..1 between two bounds (some by their logarithm), goes through one layer of eight
hyperbolic tangents, and the mean of the committee's sums is the evidence; its logistic function
is the confidence. The numbers are in ``howl_model.json``; ``tests/bench/fit_howl_model.py`` fits
them.

A second look sets each tone beside the others of its channel: music that brings one howl-like
tone after another, at ever different pitches, is music.
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
from shaping.text.frequency import hertz_text

LISTED = 0.25
"""Less likely tones are not listed, not even as possible rings."""

_CONTEXT_S = 60.0
_CONTEXT_EVIDENCE = -2.5
_CONTEXT_COST = 1.2
_MOST_NEIGHBOURS = 4


@dataclass(frozen=True, eq=False)
class _Model:
    columns: NDArray[np.int64]
    logarithmic: NDArray[np.bool_]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    weights: NDArray[np.float64]  # measures x (networks * hidden)
    offsets: NDArray[np.float64]
    output: NDArray[np.float64]
    bias: float


@lru_cache(maxsize=1)
def _model() -> _Model:
    text = resources.files(__package__).joinpath("howl_model.json").read_text(encoding="utf-8")
    raw = json.loads(text)
    measures, networks = raw["measures"], raw["networks"]
    return _Model(
        columns=np.array([NAMES.index(m["name"]) for m in measures]),
        logarithmic=np.array([m["log"] for m in measures], bool),
        low=np.array([m["low"] for m in measures], float),
        high=np.array([m["high"] for m in measures], float),
        weights=np.hstack([np.array(n["weights"], float) for n in networks]),
        offsets=np.concatenate([np.array(n["offsets"], float) for n in networks]),
        output=np.concatenate([np.array(n["output"], float) for n in networks]) / len(networks),
        bias=sum(n["bias"] for n in networks) / len(networks) + raw["shift"],
    )


def evidence_of(features: Features) -> float:
    """Return the evidence (log-odds) that a tone with these measures is a howl."""
    model = _model()
    values = np.nan_to_num(features.as_array()[model.columns], posinf=99.0, neginf=-99.0)
    values = np.where(model.logarithmic, np.log10(np.maximum(values, 0.01)), values)
    middle, half = (model.high + model.low) / 2, (model.high - model.low) / 2
    inputs = np.clip((values - middle) / half, -1, 1)
    # Sums over few terms, in a fixed order: the same on every machine.
    hidden = np.tanh((inputs[:, None] * model.weights).sum(axis=0) + model.offsets)
    return float((hidden * model.output).sum() + model.bias)


def confidence_of(evidence: float) -> float:
    """Return the confidence, 0..1, for an amount of evidence."""
    return 1 / (1 + math.exp(-min(max(evidence, -30.0), 30.0)))


def evidence_in_context(
    evidence: Sequence[float], start_s: Sequence[float], frequency_hz: Sequence[float]
) -> list[float]:
    """Weaken the evidence for tones that have howl-like neighbours at other pitches.

    Neighbours start within a minute, at another semitone that is no multiple of it.

    Parameters
    ----------
    evidence, start_s, frequency_hz : sequence of float
        Of all candidates of one channel of one file.

    Returns
    -------
    list of float
    """
    strength, start, hertz = (np.asarray(v, float) for v in (evidence, start_s, frequency_hz))
    result = []
    for i in range(strength.size):
        near = (np.abs(start - start[i]) < _CONTEXT_S) & (strength > _CONTEXT_EVIDENCE)
        ratio = hertz[near] / hertz[i]
        ratio = np.maximum(ratio, 1 / ratio)
        other = (ratio > 1.02) & (np.abs(ratio - np.round(ratio)) > 0.02)
        semitones = np.unique(np.round(12 * np.log2(hertz[near][other] / 440.0)))
        cost = _CONTEXT_COST * min(semitones.size, _MOST_NEIGHBOURS)
        result.append(float(strength[i]) - cost)
    return result


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
