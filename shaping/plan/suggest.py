"""From captures in memory straight to a plan: analysis and planning in one call."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from shaping.analysis.loop.response import estimate_loop_response
from shaping.analysis.ring_out.nearness import find_nearness
from shaping.analysis.ring_out.over_captures import rings_across
from shaping.analysis.ring_out.rings import find_rings
from shaping.capture.quality import require_usable
from shaping.capture.recording import Capture, CaptureKind
from shaping.equaliser.limits import Limits
from shaping.errors import ParameterError
from shaping.plan.loop.wishes import Wishes
from shaping.plan.ring_out.near_cuts import USUAL_RING_OUT_MARGIN_DB, NearAsked
from shaping.plan.ring_out.planner import plan_from_rings
from shaping.plan.suggestion import Suggestion
from shaping.plan.thinning.starting_points import ThinningAmount, chosen_amount
from shaping.text.sentences import listing


def suggest(
    captures: Sequence[Capture],
    limits: Limits,
    *,
    reference: Capture | None = None,
    thinning: ThinningAmount | str = ThinningAmount.LIGHT,
    cuts: int | None = None,
    wishes: Wishes | None = None,
) -> Suggestion:
    """Suggest the settings for one wedge from its captures.

    Parameters
    ----------
    captures : sequence of Capture
        Captures of one wedge, all of one kind (several mic positions make one plan, judged by the
        worst).
    limits : Limits
        The equaliser.
    reference : Capture or None
        The test signal that was played; with it the loop's stable gain is known.
    thinning : ThinningAmount or str
        How much to thin: none, light, medium or strong.
    cuts : int or None
        At most so many feedback cuts; None leaves it to the evidence and the limits.
    wishes : Wishes or None
        How much gain for how much tone and whether player and recorder started together (noise
        and sweeps), what was in place (ring-outs), the margin to leave.

    Returns
    -------
    Suggestion
        The plan, the captures with every quality note, and the measured loops.

    Raises
    ------
    ParameterError
        If there is no capture, they are not of one kind, a reference comes with a ring-out, or
        there is no such amount of thinning.
    CaptureError
        If a capture cannot answer.

    Examples
    --------
    >>> from shaping import CaptureKind, load_limits, read_capture
    >>> path = "audio_samples/vocal_wedge_ring_out.flac"
    >>> capture = read_capture(path, kind=CaptureKind.RING_OUT)
    >>> plan = suggest([capture], load_limits("parametric-4"), thinning="none").plan
    >>> {planned.purpose.value for planned in plan.filters}
    {'feedback'}
    """
    kind = _one_kind(captures)
    amount = chosen_amount(thinning)
    asked = wishes or Wishes()
    asked = asked if cuts is None else replace(asked, cuts=cuts)
    for capture in captures:
        require_usable(capture)
    if kind is CaptureKind.RING_OUT:
        if reference is not None:
            raise ParameterError(
                "a ring-out has no reference; leave --reference out, or say --kind pink-noise"
            )
        found = [find_rings(c.samples, c.sample_rate_hz) for c in captures]
        near = [
            find_nearness(c.samples, c.sample_rate_hz, rings)
            for c, rings in zip(captures, found, strict=True)
        ]
        plan = plan_from_rings(
            captures,
            rings_across(found),
            limits,
            thinning=amount,
            cuts=asked.cuts,
            asked=NearAsked(
                tuple(one for one in near if one is not None),
                USUAL_RING_OUT_MARGIN_DB if asked.margin_db is None else asked.margin_db,
                asked.in_place,
            ),
        )
        return Suggestion(plan, tuple(captures), ())
    from shaping.analysis.noise.resonances import find_resonances
    from shaping.plan.loop.planner import plan_from_loop, plan_from_resonances

    if reference is None:
        if kind is CaptureKind.SWEEP:
            raise ParameterError("a sweep needs the file that was played; name it with --reference")
        resonances = [find_resonances(c.samples, c.sample_rate_hz) for c in captures]
        plan = plan_from_resonances(captures, resonances, limits, thinning=amount, wishes=asked)
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
    for capture in judged:
        require_usable(capture)
    plan = plan_from_loop(judged, loops, limits, thinning=amount, wishes=asked)
    return Suggestion(plan, judged, loops)


def _one_kind(captures: Sequence[Capture]) -> CaptureKind:
    """Return the kind that all captures are of."""
    if not captures:
        raise ParameterError("a plan needs at least one capture; name a recording")
    kinds = list(dict.fromkeys(capture.kind for capture in captures))
    if len(kinds) > 1:
        raise ParameterError(
            f"captures of one plan must be of one kind, not {listing(kinds)}; "
            "make a plan for each kind"
        )
    if kinds[0] is CaptureKind.FIRST_ROW:
        raise ParameterError(
            "a recording at the first row says nothing of feedback; thin from it, or name a "
            "recording of the mic"
        )
    return kinds[0]
