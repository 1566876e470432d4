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

_IN_STEP = 0.02
"""Spread of the neighbours of short tops, relative to the peak, below which it is one tone whose
samples fall at the same phases in every period."""

_MIN_TOP_SAMPLES = 12
"""Four tops: fewer may be chance, or the one peak of a low note."""

_FULL_SCALE = 0.9999
"""At or above this a sample sits on the converter's rail (0.9999695 is the top of 16 bits)."""

_MIN_ON_RAIL = 8  # a choice: fewer may be the one peak of a low note
_PILED_UP_ON_RAIL = 0.2
"""The same measure for samples exactly on the rail, where a sine of full scale has 1.7 %."""

_CORNER_STEPS = 6
"""A few clipped peaks in music pile up little, but end in corners; a rounded top of three equal
samples or more falls by at most four quantiser steps beside it."""

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
    shoulder = peak * (1 - _SHOULDER)
    near = int(np.count_nonzero(samples >= shoulder if sign > 0 else samples <= -shoulder))
    if peak >= _FULL_SCALE:
        runs = _Runs.at(samples, sign, peak - 0.25 * step)
        if runs.samples >= max(_MIN_ON_RAIL, _PILED_UP_ON_RAIL * near):
            return runs.as_tops(peak)
        corners = runs.longer_than_two()
        corners = corners.where(np.maximum(*corners.falls(samples, sign)) > _CORNER_STEPS * step)
        if corners.samples:
            return corners.as_tops(peak)
    if _SHOULDER * peak < _MIN_STEPS * step:
        return None
    runs = _Runs.at(samples, sign, peak * (1 - _TOP))
    enough = max(_MIN_TOP_SAMPLES, _PILED_UP * near)
    if runs.longer_than_two().samples >= enough:
        return runs.longer_than_two().as_tops(peak)
    # Tops of one or two samples: of clipped noise, or of a tone in step with the sample rate. Of
    # the tone, all tops have the same neighbours.
    if runs.samples >= enough and np.std(runs.falls(samples, sign), axis=1).max() > _IN_STEP * peak:
        return runs.as_tops(peak)
    return None


@dataclass(frozen=True, eq=False)
class _Runs:
    """Stretches of samples at or above a level: where each starts, and its length."""

    starts: NDArray[np.int64]
    lengths: NDArray[np.int64]

    @classmethod
    def at(cls, samples: NDArray[np.float32], sign: int, level: float) -> _Runs:
        at = np.flatnonzero(samples >= level if sign > 0 else samples <= -level)
        first = np.flatnonzero(np.diff(at, prepend=-2) > 1)
        return cls(at[first], np.diff(first, append=at.size))

    def where(self, kept: NDArray[np.bool_]) -> _Runs:
        return _Runs(self.starts[kept], self.lengths[kept])

    def longer_than_two(self) -> _Runs:
        return self.where(self.lengths > 2)

    @property
    def samples(self) -> int:
        return int(self.lengths.sum())

    def falls(
        self, samples: NDArray[np.float32], sign: int
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return how far the samples just before and just after each run lie below it."""
        top = samples[self.starts].astype(np.float64)
        before = samples[np.maximum(self.starts - 1, 0)]
        after = samples[np.minimum(self.starts + self.lengths, samples.size - 1)]
        return sign * (top - before), sign * (top - after)

    def as_tops(self, level: float) -> FlatTops:
        return FlatTops(self.starts.size, self.samples, int(self.starts[0]), level)


def _quantiser_step(samples: NDArray[np.float32]) -> float:
    """Return the smallest difference between neighbouring samples that is not zero."""
    steps = np.abs(np.diff(samples))
    steps = steps[steps > 0]
    return float(steps.min()) if steps.size else 0.0
