"""What may be promised of the stable gain: an interval instead of an omission.

Every frequency that was played counts, the sure ones with their error, the unsure ones with what
they may be at most. The top of a noisy curve lies too high on average (the highest of many is high
by luck as well), and both that and the interval come from drawing the measurement's own errors
many times over, the same draws on every run.

Conventions: gains of the send in dB, re the recorded files, worst case over phase.

References
----------
.. [1] J. S. Bendat, A. G. Piersol, "Random Data", 4th ed., ch. 9: with probability 1 - a the
   response lies within r of its estimate, ``r^2 = v F(2, 2 n - 2; 1 - a)``, v the variance of the
   complex estimate; for many averages ``r^2 = -v ln(a)``.
.. [2] B. Efron, R. Tibshirani, "An Introduction to the Bootstrap", 1993, ch. 6 and 10 (parametric
   draws, bias correction).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.findings import LoopResponse
from shaping.analysis.loop.faults import WITHHOLD

OUTSIDE = 0.05
"""Share of measurements whose truth may lie outside the interval."""

DRAWS = 1500  # 37 of them lie beyond either end, which places it to a sixth of its own tail
MOST_DRAWN = 800  # a bound on memory: the highest come first, and the rest hardly ever win
_REACH_SD = 6.0  # a point this far below the top is drawn above it once in 90,000 times
LINES_APART = 2  # lines; the grid is twice as fine as the response is long
SYSTEMATIC_DB = 0.03
"""Of clocks, resampling and the grid, found on measured rooms without any noise."""

_Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class GainInterval:
    """The send gain at which a loop howls, whatever the phase.

    Attributes
    ----------
    low_db, estimate_db, high_db : float
        Safe end, best estimate and other end of a 95 % interval.
    """

    low_db: float
    estimate_db: float
    high_db: float


def withheld(response: LoopResponse) -> bool:
    """Return whether no stable gain can be promised from a measurement, whatever its interval."""
    return any(note.code in WITHHOLD for note in response.quality)


def gain_interval(
    response: LoopResponse, equaliser: NDArray[np.complex128] | None = None
) -> GainInterval:
    """Return the stable gain with its 95 % interval, worst case over phase.

    Parameters
    ----------
    response : LoopResponse
        The open loop; some of it must be trusted.
    equaliser : ndarray of complex128, shape (n,), optional
        Response of the equaliser at ``response.frequency_hz``.
    """
    change = np.ones(response.frequency_hz.size) if equaliser is None else np.abs(equaliser)
    size = np.abs(response.response) * change
    # Half of a complex variance lies along the estimate and moves its magnitude.
    spread = np.sqrt(0.5 * response.variance) * change
    trusted = response.trusted
    top = float(size[trusted].max())
    reach = _REACH_SD * float(np.max(spread[trusted & (size > 0.7 * top)]))
    near = np.flatnonzero(trusted & (size > top - reach - 1e-3 * top))
    peak = near[np.argmax(size[near])]
    # Of neighbours that share their error only one is drawn, the peak itself among them.
    near = near[(near - peak) % LINES_APART == 0]
    near = near[np.argsort(-size[near])][:MOST_DRAWN]
    rng = np.random.default_rng(0)
    drawn = size[near] + spread[near] * rng.standard_normal((DRAWS, near.size))
    tops_db = 20 * np.log10(drawn.max(axis=1))
    tops_db += SYSTEMATIC_DB * rng.standard_normal(DRAWS)
    top_db = 20 * np.log10(top)
    low, middle, high = np.quantile(tops_db, [OUTSIDE / 2, 0.5, 1 - OUTSIDE / 2])
    interval = GainInterval(low - 2 * top_db, middle - 2 * top_db, high - 2 * top_db)
    at_most_db = _unsure_db(response, change)
    return GainInterval(
        float(min(interval.low_db, -at_most_db)),
        float(interval.estimate_db),
        float(interval.high_db),
    )


def _unsure_db(response: LoopResponse, change: _Real) -> float:
    """Return the highest level that a played frequency may have that is not trusted, in dB."""
    unsure = response.excited & ~response.trusted
    if not unsure.any():
        return -300.0
    reach = np.sqrt(-np.log(OUTSIDE) * response.variance[unsure])
    at_most = (np.abs(response.response[unsure]) + reach) * change[unsure]
    return float(20 * np.log10(max(at_most.max(), 1e-15)))
