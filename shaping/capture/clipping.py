"""Clipping and flat tops: peaks cut off by the recorder, or by something before it.

A clipped signal piles up at its highest level. Of the samples within 5 % of the peak, a sine has
20 % within the last 0.2 %, because its top is a parabola: sqrt(0.002 / 0.05); music and noise have
fewer. Clipped by a mere 0.1 dB, a sine has 43 %; noise clipped at four times its rms has 44 %.
The measure is relative to the peak, so it also finds tops that were clipped and then turned down.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_TOP = 0.002
"""A top is flat within 0.2 % of the peak: tolerates noise 54 dB below it."""

_SHOULDER = 0.05
"""The neighbourhood of the peak that the pile-up is compared with."""

_PILED_UP = 0.35
"""Share of the shoulder lying in flat tops from which they are not a sine's own (0.2)."""

_MIN_RUN = 3
"""Samples in a row that make a top: two may straddle the peak of a sine."""

_MIN_TOP_SAMPLES = 12
"""Four tops: fewer may be chance, or the one peak of a low note."""

_FULL_SCALE = 0.9999
"""At or above this a sample sits on the converter's rail (0.9999695 is the top of 16 bits)."""

_MIN_STEPS = 8
"""Quantiser steps that the shoulder must span for its shape to mean anything."""


@dataclass(frozen=True, slots=True)
class FlatTops:
    """Peaks cut off flat.

    Attributes
    ----------
    count : int
        Number of flat tops, both polarities.
    samples : int
        Samples in them.
    first : int
        Index of the first.
    level : float
        Absolute level of the (higher) flat top; 1 is full scale.
    """

    count: int
    samples: int
    first: int
    level: float

    @property
    def at_full_scale(self) -> bool:
        """Whether the tops sit on the converter's rail."""
        return self.level >= _FULL_SCALE


def find_flat_tops(samples: NDArray[np.float32]) -> FlatTops | None:
    """Find flat tops of either polarity; None if there are none.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        One channel; finite.
    """
    found = [tops for tops in (_of_one_side(samples, 1), _of_one_side(samples, -1)) if tops]
    if not found:
        return None
    return FlatTops(
        count=sum(tops.count for tops in found),
        samples=sum(tops.samples for tops in found),
        first=min(tops.first for tops in found),
        level=max(tops.level for tops in found),
    )


def _of_one_side(samples: NDArray[np.float32], sign: int) -> FlatTops | None:
    index = int(samples.argmax() if sign > 0 else samples.argmin())
    peak = sign * float(samples[index])
    if peak <= 0:
        return None
    step = _quantiser_step(samples[max(0, index - 50_000) : index + 50_000])
    if peak >= _FULL_SCALE:
        starts, lengths = _runs(samples, sign, peak - 0.25 * step)
        cut = _cut_off(samples, starts, lengths, sign, step)
        starts, lengths = starts[cut], lengths[cut]
        if lengths.size:
            return FlatTops(lengths.size, int(lengths.sum()), int(starts[0]), peak)
    if _SHOULDER * peak < _MIN_STEPS * step:
        return None
    starts, lengths = _runs(samples, sign, peak * (1 - _TOP))
    in_tops = int(lengths.sum())
    if in_tops < _MIN_TOP_SAMPLES:
        return None
    shoulder = peak * (1 - _SHOULDER)
    near = int(np.count_nonzero(samples >= shoulder if sign > 0 else samples <= -shoulder))
    if in_tops < _PILED_UP * near:
        return None
    return FlatTops(lengths.size, in_tops, int(starts[0]), peak)


def _runs(
    samples: NDArray[np.float32], sign: int, level: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return starts and lengths of the runs of `_MIN_RUN` or more samples at or above `level`."""
    at = np.flatnonzero(samples >= level if sign > 0 else samples <= -level)
    breaks = np.flatnonzero(np.diff(at) > 1)
    first = np.concatenate(([0], breaks + 1))[: at.size]
    last = np.concatenate((breaks, [at.size - 1]))[: at.size]
    lengths = last - first + 1
    long = lengths >= _MIN_RUN
    return at[first[long]], lengths[long]


def _cut_off(
    samples: NDArray[np.float32],
    starts: NDArray[np.int64],
    lengths: NDArray[np.int64],
    sign: int,
    step: float,
) -> NDArray[np.bool_]:
    """Tell which runs end in a corner: a rounded top falls by a few quantiser steps beside it."""
    last = samples.size - 1
    before = sign * samples[np.maximum(starts - 1, 0)].astype(np.float64)
    after = sign * samples[np.minimum(starts + lengths, last)].astype(np.float64)
    top = sign * samples[starts].astype(np.float64)
    result: NDArray[np.bool_] = np.maximum(top - before, top - after) > 6 * step
    return result


def _quantiser_step(samples: NDArray[np.float32]) -> float:
    """Return the smallest difference between neighbouring samples that is not zero."""
    steps = np.abs(np.diff(samples))
    steps = steps[steps > 0]
    return float(steps.min()) if steps.size else 0.0
