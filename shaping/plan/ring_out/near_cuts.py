"""Cuts for all that would howl within the margin, not only for what howled.

The level curve of a ring-out is how near every cell of frequency came to howling
(`shaping.analysis.ring_out.nearness`), with the rings on it. The send stood above the first howl
by the excess, which growth tells as a range only; the cuts are to hold that send and the margin
besides. They are searched for as those of the quiet ring-out are: of several prices of tone the
highest at which the estimate reaches the margin, and then every cut as shallow as that allows.

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
from numpy.typing import NDArray

from shaping.analysis.findings import Nearness, Ring
from shaping.equaliser.limits import Limits
from shaping.equaliser.menu import FREE_GAIN_STEP_DB
from shaping.equaliser.quantise import quantise, worth_a_move
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.response import total_db
from shaping.plan.loop.best_cuts import OptimisedCuts, optimise_curves
from shaping.plan.loop.level_curve import LevelCurve, upper_points
from shaping.plan.plan import Interval, NearPoint, RingOutSummary
from shaping.plan.ring_out.needs import HARD_LIMIT_DB, TRIP_S, Need
from shaping.plan.ring_out.placing import below_half_rate

USUAL_RING_OUT_MARGIN_DB = 3.0
"""Wanted over the highest send of the recording: half the usual 6 dB, the rest is the fader's. At
3 dB a loop still sounds hollow; below it rings on after every word."""

NEVER_GROWING_DB = Interval(0.0, 1.0, 3.0)
"""The excess where no ring was seen growing; our choice."""

TONE_WEIGHTS = (2.0, 1.0, 0.7, 0.5, 0.35)
"""Stable gain that each dB of removed level must bring at least, the gentlest plan first."""

SAFETY_DB = 2.0
"""Asked of the estimate beyond excess and margin: both are estimates, and a howl costs more than
a cut of 1 dB. On 120 ring-outs in tuning rooms the highest send was held in 93 % without it."""

MOST_NEAR_CUTS = 6
"""More cuts than this, where the equaliser has them, turn the wedge down rather than ring it out.
Common practice, no published source."""

MOST_PROMISED_DB = 9.0
"""The curve is pushed down by no more: below that, what was not seen decides, and one band of
`HARD_LIMIT_DB` that misses a ring by half a frequency step would need a second one."""

ADDED_SLOPE, ADDED_BASE_DB = 0.83, -2.25  # fitted: measured_ring_outs.py --calibrate
ADDED_SPREAD_DB = (-2.4, 2.3)
"""Added stable gain from what the curve promises, and 5 and 95 % of what it misses."""

NARROWEST_NEAR_Q = 10.0
"""A ring drifts by about 1.5 % with the warmth and the mic's place; narrower cuts miss it."""

HELD_DB = -8.0
"""Level assumed at the centre of a cut in place, where nothing stood out; our choice."""

NEAR_DB = -4.0
"""Points within this of the first howl are named."""

MOST_NEAR = 12  # a choice: more frequencies than anybody cuts are no advice
_SAME_OCT = 1 / 24  # one cell of `shaping.analysis.ring_out.nearness`
_Real = NDArray[np.float64]

_CELL_EDGE = 2 ** (1 / 60)  # two fifths of a cell to either side of its middle


@dataclass(frozen=True, slots=True)
class NearAsked:
    """What a plan for all that came near to howling starts from.

    Attributes
    ----------
    nearness : tuple of Nearness
        How near to howling all frequencies came, one for each capture that rang; empty where it is
        not known, and the rings alone are served.
    margin_db : float
        Wanted over the highest send of the recording.
    in_place : tuple of Filter
        What was dialled in during the recording.
    """

    nearness: tuple[Nearness, ...] = ()
    margin_db: float = USUAL_RING_OUT_MARGIN_DB
    in_place: tuple[Filter, ...] = ()


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
    asked: NearAsked,
    rings: Sequence[Ring],
    needs: Sequence[Need],
    limits: Limits,
    *,
    fixed: Sequence[Filter],
    cuts: int | None,
    sample_rate_hz: float,
) -> NearCuts:
    """Choose cuts for the rings and for all that came near to howling.

    Parameters
    ----------
    asked : NearAsked
        Nearness of at least one capture, the margin, and the feedback cuts that were in place; the
        plan's cuts stand in their place.
    rings : sequence of Ring
        Rings of all captures.
    needs : sequence of Need
        What the rings ask for.
    limits : Limits
        The equaliser.
    fixed : sequence of Filter
        Filters that are dialled in anyway.
    cuts : int or None
        At most so many cuts; None for as many as pay, up to `MOST_NEAR_CUTS`.
    sample_rate_hz : float
        Sample rate of the designs, in Hz.

    Returns
    -------
    NearCuts
    """
    excess = excess_db(rings)
    target_db = min(promise_for(excess.likely + asked.margin_db + SAFETY_DB), MOST_PROMISED_DB)
    curves = [
        without(
            level_curve(one, needs),
            asked.in_place,
            most_db=max(HARD_LIMIT_DB - target_db, 0.0),
            sample_rate_hz=sample_rate_hz,
        )
        for one in asked.nearness
    ]
    sensible = _sensible(limits)
    most = MOST_NEAR_CUTS if cuts is None and limits.bands > MOST_NEAR_CUTS else cuts
    before_db = top_db(curves, fixed, sample_rate_hz=sample_rate_hz)

    def optimised(count: int | None, weight: float) -> OptimisedCuts:
        return optimise_curves(
            curves,
            sensible,
            fixed=fixed,
            cuts=count,
            sample_rate_hz=sample_rate_hz,
            tone_weight=weight,
        )

    for weight in TONE_WEIGHTS:
        best = optimised(most, weight)
        enough = [n for n, db in enumerate(best.curve_db) if db - before_db >= target_db]
        if enough:
            if enough[0] < len(best.cuts):
                best = optimised(enough[0], weight)
            chosen = _eased(curves, fixed, best.cuts, sensible, target_db, sample_rate_hz)
            break
        chosen = best.cuts
    promised_db = -top_db(curves, [*fixed, *chosen], sample_rate_hz=sample_rate_hz)
    added = added_db(promised_db)
    return NearCuts(
        cuts=chosen,
        summary=RingOutSummary(
            excess_db=excess,
            added_db=added,
            promised_db=promised_db,
            wanted_margin_db=asked.margin_db,
            margin_db=added.likely - excess.likely,
            near=near_points(asked.nearness),
        ),
    )


def without(
    curve: LevelCurve, in_place: Sequence[Filter], *, most_db: float, sample_rate_hz: float
) -> LevelCurve:
    """Return the level as it would be without the cuts that were in place.

    What a cut holds down is taken to lie `HELD_DB` below the howl at least: that nothing stood out
    there shows that the cut is deep enough, and not that it could go. No frequency is taken to lie
    higher than `most_db`: one band could not answer it.
    """
    if not in_place:
        return curve
    at_hz = np.concatenate([curve.frequency_hz, [one.frequency_hz for one in in_place]])
    level_db = np.concatenate([curve.level_db, [HELD_DB] * len(in_place)])
    inside_hz = below_half_rate(at_hz, sample_rate_hz)
    taken_db = total_db(in_place, inside_hz, sample_rate_hz=sample_rate_hz)
    order = np.argsort(at_hz, kind="stable")
    bare_db = np.minimum(level_db - taken_db, most_db)
    return LevelCurve(at_hz[order], bare_db[order], np.zeros(order.size))


def top_db(
    curves: Sequence[LevelCurve], filters: Sequence[Filter], *, sample_rate_hz: float
) -> float:
    """Return the highest level of the curves with filters, over the first howl's."""
    return float(upper_points(curves, filters, sample_rate_hz=sample_rate_hz)[1].max())


def _eased(
    curves: Sequence[LevelCurve],
    fixed: Sequence[Filter],
    cuts: Sequence[Filter],
    limits: Limits,
    target_db: float,
    sample_rate_hz: float,
) -> tuple[Filter, ...]:
    """Return the cuts, each as shallow as the target allows; what is not needed goes.

    One step at a time, from the cut that removes most level, as long as any can give way.
    """
    if limits.band_kind is not FilterKind.PEAKING:
        return tuple(cuts)
    step_db = limits.gain_step_db or FREE_GAIN_STEP_DB
    frequency_hz, level_db = upper_points(curves, fixed, sample_rate_hz=sample_rate_hz)

    def effect_db(one: Filter) -> _Real:
        return total_db([one], frequency_hz, sample_rate_hz=sample_rate_hz)

    left = list(cuts)
    each_db = [effect_db(one) for one in left]
    total = level_db + sum(each_db, np.zeros_like(level_db))
    stuck: set[int] = set()
    while len(stuck) < len(left):
        index = max(
            (n for n in range(len(left)) if n not in stuck),
            key=lambda n: -(left[n].gain_db or 0.0) / (left[n].q or 1.0),
        )
        gain_db = (left[index].gain_db or 0.0) + step_db
        gain_db = gain_db if worth_a_move(gain_db) else 0.0  # a smaller cut goes altogether
        eased = quantise(replace(left[index], gain_db=gain_db), limits)
        now_db = effect_db(eased)
        if (total - each_db[index] + now_db).max() > -target_db:
            stuck.add(index)
            continue
        total = total - each_db[index] + now_db
        left[index], each_db[index] = eased, now_db
        if gain_db == 0.0:
            stuck.add(index)
    return tuple(one for one in left if (one.gain_db or 0.0) < 0.0)


def _sensible(limits: Limits) -> Limits:
    """Return the limits without what no cut for feedback should be: too deep, or too narrow."""
    return replace(
        limits,
        min_gain_db=max(limits.min_gain_db, -HARD_LIMIT_DB),
        max_q=max(min(limits.max_q, NARROWEST_NEAR_Q), limits.min_q),
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


def promise_for(likely_db: float) -> float:
    """Return what the curve has to promise for so much to be added; undoes `added_db`."""
    return (likely_db - ADDED_BASE_DB) / ADDED_SLOPE


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


def near_points(nearness: Sequence[Nearness]) -> tuple[NearPoint, ...]:
    """Return the cells within `NEAR_DB` of the first howl, the highest of each place first."""
    found: list[NearPoint] = []
    frequency_hz = np.concatenate([one.frequency_hz for one in nearness])
    level_db = np.concatenate([one.level_db for one in nearness])
    for index in np.argsort(-level_db, kind="stable"):
        if level_db[index] < NEAR_DB or len(found) == MOST_NEAR:
            break
        apart = [abs(np.log2(frequency_hz[index] / p.frequency_hz)) for p in found]
        if all(octaves > _SAME_OCT * 1.5 for octaves in apart):
            found.append(NearPoint(float(frequency_hz[index]), float(level_db[index])))
    return tuple(found)
