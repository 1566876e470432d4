"""Cuts for all that would howl within the margin, not only for what howled.

The level curve of a ring-out is how near every cell of frequency came to howling
(`shaping.analysis.ring_out.nearness`), with the rings on it. The send stood above the first howl
by the excess, which growth tells as a range only; the cuts are to hold that send and the margin
besides. They are searched for as those of the quiet ring-out are, the gentlest first: of several
prices of tone the highest at which the estimate reaches the margin.

What cuts add to the stable gain is less than the curve promises, since its highest points are
chosen for being high. The line from promised to added and its spread were fitted on loops through
measured rooms (``tests/bench/measured_ring_outs.py --calibrate``).

References
----------
.. [1] Growth is excess gain over the time of a trip round the loop: S. shaping.plan.ring_out.needs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from shaping.analysis.findings import Nearness, Ring
from shaping.equaliser.limits import Limits
from shaping.filters.kinds import Filter
from shaping.filters.response import total_db
from shaping.plan.loop.best_cuts import optimise_curves
from shaping.plan.loop.level_curve import LevelCurve, upper_points
from shaping.plan.plan import Interval, NearPoint, RingOutSummary
from shaping.plan.ring_out.needs import HARD_LIMIT_DB, TRIP_S, Need

MARGIN_DB = 3.0
"""Wanted over the highest send of the recording: half the usual 6 dB, the rest is the fader's. At
3 dB a loop still sounds hollow; below it rings on after every word."""

NEVER_GROWING_DB = Interval(0.0, 1.0, 3.0)
"""The excess where no ring was seen growing; our choice."""

TONE_WEIGHTS = (0.5, 0.35)
"""Stable gain that each dB of removed level must bring at least, the gentler plan first. On 90
ring-outs in measured rooms the plans of weights 1, 0.7, 0.5 and 0.35 were stable at the highest
send in 88, 91, 98 and 98 %, and removed 1.7, 2.4, 3.3 and 4.4 dB of level."""

ADDED_SLOPE, ADDED_BASE_DB = 0.75, -2.2
ADDED_SPREAD_DB = (-2.3, 2.3)
"""Added stable gain from what the curve promises, and 5 and 95 % of what it misses."""

NARROWEST_Q = 10.0
"""A ring drifts by about 1.5 % with the warmth and the mic's place; narrower cuts miss it."""

HELD_DB = -4.0
"""Level assumed at the centre of a cut in place, where nothing stood out; our choice."""

MOST_DB = 5.0
"""No frequency is taken to lie further over the others: one band could not answer it."""

NEAR_DB = -4.0
"""Points within this of the first howl are named."""

MOST_NEAR = 12
_SAME_OCT = 1 / 24
_CELL_EDGE = 2 ** (1 / 60)


@dataclass(frozen=True, eq=False)
class NearCuts:
    """Cuts, and what they do by the estimate.

    Attributes
    ----------
    cuts : tuple of Filter
        Within the limits, the most urgent first.
    summary : RingOutSummary
        Excess, gain added, margin, and the points near howling.
    """

    cuts: tuple[Filter, ...]
    summary: RingOutSummary


def near_cuts(
    nearness: Sequence[Nearness],
    rings: Sequence[Ring],
    needs: Sequence[Need],
    limits: Limits,
    *,
    fixed: Sequence[Filter],
    cuts: int | None,
    margin_db: float,
    in_place: Sequence[Filter] = (),
    sample_rate_hz: float,
) -> NearCuts:
    """Choose cuts for the rings and for all that came near to howling.

    Parameters
    ----------
    nearness : sequence of Nearness
        One per capture that rang; at least one.
    rings : sequence of Ring
        Rings of all captures.
    needs : sequence of Need
        What the rings ask for.
    limits : Limits
        The equaliser.
    fixed : sequence of Filter
        Filters that are dialled in anyway.
    cuts : int or None
        At most so many cuts; None for as many as pay.
    margin_db : float
        Wanted over the highest send of the recording.
    in_place : sequence of Filter
        Feedback cuts that were dialled in during the recording; the plan's cuts stand in their
        place.
    sample_rate_hz : float
        Sample rate of the designs, in Hz.

    Returns
    -------
    NearCuts
    """
    heard = [level_curve(one, needs) for one in nearness]
    curves = [without(curve, in_place, sample_rate_hz=sample_rate_hz) for curve in heard]
    excess = excess_db(rings)
    wanted_db = excess.likely + margin_db
    for weight in TONE_WEIGHTS:
        chosen = optimise_curves(
            curves,
            _sensible(limits),
            fixed=fixed,
            cuts=cuts,
            sample_rate_hz=sample_rate_hz,
            tone_weight=weight,
        )
        promised_db = -top_db(curves, [*fixed, *chosen.cuts], sample_rate_hz=sample_rate_hz)
        added = added_db(promised_db)
        if added.likely >= wanted_db:
            break
    return NearCuts(
        cuts=chosen.cuts,
        summary=RingOutSummary(
            excess_db=excess,
            added_db=added,
            promised_db=promised_db,
            wanted_margin_db=margin_db,
            margin_db=added.likely - excess.likely,
            near=near_points(heard),
        ),
    )


def without(curve: LevelCurve, in_place: Sequence[Filter], *, sample_rate_hz: float) -> LevelCurve:
    """Return the level as it would be without the cuts that were in place.

    What a cut holds down is taken to lie `HELD_DB` below the howl at least: that nothing stood out
    there shows that the cut is deep enough, and not that it could go.
    """
    if not in_place:
        return curve
    at_hz = np.concatenate([curve.frequency_hz, [one.frequency_hz for one in in_place]])
    level_db = np.concatenate([curve.level_db, [HELD_DB] * len(in_place)])
    taken_db = total_db(in_place, at_hz, sample_rate_hz=sample_rate_hz)
    order = np.argsort(at_hz, kind="stable")
    bare_db = np.minimum(level_db - taken_db, MOST_DB)
    return LevelCurve(at_hz[order], bare_db[order], np.zeros(order.size))


def top_db(
    curves: Sequence[LevelCurve], filters: Sequence[Filter], *, sample_rate_hz: float
) -> float:
    """Return the highest level of the curves with filters, over the first howl's."""
    return float(upper_points(curves, filters, sample_rate_hz=sample_rate_hz)[1].max())


def _sensible(limits: Limits) -> Limits:
    """Return the limits without what no cut for feedback should be: too deep, or too narrow."""
    return replace(
        limits,
        min_gain_db=max(limits.min_gain_db, -HARD_LIMIT_DB),
        max_q=max(min(limits.max_q, NARROWEST_Q), limits.min_q),
    )


def excess_db(rings: Sequence[Ring]) -> Interval:
    """Return how far the highest send stood above the first howl, from the steepest growth."""
    growth = max((ring.growth_db_per_s for ring in rings if ring.certain), default=0.0)
    if growth <= 0:
        return NEVER_GROWING_DB
    return Interval(*(trip_s * growth for trip_s in TRIP_S))


def added_db(promised_db: float) -> Interval:
    """Return the stable gain that cuts add, from what the level curve promises of them."""
    likely = max(ADDED_BASE_DB + ADDED_SLOPE * promised_db, 0.0)
    low, high = ADDED_SPREAD_DB
    return Interval(max(likely + low, 0.0), likely, likely + high)


def level_curve(nearness: Nearness, needs: Sequence[Need]) -> LevelCurve:
    """Return how near to howling every frequency came, with the rings on it.

    A cell counts over its whole width. A sure ring stands at least as high as the first howl, and
    higher by what its evidence asks more than that of the mildest.
    """
    frequency_hz = nearness.frequency_hz
    level_db = nearness.level_db.copy()
    sure = [need for need in needs if need.sure]
    least_db = min((need.depth_db for need in sure), default=0.0)
    own_hz, own_db = [], []
    for need in sure:
        own_hz.append(need.frequency_hz)
        own_db.append(need.depth_db - least_db)
    places = [frequency_hz / _CELL_EDGE, frequency_hz, frequency_hz * _CELL_EDGE]
    all_hz = np.concatenate([*places, own_hz])
    all_db = np.concatenate([level_db, level_db, level_db, own_db])
    order = np.argsort(all_hz, kind="stable")
    return LevelCurve(all_hz[order], all_db[order], np.zeros(order.size))


def near_points(curves: Sequence[LevelCurve]) -> tuple[NearPoint, ...]:
    """Return the peaks of the curves within `NEAR_DB` of the first howl, the highest first."""
    found: list[NearPoint] = []
    frequency_hz = np.concatenate([curve.frequency_hz for curve in curves])
    level_db = np.concatenate([curve.level_db for curve in curves])
    for index in np.argsort(-level_db, kind="stable"):
        if level_db[index] < NEAR_DB or len(found) == MOST_NEAR:
            break
        apart = [abs(np.log2(frequency_hz[index] / p.frequency_hz)) for p in found]
        if all(octaves > _SAME_OCT * 1.5 for octaves in apart):
            found.append(NearPoint(float(frequency_hz[index]), float(level_db[index])))
    return tuple(found)
