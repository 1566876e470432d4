"""What every planner shares: total effect, planned filters, dialling order, the finished plan.

A planner decides which filters there are and why; this module turns its decisions into a `Plan`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from shaping.analysis.findings import Recurring, Resonance, Ring
from shaping.capture import cautions as cautions_of
from shaping.capture.recording import Capture, CaptureKind
from shaping.equaliser.limits import Limits
from shaping.equaliser.quantise import bandwidth_oct, dial_q
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.plan import (
    CaptureSummary,
    LoopSummary,
    Plan,
    PlannedFilter,
    Purpose,
    RingOutSummary,
    ThinningSummary,
)
from shaping.text.frequency import frequency_text
from shaping.text.sentences import listing

GAVE_WAY = (
    "The low-mid cut gave its band to a ring, since a howl is the greater harm: thin with the "
    "high-pass and, where there is one, with the equaliser of the mic's channel."
)

BETTER_CURE = "a lower fader or a better place for the mic is the better cure"


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the captures showed, as in `Plan`.

    Attributes
    ----------
    rings : sequence of Ring
        Most urgent first.
    resonances : sequence of Resonance
        Most prominent first.
    loop : LoopSummary or None
        What the filters do to the loop; None where it was not measured.
    ring_out : RingOutSummary or None
        What a ring-out tells of the loop; None where nothing rang, more likely than not.
    """

    rings: Sequence[Ring] = ()
    resonances: Sequence[Resonance] = ()
    loop: LoopSummary | None = None
    ring_out: RingOutSummary | None = None


def planned_filter(
    filter: Filter,
    limits: Limits,
    *,
    purpose: Purpose,
    reason: str,
    effect_db: float | None = None,
) -> PlannedFilter:
    """Return a quantised filter with what a person needs to dial it in."""
    return PlannedFilter(
        filter=filter,
        purpose=purpose,
        reason=reason,
        dial_q=dial_q(filter, limits),
        bandwidth_oct=bandwidth_oct(filter),
        effect_db=effect_db,
    )


def in_dialling_order(filters: Iterable[PlannedFilter]) -> tuple[PlannedFilter, ...]:
    """Return high-pass, then thinning from low to high, then feedback cuts as they came."""

    def place(planned: PlannedFilter) -> tuple[int, float]:
        if planned.filter.kind is FilterKind.HIGH_PASS:
            return 0, 0.0
        if planned.purpose is Purpose.THINNING:
            return 1, planned.filter.frequency_hz
        return 2, 0.0

    return tuple(sorted(filters, key=place))


def summarise_capture(capture: Capture) -> CaptureSummary:
    """Return what a plan remembers of a capture."""
    return CaptureSummary(
        path=capture.path,
        sample_rate_hz=capture.sample_rate_hz,
        channel=capture.channel,
        duration_s=capture.duration_s,
        kind=capture.kind,
        quality=capture.quality,
    )


_NOTHING_SHOWN = Evidence()


def assemble_plan(
    captures: Sequence[Capture | CaptureSummary],
    limits: Limits,
    filters: Iterable[PlannedFilter],
    *,
    evidence: Evidence = _NOTHING_SHOWN,
    thinning: ThinningSummary | None = None,
    unserved: Sequence[Ring | Resonance] = (),
    cautions: Iterable[str] = (),
) -> Plan:
    """Return the finished plan.

    Parameters
    ----------
    captures : sequence of Capture or CaptureSummary
        What it rests on; at least one, all of one kind;
        effects are computed at the first one's sample rate.
    limits : Limits
        The equaliser.
    filters : iterable of PlannedFilter
        Quantised filters; feedback cuts most urgent first.
    evidence : Evidence
        What the captures showed.
    thinning : ThinningSummary or None
        What the filters do to spill; None where nothing is thinned.
    unserved : sequence of Ring or Resonance
        As in `Plan`.
    cautions : iterable of str
        Plain sentences; each is kept once, in order. The usual cautions for this kind of capture
        and what is unserved are added.

    Returns
    -------
    Plan
        Filters in dialling order.
    """
    rang = captures[0].kind is CaptureKind.RING_OUT
    safety = cautions_of.RING_OUT if rang else cautions_of.TEST_SIGNAL
    said = [*safety, *cautions, *unserved_cautions(unserved), cautions_of.EXPOSURE]
    return Plan(
        captures=tuple(
            capture if isinstance(capture, CaptureSummary) else summarise_capture(capture)
            for capture in captures
        ),
        limits=limits,
        filters=in_dialling_order(filters),
        rings=tuple(evidence.rings),
        resonances=tuple(evidence.resonances),
        loop=evidence.loop,
        thinning=thinning,
        unserved=tuple(unserved),
        cautions=tuple(dict.fromkeys(said)),
        ring_out=evidence.ring_out,
    )


def unserved_cautions(unserved: Sequence[Ring | Resonance | Recurring]) -> list[str]:
    """Return what is said of findings that no band is left for; empty if there are none."""
    if not unserved:
        return []
    where = listing([frequency_text(finding.frequency_hz) for finding in unserved])
    return [f"No band is left for {where}: {BETTER_CURE}."]
