"""What level steps tell: a limiter or compressor, and where it sets in; what bends the waveform.

Both lower the gain of loud sound. A limiter does so with hardly any distortion, bending the
waveform cannot: how much gain goes with how much distortion is known, so what is lost beyond that
is a limiter's or compressor's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.feeds.played import STEPS_DB

_DISTORTION_DB = (-40.0, -28.6, -24.2, -21.7, -18.8, -15.5, -11.7, -9.1, -6.4)
_LOSS_DB = (0.0, 0.47, 0.80, 1.11, 1.60, 2.50, 4.30, 6.39, 10.4)
"""Distortion and loss of gain of a soft bend (hyperbolic tangent) under the signal itself: a hard
one loses less for the same distortion (0.3 dB at -22, 3.3 dB at -10). Computed with the signal."""

_LEAST_ERROR_DB = 0.05
"""Steps are not trusted beyond this."""

_WORST_ERROR_DB = 1.0
"""A step that noise makes less certain than this says nothing."""

_FEWEST = 3
"""Steps from which a knee can be told."""

_KNEES_DB = np.arange(-33.0, 6.01, 0.5)
_BENDS = np.arange(0.0, 1.001, 0.05)
"""Share of the level above the knee that is held back: 1 - 1 / ratio."""

_LEAST_LOSS_DB = 0.5
"""What the loudest step must lose for there to be anything."""

LIMITER_RATIO = 8.0
"""From here on a compressor is called a limiter; 10:1 is common practice, no published source,
and a measured 10:1 may come out a little lower."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Dynamics:
    """Gain against level.

    Attributes
    ----------
    linear_db : float
        Gain of soft sound over that of the hold, in dB, whatever took it.
    loss_db : float
        Gain that loud sound loses to a limiter or compressor, at the level of the hold.
    knee_db : float or None
        Where that begins, in dB against the level of the hold; None where nothing is lost.
    ratio : float or None
        Change of level going in over that coming out, above the knee; inf for a perfect limiter.
    """

    linear_db: float
    loss_db: float
    knee_db: float | None
    ratio: float | None


def dynamics_of(gains_db: Floats, errors_db: Floats, distortion_db: Floats) -> Dynamics:
    """Return what limiter or compressor the gains at the steps tell.

    Parameters
    ----------
    gains_db : ndarray, shape (steps,)
        Gain at each of `STEPS_DB`, against the gain in the hold.
    errors_db : ndarray, shape (steps,)
        One standard deviation of each.
    distortion_db : ndarray, shape (steps,)
        Distortion at each step against the signal, dB; -inf for none.

    Returns
    -------
    Dynamics
    """
    bent = np.interp(distortion_db, _DISTORTION_DB, _LOSS_DB, left=0.0)
    at_hold = STEPS_DB.index(0.0)
    sure = errors_db < _WORST_ERROR_DB
    if sure.sum() < _FEWEST:
        return Dynamics(0.0, 0.0, None, None)
    unbent_db = gains_db + bent - bent[at_hold]
    level, gain = np.asarray(STEPS_DB)[sure], unbent_db[sure]
    weight = 1 / (errors_db[sure] ** 2 + _LEAST_ERROR_DB**2)
    over = np.maximum(level[None, :] - _KNEES_DB[:, None], 0.0)
    # The gain of soft sound follows for every knee and every bend; the best of all is taken.
    held = -_BENDS[None, :, None] * over[:, None, :]
    offset = np.sum(weight * (gain - held), axis=2) / weight.sum()
    misfit = np.sum(weight * (gain - held - offset[:, :, None]) ** 2, axis=2)
    knee, bend = np.unravel_index(int(np.argmin(misfit)), misfit.shape)
    bends, knee_db = float(_BENDS[bend]), float(_KNEES_DB[knee])
    soft = (level <= knee_db) | (bends == 0)
    soft &= bent[sure] < _LEAST_ERROR_DB
    soft[0] = True
    linear = float(np.average(gains_db[sure][soft], weights=weight[soft]))
    most = bends * (STEPS_DB[-1] - knee_db)
    if most < _LEAST_LOSS_DB:
        return Dynamics(linear, 0.0, None, None)
    ratio = float("inf") if bends > 0.999 else 1 / (1 - bends)
    return Dynamics(linear, max(0.0, -bends * knee_db), knee_db, ratio)
