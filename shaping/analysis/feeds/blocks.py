"""Dropouts: moments at which an output is not what its other periods are.

The stretch repeats, so the median of its periods at every sample is what the pack makes of the
signal, its distortion included; what a block lacks of it, or has beside it, came over the radio.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.feeds.periods import Heard
from shaping.analysis.feeds.played import PERIOD

_BLOCK = 512
"""Samples compared at once, 11 ms, every half of it: a dropout of 5 ms fills half a block."""

_LACKING = 0.6
"""Share of the usual signal below which a block counts as lost: half of it muted leaves 0.5."""

_BESIDE = 0.25
"""Power beside the usual signal, against it, above which a block counts as disturbed: -6 dB."""

_OVER_USUAL = 8.0
"""... and times that of the usual block of the stretch: 9 dB over what noise always leaves."""

_LOST_OVER_NOISE = 0.1
"""Share of the signal's power that noise may have where a lack is to count as one."""

_LEAD_IN = 2048
"""Samples at the beginning of a stretch that still ring of what was before: 40 ms."""

_APART = 2 * _BLOCK
"""Blocks nearer than this are one dropout."""

_SPIT_OVER = 1_000.0
"""Times the usual power of a pause's block, and ..."""

_SPIT_SIGNAL = 0.01
"""... share of the hold's power at which a burst in the pause counts: words in a mic are lower."""

Floats = NDArray[np.float64]


def dropouts_s(heard: Heard, sample_rate_hz: int) -> tuple[float, ...]:
    """Return when dropouts of a sounding stretch begin, in seconds of the signal."""
    usual = np.median(heard.periods[1:], axis=0)
    power = _sums(usual**2)
    floor = 0.25 * float(power.mean())
    products = np.array([_sums(one * usual) for one in heard.periods])
    squares = np.array([_sums(one**2) for one in heard.periods])
    share = products / np.maximum(power, 1e-30)
    beside = np.maximum(squares - products**2 / np.maximum(power, 1e-30), 0.0)
    rest = np.maximum(power, floor)
    usually = np.median(beside[1:] / rest)
    # Where a block is faint by itself, noise moves its share at will.
    lost = (share < _LACKING) & (power > floor) & (usually < _LOST_OVER_NOISE)
    disturbed = (beside > _BESIDE * rest) & (beside > _OVER_USUAL * usually * rest)
    bad = (lost | disturbed).ravel()
    per_period = power.size
    starts = np.flatnonzero(bad)
    at = starts // per_period * PERIOD + starts % per_period * (_BLOCK // 2)
    return _apart(at[at >= _LEAD_IN] + heard.stretch.start, sample_rate_hz)


def spits_s(pause: Floats, hold_power: float, sample_rate_hz: int) -> tuple[float, ...]:
    """Return when bursts in the pause, shape (n,), begin, in seconds of it."""
    level = _sums(pause**2) / _BLOCK
    bad = (level > _SPIT_OVER * np.median(level)) & (level > _SPIT_SIGNAL * hold_power)
    return _apart(np.flatnonzero(bad) * (_BLOCK // 2), sample_rate_hz)


def clean_periods(heard: Heard, dropouts: tuple[float, ...], rate_hz: int) -> NDArray[np.bool_]:
    """Return which settled periods of a stretch no dropout touches; all, if it touches most."""
    keep = np.ones(len(heard.periods), bool)
    keep[0] = False
    for at_s in dropouts:
        inside = (at_s * rate_hz - heard.stretch.start) / PERIOD
        for touched in {int(inside), int(inside + 0.3)}:
            if 0 <= touched < keep.size:
                keep[touched] = False
    if keep.sum() < 2:
        keep[1:] = True
    return keep


def _sums(values: Floats) -> Floats:
    """Return sums over blocks that begin every half block."""
    half = np.add.reduceat(values, np.arange(0, values.size, _BLOCK // 2))
    return np.asarray(half[:-1] + half[1:])


def _apart(at: NDArray[np.int64], sample_rate_hz: int) -> tuple[float, ...]:
    if not at.size:
        return ()
    first = np.concatenate([[True], np.diff(at) > _APART])
    return tuple(float(one) for one in at[first] / sample_rate_hz)
