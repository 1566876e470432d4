"""How likely a rise is a howl and not music or speech.

A logistic combination of a few measures. Its weights were fitted by
``tests/bench/fit_ring_weights.py`` on ring-outs of the tuning split, on made-up fast howls, and on
the virtual stage's music and speech without feedback. No stage of the tuning split takes part in
any figure that is reported.

In words: a howl rises far, in a straight line, for long; its pitch does not waver; no partials
rise along with it; it is among the loudest there is. Each tenfold of duration counts most.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.ring_out.slopes import Growth

CONSIDERED = 0.12
"""Rises less likely than this are dropped at once."""

_WEIGHTS = np.array([3.81, 0.32, -6.17, 6.52, -1.42, -1.06, -3.46, 0.39])
"""Fitted by tests/bench/fit_ring_weights.py; in the order of `features`."""
_LEAST_WANDER_HZ = 0.1  # a choice: a pitch that is steadier still is no more of a howl


def howl_likelihood(growth: Growth) -> float:
    """Weigh one rise: the probability that it is a howl, 0..1."""
    return _logistic(float(_WEIGHTS @ features(growth)))


def best_likelihood(
    rise_db: float, deviation_db: float, duration_s: float, *, family: int = 0, partials: int = 0
) -> float:
    """Return the likelihood that a rise has if nothing else speaks against it."""
    line = _line_features(rise_db, deviation_db, duration_s)
    steadiest = math.log10(_LEAST_WANDER_HZ)
    return _logistic(float(_WEIGHTS @ (*line, steadiest, *_company(family, partials), 0.0)))


def line_score(
    rise_db: NDArray[np.float64], deviation_db: NDArray[np.float64], duration_s: float
) -> NDArray[np.float64]:
    """Return what lines, all of one duration, add to the score of a howl, shape (n,)."""
    unevenness = deviation_db / np.sqrt(np.maximum(rise_db, 1.0))
    rise = np.minimum(rise_db, 50.0) / 10
    return np.asarray(
        _WEIGHTS[1] * rise + _WEIGHTS[2] * unevenness + _WEIGHTS[3] * math.log10(duration_s)
    )


def features(growth: Growth) -> NDArray[np.float64]:
    """Return the measures that `howl_likelihood` weighs, shape (8,).

    A constant; rise over 10 dB; deviation over the root of the rise; decades of duration over
    1 s; decades of wander over 1 Hz; tones that rose along; partials; level below the loudest
    over 10 dB, negative.
    """
    line = _line_features(growth.rise_db, growth.deviation_db, growth.stop_s - growth.start_s)
    wander = math.log10(max(growth.wander_hz, _LEAST_WANDER_HZ))
    share = min(max(growth.share_db, -40.0), 0.0) / 10
    return np.array([*line, wander, *_company(growth.family, growth.partials), share])


def _line_features(
    rise_db: float, deviation_db: float, duration_s: float
) -> tuple[float, float, float, float]:
    unevenness = deviation_db / math.sqrt(max(rise_db, 1.0))
    return 1.0, min(rise_db, 50.0) / 10, unevenness, math.log10(duration_s)


def _company(family: int, partials: int) -> tuple[float, float]:
    return min(family, 2), min(partials, 3)


def _logistic(score: float) -> float:
    return 1 / (1 + math.exp(-score))
