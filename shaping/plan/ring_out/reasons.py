"""What became of each ring, in words: reasons beside the filters, and cautions."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.findings import Ring
from shaping.equaliser.limits import Limits
from shaping.filters.kinds import Filter
from shaping.filters.response import total_db
from shaping.plan.assemble import BETTER_CURE, planned_filter
from shaping.plan.plan import NearPoint, PlannedFilter, Purpose, RingOutSummary
from shaping.plan.ring_out.needs import DEEPEST_DB, DRIFT_RATIO, EDGE_LOSS_DB, Need
from shaping.plan.ring_out.placing import SERVED_DB, Cut, below_half_rate
from shaping.text.frequency import frequency_text
from shaping.text.sentences import listing

MANY_RINGS = 3
"""More rings than this together mean that the send is simply too high. Common practice."""

TOGETHER_S = 1.0
"""Rings that first stood out within this time came up together."""

FROM_FLAT = (
    "The settings start from a flat equaliser: they replace what was dialled in during the "
    "recording, and what was in it before is not known; say it with --in-place."
)

HELD_OCT = 1 / 12
"""A cut whose half width reaches so near to one in place holds what that one held."""

RING_OCT = 1 / 24
"""A point within this of a ring is the ring."""

MARGIN_SHORT_DB = 0.5
"""A margin that misses no more than this is the margin."""

MOST_NAMED = 4
"""So many possible rings are named in a caution; all are in the plan's list of rings."""


@dataclass(frozen=True, eq=False)
class Outcome:
    """Rings, what they asked for, what was set, and what it does.

    Attributes
    ----------
    limits : Limits
        The equaliser.
    rings : tuple of Ring
        All rings.
    needs : tuple of Need
        What those rings ask for that ask for anything, most urgent first.
    thinning : tuple of PlannedFilter
        Thinning filters that stay as they were.
    cuts : tuple of Cut
        Feedback cuts, the most urgent first.
    effect_db : ndarray, shape (needs, 3)
        Effect of all filters at each ring and at the edges of its drift.
    sample_rate_hz : float
        Sample rate of the designs.
    near : RingOutSummary or None
        What came near to howling, where the plan is made for all of it.
    in_place : tuple of Filter
        Cuts that were in place during the recording.
    """

    limits: Limits
    rings: tuple[Ring, ...]
    needs: tuple[Need, ...]
    thinning: tuple[PlannedFilter, ...]
    cuts: tuple[Cut, ...]
    effect_db: NDArray[np.float64]
    sample_rate_hz: float
    near: RingOutSummary | None = None
    in_place: tuple[Filter, ...] = ()

    def at_ring_db(self, index: int) -> float:
        """Return the effect of all filters at one ring."""
        return float(self.effect_db[index, 0])

    def served(self, index: int) -> bool:
        """Return whether a ring has, within `SERVED_DB`, what it asked for."""
        return -self.at_ring_db(index) >= self.needs[index].depth_db - SERVED_DB

    def answered(self) -> set[int]:
        """Return the needs that a cut answers."""
        return {member for cut in self.cuts for member in cut.members}

    def unserved(self) -> list[int]:
        """Return the needs that no cut answers and that nothing else serves."""
        answered = self.answered()
        return [n for n in range(len(self.needs)) if n not in answered and not self.served(n)]

    def unserved_sure(self) -> list[int]:
        """Return those of the unserved that are sure rings."""
        return [index for index in self.unserved() if self.needs[index].sure]


def planned_thinning(outcome: Outcome) -> list[PlannedFilter]:
    """Return thinning filters, with the rings that need no cut of their own because of them."""
    answered = outcome.answered()
    spared: dict[int, list[int]] = {}
    for index in range(len(outcome.needs)):
        if index in answered or not outcome.served(index) or not outcome.thinning:
            continue
        at_hz = below_half_rate([outcome.needs[index].frequency_hz], outcome.sample_rate_hz)
        each_db = [
            float(total_db([p.filter], at_hz, sample_rate_hz=outcome.sample_rate_hz)[0])
            for p in outcome.thinning
        ]
        spared.setdefault(int(np.argmin(each_db)), []).append(index)
    return [
        replace(planned, reason=f"{planned.reason}; {_spares(outcome, spared[number])}")
        if number in spared
        else planned
        for number, planned in enumerate(outcome.thinning)
    ]


def planned_cuts(outcome: Outcome) -> list[PlannedFilter]:
    """Return feedback cuts with their evidence in one line and their weakest effect at a ring."""
    return [_planned_cut(outcome, cut) for cut in outcome.cuts]


def cautions(outcome: Outcome, *, in_place: bool = False) -> list[str]:
    """Return what a person should know about this plan, in plain sentences."""
    return [
        *_ring_cautions(outcome, in_place=in_place),
        *(_cut_cautions(outcome) if outcome.near is None else ()),
    ]


def recurring_cautions(outcome: Outcome) -> list[str]:
    """Return what a person should know about a plan for what recurs over rehearsals."""
    return [
        "What was dialled in during these recordings is not known: the cuts come on top of it.",
        *_deep_cautions(outcome),
        *_cut_cautions(outcome),
    ]


def _spares(outcome: Outcome, indices: Sequence[int]) -> str:
    where = _where(outcome.needs[index] for index in indices)
    effects = _effects(outcome, indices)
    return f"it spares the {_rings(len(indices))} at {where} a cut ({effects} dB there)"


def margin_cautions(outcome: Outcome) -> list[str]:
    """Return what to do where the bands do not give the margin that was wanted."""
    near = outcome.near
    if near is None or near.margin_db >= near.wanted_margin_db - MARGIN_SHORT_DB:
        return []
    short_db = near.wanted_margin_db - near.margin_db
    bands = len(outcome.cuts)
    gives = (
        f"give about {near.margin_db:.1f} dB over the highest send of the recording"
        if near.margin_db > 0
        else "do not hold the highest send of the recording for sure"
    )
    return [
        f"These {bands} cuts {gives}, where {near.wanted_margin_db:.1f} dB are wanted: keep the "
        f"send {short_db:.1f} dB below it, move the mic, or use an equaliser with more bands."
    ]


def _near_cut(outcome: Outcome, cut: Cut, near: RingOutSummary) -> PlannedFilter:
    """Return a cut for what nearly howled: no ring, and so only possible."""
    half_oct = 0.5 / max(cut.filter.q or 1.0, 1.0)
    rings_hz = [ring.frequency_hz for ring in outcome.rings if ring.certain]
    points = sorted(
        (
            point
            for point in near.near
            if _apart_oct(point, cut.filter.frequency_hz) <= half_oct
            and all(_apart_oct(point, ring_hz) > RING_OCT for ring_hz in rings_hz)
        ),
        key=lambda point: -point.level_db,
    )
    if points:
        places = listing([frequency_text(point.frequency_hz) for point in points[:MOST_NAMED]])
        level_db = -points[0].level_db
        what = (
            f"possible {_rings(len(points))} at {places}: stood out of the sound as if "
            f"{max(level_db, 0.0):.1f} dB below the howl, and would howl next"
        )
    elif any(
        abs(np.log2(old.frequency_hz / cut.filter.frequency_hz)) <= half_oct + HELD_OCT
        for old in outcome.in_place
    ):
        what = "holds down what the cut in place held, at a higher send"
    else:
        what = "possible rings: the whole region stood out of the sound as if near to howling"
    named_hz = points[0].frequency_hz if points else cut.filter.frequency_hz
    at_hz = below_half_rate([named_hz], outcome.sample_rate_hz)
    filters = [*(p.filter for p in outcome.thinning), *(one.filter for one in outcome.cuts)]
    effect_db = float(total_db(filters, at_hz, sample_rate_hz=outcome.sample_rate_hz)[0])
    return planned_filter(
        cut.filter,
        outcome.limits,
        purpose=Purpose.FEEDBACK,
        reason=f"{what}; {effect_db:.1f} dB there",
        effect_db=effect_db,
    )


def _apart_oct(point: NearPoint, frequency_hz: float) -> float:
    return float(abs(np.log2(point.frequency_hz / frequency_hz)))


def _planned_cut(outcome: Outcome, cut: Cut) -> PlannedFilter:
    if outcome.near is not None and not cut.members:
        return _near_cut(outcome, cut, outcome.near)
    members = [outcome.needs[index] for index in cut.members]
    many = len(members)
    reason = (
        f"{_what(members)}: {'the first ' if many > 1 else ''}{members[0].why}; "
        f"{_effects(outcome, cut.members)} dB at the {_rings(many)}"
    )
    return planned_filter(
        cut.filter,
        outcome.limits,
        purpose=Purpose.FEEDBACK,
        reason=reason,
        effect_db=max(outcome.at_ring_db(index) for index in cut.members),
    )


def _what(needs: Sequence[Need]) -> str:
    """Return the rings that a cut answers; those that are only possible are called so."""
    sure = [need for need in needs if need.sure]
    possible = [need for need in needs if not need.sure]
    parts = []
    if sure:
        parts.append(f"{_rings(len(sure))} at {_where(sure)}")
    if possible:
        confidence = min(need.finding.confidence for need in possible)
        parts.append(
            f"possible {_rings(len(possible))} at {_where(possible)} (confidence {confidence:.2f})"
        )
    return " and ".join(parts)


def _ring_cautions(outcome: Outcome, *, in_place: bool) -> list[str]:
    if not outcome.rings:
        return [
            "No ring was found, so the plan holds no feedback cut and says nothing of how much "
            "louder the wedge may be."
        ]
    said = [] if in_place else [FROM_FLAT]
    if outcome.thinning and outcome.needs:
        said.append("The feedback cuts count on the thinning being dialled in with them.")
    together = _most_together(
        [need.finding for need in outcome.needs if need.sure and isinstance(need.finding, Ring)]
    )
    if together > MANY_RINGS:
        said.append(
            f"{together} rings came up together: the send was simply too high; {BETTER_CURE}."
        )
    said += _deep_cautions(outcome)
    asking = {id(need.finding) for need in outcome.needs}
    left = [ring for ring in outcome.rings if id(ring) not in asking]
    if left:
        where = listing([frequency_text(ring.frequency_hz) for ring in left[:MOST_NAMED]])
        more = f" (and {len(left) - MOST_NAMED} more)" if len(left) > MOST_NAMED else ""
        said.append(
            f"Possible {_rings(len(left))} at {where}{more} without a cut: the evidence is thin; "
            "listen there before you cut."
        )
    return said


def _deep_cautions(outcome: Outcome) -> list[str]:
    deep = [need for need in outcome.needs if need.depth_db >= DEEPEST_DB]
    if not deep:
        return []
    return [
        f"The evidence at {_where(deep)} asks for the deepest cut a plan makes, "
        f"{DEEPEST_DB:.0f} dB: look for another cause; {BETTER_CURE}."
    ]


def _cut_cautions(outcome: Outcome) -> list[str]:
    said = []
    drifting = []
    for index in sorted(outcome.answered()):
        need, effect_db = outcome.needs[index], outcome.at_ring_db(index)
        if not outcome.served(index):
            said.append(
                f"At {frequency_text(need.frequency_hz)} this equaliser reaches "
                f"{effect_db:.1f} dB of the {-need.depth_db:.1f} dB wanted; {BETTER_CURE}."
            )
        elif -outcome.effect_db[index].max() < need.depth_db - EDGE_LOSS_DB - SERVED_DB:
            drifting.append(need)
    if drifting:
        said.append(
            f"The cut at {_where(drifting)} is narrower than a ring can drift (about "
            f"{100 * DRIFT_RATIO:.1f} %): check again when the room is warm and full, and when the "
            "mic has moved."
        )
    return said


def _most_together(rings: Sequence[Ring]) -> int:
    """Return how many first stood out within a second of each other, in one capture."""
    return max(
        (
            sum(
                one.capture == first.capture and 0.0 <= one.onset_s - first.onset_s <= TOGETHER_S
                for one in rings
            )
            for first in rings
        ),
        default=0,
    )


def _rings(count: int) -> str:
    return "ring" if count == 1 else "rings"


def _where(needs: Iterable[Need]) -> str:
    return listing([frequency_text(need.frequency_hz) for need in needs])


def _effects(outcome: Outcome, indices: Sequence[int]) -> str:
    return listing([f"{outcome.at_ring_db(index):.1f}" for index in indices])
