"""From the rings of a ring-out to a plan.

Thinning comes first. Where the recording tells how near to howling the other frequencies came,
the cuts are those that hold the send of the recording and the margin for all of them
(`shaping.plan.ring_out.near_cuts`).

Where it does not, rings alone are served: the sure ones, most urgent first, each with the depth
its evidence asks for (`shaping.plan.ring_out.needs`); then possible ones, with 3 dB, where bands
are free. If a sure ring finds no band, the low-mid cut gives way. What gets no band is said, with
the better cure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from shaping.analysis.findings import Recurring, Ring
from shaping.capture.recording import Capture
from shaping.equaliser.limits import Limits
from shaping.errors import ParameterError
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.response import total_db
from shaping.plan.assemble import GAVE_WAY, Evidence, assemble_plan, unserved_cautions
from shaping.plan.plan import CaptureSummary, Plan, PlannedFilter
from shaping.plan.ring_out.in_place import NOTHING_RANG, InPlace
from shaping.plan.ring_out.near_cuts import NearAsked, near_cuts
from shaping.plan.ring_out.needs import LOOP_DELAY_S, Need, need_of_recurring, needs_of
from shaping.plan.ring_out.placing import Cut, below_half_rate, place_cuts, wants_of
from shaping.plan.ring_out.reasons import (
    Outcome,
    cautions,
    margin_cautions,
    planned_cuts,
    planned_thinning,
    recurring_cautions,
)
from shaping.plan.ring_out.sliders import set_sliders
from shaping.plan.thinning.effect import thinning_summary
from shaping.plan.thinning.starting_points import ThinningAmount, left_out, thinning_filters

MOST_RING_OUT_MARGIN_DB = 20.0
"""A larger margin is no margin but another place for the mic."""

ANSWERS_DB = 1.0
"""A cut answers a ring that it takes at least so much from."""


def plan_from_rings(
    captures: Sequence[Capture | CaptureSummary],
    rings: Sequence[Ring],
    limits: Limits,
    *,
    thinning: ThinningAmount,
    cuts: int | None = None,
    asked: NearAsked = NearAsked(),  # noqa: B008 - frozen
    loop_delay_s: float = LOOP_DELAY_S,
) -> Plan:
    """Plan thinning and feedback cuts for the rings found in ring-out captures of one wedge.

    Parameters
    ----------
    captures : sequence of Capture or CaptureSummary
        What the rings were found in; at least one.
    rings : sequence of Ring
        Rings of all captures, most urgent first.
    limits : Limits
        The equaliser.
    thinning : ThinningAmount
        How much to thin.
    cuts : int or None
        At most so many feedback cuts; None for as many as there are bands.
    asked : NearAsked
        How near to howling all frequencies came, the margin wanted over the highest send, and what
        was in place: it is kept, deepened, moved or added to, and the plan says which; its
        high-pass stands for the thinning.
    loop_delay_s : float
        Time of a trip round the loop in seconds, where it is known.

    Returns
    -------
    Plan
        Quantised to the limits; effects at the rings are those of the whole plan.

    Raises
    ------
    ParameterError
        If there is no capture, or a number makes no sense.
    """
    if not captures:
        raise ParameterError("a plan needs at least one capture; name a recording")
    if cuts is not None and cuts < 0:
        raise ParameterError(f"the number of cuts must be 0 or more, not {cuts}")
    if not 0 < loop_delay_s <= 1:
        raise ParameterError(f"the loop delay must lie between 0 and 1 s, not {loop_delay_s:g}")
    if not 0 <= asked.margin_db <= MOST_RING_OUT_MARGIN_DB:
        raise ParameterError(
            f"the margin must lie between 0 and {MOST_RING_OUT_MARGIN_DB:g} dB, not "
            f"{asked.margin_db:g}"
        )
    rate_hz = captures[0].sample_rate_hz
    before = InPlace.of(asked.in_place, limits)
    thin = before.thinning or thinning_filters(thinning, limits)
    needs = needs_of(rings, loop_delay_s=loop_delay_s)
    left = () if before.thinning else left_out(thinning, limits)
    start = _Start(tuple(rings), tuple(needs), limits, tuple(thin), before, left)
    if before.known and not any(ring.certain for ring in rings):
        return _kept_plan(captures, start)
    if asked.nearness:
        return _near_plan(captures, start, replace(asked, in_place=before.cuts), cuts)
    outcome = _outcome(rings, needs, limits, thin, cuts, rate_hz)
    gave_way = False
    if outcome.unserved_sure():
        high_pass = tuple(p for p in thin if p.filter.kind is FilterKind.HIGH_PASS)
        without = _outcome(rings, needs, limits, high_pass, cuts, rate_hz)
        if len(without.unserved_sure()) < len(outcome.unserved_sure()):
            outcome, thin, gave_way = without, high_pass, True
    said = [*cautions(outcome), *((GAVE_WAY,) if gave_way else left_out(thinning, limits))]
    return assemble_plan(
        captures,
        limits,
        [*planned_thinning(outcome), *planned_cuts(outcome)],
        evidence=Evidence(rings=rings),
        thinning=thinning_summary(planned.filter for planned in thin) if thin else None,
        unserved=[
            finding
            for index in outcome.unserved()
            if isinstance(finding := needs[index].finding, Ring)
        ],
        cautions=said,
    )


@dataclass(frozen=True, eq=False)
class _Start:
    """What a plan starts from."""

    rings: tuple[Ring, ...]
    needs: tuple[Need, ...]
    limits: Limits
    thin: tuple[PlannedFilter, ...]
    before: InPlace
    left: tuple[str, ...]


def _near_plan(
    captures: Sequence[Capture | CaptureSummary],
    start: _Start,
    asked: NearAsked,
    cuts: int | None,
) -> Plan:
    """Plan for the rings and for all that came near to howling."""
    rate_hz, limits, needs = captures[0].sample_rate_hz, start.limits, start.needs
    fixed = [planned.filter for planned in start.thin]
    near = near_cuts(
        asked, start.rings, needs, limits, fixed=fixed, cuts=cuts, sample_rate_hz=rate_hz
    )
    wants = wants_of(needs, sample_rate_hz=rate_hz)
    outcome = Outcome(
        limits=limits,
        rings=start.rings,
        needs=needs,
        thinning=start.thin,
        cuts=_answering(near.cuts, needs, rate_hz),
        effect_db=total_db([*fixed, *near.cuts], wants.frequency_hz, sample_rate_hz=rate_hz),
        sample_rate_hz=rate_hz,
        near=near.summary,
        in_place=start.before.cuts,
    )
    return assemble_plan(
        captures,
        limits,
        [*planned_thinning(outcome), *start.before.told(planned_cuts(outcome))],
        evidence=Evidence(rings=start.rings, ring_out=near.summary),
        thinning=thinning_summary(fixed) if start.thin else None,
        cautions=[
            *start.before.cautions(near.cuts),
            *cautions(outcome, in_place=start.before.known),
            *margin_cautions(outcome),
            *start.left,
        ],
    )


def _kept_plan(captures: Sequence[Capture | CaptureSummary], start: _Start) -> Plan:
    """Keep what is in place: nothing certainly rang with it."""
    return assemble_plan(
        captures,
        start.limits,
        [*start.thin, *start.before.kept(start.limits)],
        evidence=Evidence(rings=start.rings),
        thinning=thinning_summary(p.filter for p in start.thin) if start.thin else None,
        cautions=[NOTHING_RANG],
    )


def _answering(filters: Sequence[Filter], needs: Sequence[Need], rate_hz: float) -> tuple[Cut, ...]:
    """Return each filter with the needs that it does most for."""
    if not needs or not filters:
        return tuple(Cut(one, ()) for one in filters)
    at_hz = below_half_rate([need.frequency_hz for need in needs], rate_hz)
    each_db = np.array([total_db([one], at_hz, sample_rate_hz=rate_hz) for one in filters])
    does_most = each_db.argmin(axis=0)
    return tuple(
        Cut(
            one,
            tuple(
                int(index)
                for index in np.flatnonzero(does_most == number)
                if each_db[number, index] <= -ANSWERS_DB
            ),
        )
        for number, one in enumerate(filters)
    )


def plan_from_recurring(
    captures: Sequence[CaptureSummary], recurring: Sequence[Recurring], limits: Limits
) -> Plan:
    """Plan feedback cuts for what recurs on one channel of rehearsals.

    Parameters
    ----------
    captures : sequence of CaptureSummary
        The recordings it recurred in; at least one.
    recurring : sequence of Recurring
        What recurs, most urgent first.
    limits : Limits
        The equaliser.

    Returns
    -------
    Plan
        Without rings: these are no findings of one ring-out. The reasons hold the evidence, and
        what found no band is said.

    Raises
    ------
    ParameterError
        If there is no capture.
    """
    if not captures:
        raise ParameterError("a plan needs at least one capture; name a recording")
    needs = [need_of_recurring(one) for one in recurring]
    outcome = _outcome((), needs, limits, (), None, captures[0].sample_rate_hz)
    return assemble_plan(
        captures,
        limits,
        planned_cuts(outcome),
        cautions=[
            *recurring_cautions(outcome),
            *unserved_cautions([needs[index].finding for index in outcome.unserved()]),
        ],
    )


def _outcome(
    rings: Sequence[Ring],
    needs: Sequence[Need],
    limits: Limits,
    thin: Sequence[PlannedFilter],
    cuts: int | None,
    rate_hz: int,
) -> Outcome:
    """Return what this thinning and the cuts placed beside it do."""
    kept, placed = _place(needs, limits, [p.filter for p in thin], cuts, rate_hz)
    wants = wants_of(needs, sample_rate_hz=rate_hz)
    return Outcome(
        limits=limits,
        rings=tuple(rings),
        needs=tuple(needs),
        thinning=tuple(planned for planned in thin if planned.filter in kept),
        cuts=tuple(placed),
        effect_db=total_db(
            [*kept, *(cut.filter for cut in placed)], wants.frequency_hz, sample_rate_hz=rate_hz
        ),
        sample_rate_hz=rate_hz,
    )


def _place(
    needs: Sequence[Need],
    limits: Limits,
    thin: Sequence[Filter],
    cuts: int | None,
    rate_hz: float,
) -> tuple[Sequence[Filter], Sequence[Cut]]:
    """Return the thinning filters that stay as they are, and the cuts."""
    if limits.grid_hz is not None and limits.band_kind is FilterKind.PEAKING:
        most = limits.bands if cuts is None else cuts
        return set_sliders(needs, limits, thinning=thin, cuts=most, sample_rate_hz=rate_hz)
    free = limits.bands - sum(filter.kind is not FilterKind.HIGH_PASS for filter in thin)
    bands = free if cuts is None else min(cuts, free)
    return thin, place_cuts(needs, limits, thinning=thin, bands=bands, sample_rate_hz=rate_hz)
