"""How much the loudness of what was played changes how it was passed on.

A path that is linear answers to the played signal alone. One that clips answers to its cube as
well, one with a limiter or compressor to the signal times its own recent level. Both are orthogonal
to noise itself, so they show in the residual, with a minus sign where loud is turned down.

References
----------
.. [1] J. Bussgang, "Crosscorrelation functions of amplitude-distorted Gaussian signals", MIT
   RLE Technical Report 216, 1952 (what a distorter keeps of noise is a scaled copy of it).
.. [2] M. Schetzen, "The Volterra and Wiener Theories of Nonlinear Systems", 1980 (Hermite
   polynomials are orthogonal for Gaussian noise).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from shaping.analysis.loop.traces import DIRECT_S, Traces, answer, power_over_chance

BENT_OVER_CHANCE = 4.0
"""Power of the answer over chance; sound measurements stay under 2."""

LEAST_BEND = 0.01
"""Share of the path's own answer, per unit of cubed amplitude or of relative level: 0.01 of the
cube means 0.3 dB of gain withheld from what is soft."""

_MEMORIES_S = (0.005, 0.03, 0.15)
"""A choice: about what limiters, compressors and levellers take to let go."""
_EDGE_S = 0.3  # the fades of the test signal, and the memories' own beginning

_Real = NDArray[np.float64]


def bend(traces: Traces) -> float:
    """Return the largest part of the path that loudness turns down, 0 where there is none.

    Above 0: how much less comes through, relative to the path, for each unit of the cube or of the
    level over its mean. Chance and what turns loud up return 0.
    """
    rate = traces.sample_rate_hz
    direct = traces.lags(DIRECT_S)
    path = answer(traces.heard, traces.played, sample_rate_hz=rate)[direct]
    power = float(np.dot(path, path))
    largest = 0.0
    for bent in _bent(traces.played, rate):
        found = answer(traces.residual, bent, sample_rate_hz=rate)
        share = -float(np.dot(found[direct], path)) / max(power, 1e-30)
        if power_over_chance(found, traces, DIRECT_S) > BENT_OVER_CHANCE:
            largest = max(largest, share)
    return largest


def _bent(played: _Real, sample_rate_hz: float) -> Iterator[_Real]:
    """Yield the played signal bent by its own level, without any of the signal itself."""
    rms = max(float(np.std(played)), 1e-30)
    unit = played / rms
    edge = round(_EDGE_S * sample_rate_hz)
    for memory_s in (0.0, *_MEMORIES_S):
        level = unit**2
        if memory_s:
            keep = float(np.exp(-1 / (memory_s * sample_rate_hz)))
            level = np.asarray(signal.lfilter([1 - keep], [1, -keep], level))
        over = level / max(float(np.mean(level[edge:-edge])), 1e-30) - 1
        if memory_s:
            # The fades at both ends are level, too, and belong to the signal.
            over[:edge] = over[-edge:] = 0.0
        bent = unit * over
        yield rms * (bent - unit * float(np.dot(bent, unit) / np.dot(unit, unit)))
