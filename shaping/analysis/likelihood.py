"""How likely a rise is a howl and not music or speech.

A logistic combination of a few measures. Its weights were fitted by
``tests/bench/fit_ring_weights.py`` on ring-outs of the tuning split, on made-up fast howls, and on
nine minutes of recorded music and speech without feedback, which are not shipped. No stage of the
tuning split takes part in any figure that is reported.

In words: a howl rises far, in a straight line, for long; its pitch does not waver by more than a
hertz; no partials rise along with it. Each tenfold of duration counts most.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from shaping.analysis.growth import Growth

CONSIDERED = 0.12
"""Rises less likely than this are dropped at once."""

_WEIGHTS = np.array([4.04, 0.80, -7.16, 7.83, -2.52, -0.80, -2.65])


def howl_likelihood(growth: Growth) -> float:
    """Weigh one rise: the probability that it is a howl, 0..1."""
    return _logistic(float(_WEIGHTS @ features(growth)))


def best_likelihood(
    rise_db: float, deviation_db: float, duration_s: float, *, family: int = 0, partials: int = 0
) -> float:
    """Return the likelihood that a rise has if its pitch does not waver."""
    line = _line_features(rise_db, deviation_db, duration_s)
    return _logistic(float(_WEIGHTS @ (*line, 0.0, *_company(family, partials))))


def features(growth: Growth) -> NDArray[np.float64]:
    """Return the measures that `howl_likelihood` weighs, shape (7,).

    A constant; rise over 10 dB; deviation over the root of the rise; decades of duration over
    1 s; decades of wander over 1 Hz; tones that rose along; partials.
    """
    line = _line_features(growth.rise_db, growth.deviation_db, growth.stop_s - growth.start_s)
    wavers = math.log10(max(growth.wander_hz, 1.0))
    return np.array([*line, wavers, *_company(growth.family, growth.partials)])


def _line_features(
    rise_db: float, deviation_db: float, duration_s: float
) -> tuple[float, float, float, float]:
    unevenness = deviation_db / math.sqrt(max(rise_db, 1.0))
    return 1.0, min(rise_db, 50.0) / 10, unevenness, math.log10(duration_s)


def _company(family: int, partials: int) -> tuple[float, float]:
    return min(family, 2), min(partials, 3)


def _logistic(score: float) -> float:
    return 1 / (1 + math.exp(-score))
