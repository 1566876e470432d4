"""Which cautions are shown where: before a person acts, before a measurement again, or last."""

from __future__ import annotations

from shaping.capture import cautions
from shaping.capture.recording import CaptureKind
from shaping.plan.assemble import unserved_cautions
from shaping.plan.plan import Plan
from shaping.report.evidence import thins_only

AGAIN_HEADING = "If you play the test signal again"


def before_acting(plan: Plan) -> tuple[str, tuple[str, ...]]:
    """Return heading and cautions for whoever is about to dial a plan in."""
    if for_in_ears(plan):
        return "Before you change an in-ear mix", cautions.IN_EAR
    if thins_only(plan) and not plan.rings:
        return "Before you turn the wedge up", cautions.THINNING
    return "Before you raise the send", cautions.RING_OUT


def for_in_ears(plan: Plan) -> bool:
    """Whether a plan is for an in-ear mix: it carries the cautions that only those have."""
    return set(cautions.IN_EAR) <= set(plan.cautions)


def before_measuring(plan: Plan) -> tuple[str, ...]:
    """Return the cautions for whoever measures again; none where no test signal was played."""
    played = (CaptureKind.PINK_NOISE, CaptureKind.SWEEP)
    if any(capture.kind in played for capture in plan.captures):
        return cautions.TEST_SIGNAL
    return ()


def to_mind(plan: Plan) -> tuple[str, ...]:
    """Return the plan's own cautions: those that no other place of a report shows."""
    elsewhere = {
        *before_acting(plan)[1],
        *before_measuring(plan),
        *unserved_cautions(plan.unserved),
        exposure(plan),
    }
    return tuple(caution for caution in plan.cautions if caution not in elsewhere)


def exposure(plan: Plan) -> str:
    """Return what is said of safe levels."""
    return cautions.EXPOSURE if plan.captures else cautions.SAFE_LEVELS
