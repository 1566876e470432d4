"""What a plan rests on: which picture shows it, and what is said beside it."""

from __future__ import annotations

from enum import StrEnum

from shaping.capture.recording import CaptureKind
from shaping.plan.plan import Plan, Purpose
from shaping.plan.suggestion import Suggestion

GAIN_HEADING = "What each further cut adds"
TONE_HEADING = "How much gain for how much tone"


class Evidence(StrEnum):
    """Which picture shows what a plan rests on."""

    LOOP = "loop"
    SPILL = "spill"
    MODEL = "model"
    SPECTROGRAM = "spectrogram"
    SPECTRUM = "spectrum"


def thins_only(plan: Plan) -> bool:
    """Whether a plan rests on no capture of the loop, so that it says nothing of feedback."""
    heard_loop = plan.captures and plan.captures[0].kind is not CaptureKind.FIRST_ROW
    return not (heard_loop or plan.rings or feedback_cuts(plan))


def feedback_cuts(plan: Plan) -> int:
    """Return the number of feedback cuts in a plan."""
    return sum(planned.purpose is Purpose.FEEDBACK for planned in plan.filters)


def evidence(suggestion: Suggestion) -> Evidence | None:
    """Return which picture shows what a plan rests on; None if there is nothing to show."""
    plan = suggestion.plan
    if suggestion.loops:
        return Evidence.LOOP
    if suggestion.spill is not None:
        return Evidence.SPILL
    if thins_only(plan) and plan.thinning is not None and not plan.captures:
        return Evidence.MODEL
    if not suggestion.captures or thins_only(plan):
        return None
    if plan.captures and plan.captures[0].kind is not CaptureKind.RING_OUT:
        return Evidence.SPECTRUM
    return Evidence.SPECTROGRAM


def evidence_texts(plan: Plan, shown: Evidence) -> tuple[str, str]:
    """Return heading and caption of the evidence."""
    if shown is Evidence.LOOP:
        return "The loop as measured", (
            "Level from wedge to mic: the higher a peak, the earlier it howls there. "
            + (
                "The band runs from the lowest to the highest of the captures."
                if len(plan.captures) > 1
                else "The band holds the true level with 95 % certainty."
            )
        )
    if shown is Evidence.SPILL:
        return "What reaches the first row (relative levels)", (
            "Level in each third of an octave, over the loudest of the mains. Both were recorded "
            "with one gain: the differences count, not the levels."
        )
    if shown is Evidence.MODEL:
        return "Where a model wedge sends its sound (not measured)", (
            "Low mids leave a wedge in all directions, high notes mostly "
            "towards the musician: so the low mids are most of what the first rows hear of it. "
            "Direct sound alone; the room returns some of the rest."
        )
    if shown is Evidence.SPECTROGRAM:
        boxes = " A box marks each time a ring stood out." if plan.rings else ""
        return "What was recorded", f"The darker, the louder; time runs to the right.{boxes}"
    marks = " Marks show the resonances." if plan.resonances else ""
    return "What was recorded", f"Level of each frequency, averaged over the recording.{marks}"


def has_gain_curve(plan: Plan) -> bool:
    """Whether there is a curve of what the cuts add."""
    loop = plan.loop
    return loop is not None and (len(loop.added_by_cuts_db) > 1 or bool(loop.gain_for_tone))


def gain_heading(plan: Plan) -> str:
    """Return what that curve shows: gain against tone, or against the number of cuts."""
    return TONE_HEADING if plan.loop is not None and plan.loop.gain_for_tone else GAIN_HEADING
