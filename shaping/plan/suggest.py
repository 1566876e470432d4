"""From captures in memory straight to a plan: analysis and planning in one call."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from shaping.analysis.findings import LoopResponse
from shaping.analysis.loop.response import estimate_loop_response
from shaping.analysis.ring_out.over_captures import rings_across
from shaping.analysis.ring_out.rings import find_rings
from shaping.capture.quality import require_usable
from shaping.capture.recording import Capture, CaptureKind
from shaping.equaliser.limits import Limits
from shaping.errors import ParameterError
from shaping.plan.plan import Plan
from shaping.plan.ring_out.planner import plan_from_rings
from shaping.plan.thinning.starting_points import ThinningAmount


@dataclass(frozen=True, eq=False)
class Suggestion:
    """A plan with what its pictures are drawn from.

    Attributes
    ----------
    plan : Plan
        The settings and their evidence.
    captures : tuple of Capture
        The captures, with every quality note.
    loops : tuple of LoopResponse
        One per capture where there was a reference, else empty.
    """

    plan: Plan
    captures: tuple[Capture, ...]
    loops: tuple[LoopResponse, ...]


def suggest(
    captures: Sequence[Capture],
    limits: Limits,
    *,
    kind: CaptureKind,
    reference: Capture | None = None,
    thinning: ThinningAmount = ThinningAmount.LIGHT,
    cuts: int | None = None,
) -> Suggestion:
    """Suggest the settings for one wedge from its captures.

    Parameters
    ----------
    captures : sequence of Capture
        Captures of one wedge (several mic positions make one plan, judged by the worst).
    limits : Limits
        The equaliser.
    kind : CaptureKind
        How the captures were made.
    reference : Capture or None
        The test signal that was played; with it the loop's stable gain is known.
    thinning : ThinningAmount
        How much to thin.
    cuts : int or None
        At most so many feedback cuts; None leaves it to the evidence and the limits.

    Raises
    ------
    ParameterError
        If there is no capture, or a reference comes with a ring-out.
    CaptureError
        If a capture cannot answer.
    """
    if not captures:
        raise ParameterError("a plan needs at least one capture; name a recording")
    for capture in captures:
        require_usable(capture)
    if kind is CaptureKind.RING_OUT:
        if reference is not None:
            raise ParameterError(
                "a ring-out has no reference; leave --reference out, or say --kind pink-noise"
            )
        rings = rings_across([find_rings(c.samples, c.sample_rate_hz) for c in captures])
        plan = plan_from_rings(captures, rings, limits, thinning=thinning, cuts=cuts)
        return Suggestion(plan, tuple(captures), ())
    from shaping.analysis.noise.resonances import find_resonances
    from shaping.plan.loop.planner import plan_from_loop, plan_from_resonances

    if reference is None:
        if kind is CaptureKind.SWEEP:
            raise ParameterError("a sweep needs the file that was played; name it with --reference")
        resonances = [find_resonances(c.samples, c.sample_rate_hz) for c in captures]
        plan = plan_from_resonances(captures, resonances, limits, thinning=thinning, cuts=cuts)
        return Suggestion(plan, tuple(captures), ())
    loops = tuple(
        estimate_loop_response(
            c.samples,
            reference.samples,
            capture_rate_hz=c.sample_rate_hz,
            reference_rate_hz=reference.sample_rate_hz,
            kind=kind,
        )
        for c in captures
    )
    judged = tuple(
        replace(c, quality=c.quality + loop.quality)
        for c, loop in zip(captures, loops, strict=True)
    )
    plan = plan_from_loop(judged, loops, limits, kind=kind, thinning=thinning, cuts=cuts)
    return Suggestion(plan, judged, loops)
