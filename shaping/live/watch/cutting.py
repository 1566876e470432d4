"""The cut that would stop a ring, in an equaliser's own settings."""

from __future__ import annotations

from dataclasses import dataclass

from shaping.analysis.findings import Ring
from shaping.capture.recording import CaptureKind
from shaping.equaliser.limits import Limits
from shaping.filters.kinds import Filter
from shaping.live.watch.board import Entry
from shaping.live.watch.watcher import GrowingRing
from shaping.plan.plan import CaptureSummary, Plan
from shaping.plan.ring_out.planner import plan_from_rings
from shaping.plan.thinning.starting_points import ThinningAmount
from shaping.report.words import settings


@dataclass(frozen=True, slots=True)
class Cutting:
    """A cut, and how it is dialled in."""

    filter: Filter
    text: str


@dataclass(frozen=True, slots=True)
class Shown:
    """One entry of the board with the cut for it."""

    entry: Entry
    cut: Cutting | None


def cuttings_of(plan: Plan) -> tuple[Cutting, ...]:
    """Return the filters of a plan with what a person dials in, in dialling order."""
    return tuple(
        Cutting(planned.filter, f"{one.hertz} {one.gain} {one.width}".replace("  ", " ").strip())
        for planned, one in zip(plan.filters, settings(plan), strict=True)
    )


def ring_of(growing: GrowingRing) -> Ring:
    """Return a growing ring as the plans know rings."""
    return Ring(
        frequency_hz=growing.frequency_hz,
        frequency_error_hz=1.0,
        width_hz=0.0,
        onset_s=growing.start_s,
        duration_s=max(growing.last_s - growing.start_s, 0.0),
        growth_db_per_s=growing.growth_db_per_s,
        decay_db_per_s=None,
        peak_dbfs=growing.peak_dbfs,
        occurrences=1,
        clipped=growing.peak_dbfs > -0.5,
        confidence=growing.confidence,
        evidence="seen while it grew",
    )


def cut_for(growing: GrowingRing, limits: Limits, *, sample_rate_hz: int) -> Cutting | None:
    """Return the cut for one ring alone; None where the equaliser has none for it.

    Parameters
    ----------
    growing : GrowingRing
        The ring.
    limits : Limits
        The equaliser.
    sample_rate_hz : int
        Rate of the watch.
    """
    watched = CaptureSummary(
        "watch", sample_rate_hz, growing.channel + 1, growing.last_s, CaptureKind.RING_OUT, ()
    )
    plan = plan_from_rings(
        [watched], [ring_of(growing)], limits, thinning=ThinningAmount.NONE, cuts=1
    )
    return next(iter(cuttings_of(plan)), None)
