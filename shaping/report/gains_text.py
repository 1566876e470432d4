"""What a plan buys, what it leaves, and what its figures rest on, in plain sentences."""

from __future__ import annotations

import math

from shaping.plan.assemble import BETTER_CURE
from shaping.plan.plan import LoopSummary, Plan, RingOutSummary
from shaping.report.evidence import feedback_cuts
from shaping.report.thinning_text import thinning_texts
from shaping.report.words import finding_text
from shaping.text.frequency import hertz_text
from shaping.text.quantities import change_text, gain_text
from shaping.text.sentences import listing, sentence

GAIN_UNKNOWN = (
    "How much louder it can go cannot be told from this recording. To know, record pink noise "
    "through the wedge with the mic muted everywhere, and give the played file as reference."
)
SEND_GAIN = (
    "Gains of the send are re the recorded files: 0 dB would put the recorded samples where those "
    "of the test signal entered the wedge. Go by the differences; only where one desk played and "
    "recorded, with its gains at 0 dB, are they the fader's own marks."
)
GAIN_WITHHELD = (
    "How much gain there is, and how much the settings add, is withheld: the measurement cannot "
    "tell, for the reason given with the recording."
)

_ENOUGH_PLACES = 3  # a choice: of two places the spread is hardly known

HALF_ALIKE_M_HZ = 103.5
"""Distance times frequency at which two places in a diffuse field are half alike: the coherence
``sin(k r) / (k r)`` is 0.5 at k r = 1.895 (R. K. Cook et al., JASA 27, 1955)."""


def gain_texts(plan: Plan) -> tuple[str, ...]:
    """Return what a plan buys, in plain sentences."""
    told = loop_texts(plan.loop) if plan.loop else ()
    thinned = thinning_texts(plan.thinning) if plan.thinning else ()
    if plan.ring_out is not None:
        return (*ring_out_texts(plan.ring_out), *thinned)
    unknown = (GAIN_UNKNOWN,) if feedback_cuts(plan) and plan.loop is None else ()
    return (*told, *thinned, *unknown)


def ring_out_texts(ring_out: RingOutSummary) -> tuple[str, ...]:
    """Return what a ring-out lets expect of the plan, and the next step, in plain sentences."""
    added, excess = ring_out.added_db, ring_out.excess_db
    expected = (
        f"About {added.likely:.0f} dB more gain before it howls, {added.low:.0f} to "
        f"{added.high:.0f} dB in nine of ten cases: an estimate from what came near to howling."
    )
    over = (
        f"At its highest the send stood {excess.low:.1f} to {excess.high:.1f} dB over the first "
        f"howl, likely {excess.likely:.1f} dB: growth alone does not tell it closer."
    )
    return (expected, over, next_step_text(ring_out))


def next_step_text(ring_out: RingOutSummary) -> str:
    """Return what to do next, in one sentence."""
    wanted, margin = ring_out.wanted_margin_db, ring_out.margin_db
    if margin >= wanted:
        return (
            "Next: dial this in, raise the send to where it howled, and if it stays quiet "
            f"{wanted:.0f} dB further; if it rings, record that and run suggest again with "
            "--in-place and this plan."
        )
    return (
        "Next: dial this in and ring out once more, for the margin is not reached yet; run "
        "suggest on that recording with --in-place and this plan."
    )


def left_texts(plan: Plan) -> tuple[str, ...]:
    """Return what no band is left for, and the better cure; empty if there is nothing."""
    if not plan.unserved:
        return ()
    return (*(finding_text(finding) for finding in plan.unserved), sentence(BETTER_CURE))


def assumption_texts(plan: Plan) -> tuple[str, ...]:
    """Return what the figures of a plan rest on, in plain sentences."""
    return (
        *((SEND_GAIN,) if plan.loop is not None else ()),
        *(plan.thinning.assumptions if plan.thinning is not None else ()),
    )


def loop_texts(loop: LoopSummary) -> tuple[str, ...]:
    """Return what the plan buys in stable gain, in plain sentences, what it adds first."""
    measured = measured_text(loop)
    if loop.withheld:
        return (GAIN_WITHHELD, *([measured] if measured else []))
    low_db, after_low_db = loop.stable_gain_low_db, loop.stable_gain_after_low_db
    sure = math.isfinite(low_db) and math.isfinite(after_low_db)
    if not sure:
        low_db, after_low_db = loop.stable_gain_db, loop.stable_gain_after_db
    ends = ", safe ends of 95 % intervals" if sure else ""
    worst = (
        f"{change_text(loop.added_stable_gain_db)} gain before it howls. Re the recorded files, "
        f"the send may go up to {gain_text(low_db)} without the settings, to "
        f"{gain_text(after_low_db)} with them (worst case over phase{ends})."
    )
    path = (
        "In phase, with path and delay exactly as recorded"
        if loop.delay_known
        else "In phase, over loop delays of 2 to 20 ms"
    )
    before = _span_text(loop.in_phase_stable_gain_db, loop.in_phase_stable_gain_high_db)
    after = _span_text(loop.in_phase_stable_gain_after_db, loop.in_phase_stable_gain_after_high_db)
    phase = f"{path}: {before} without, {after} with them, re the recorded files."
    told = (worst, *_send_texts(loop), phase)
    return (*told, measured) if measured else told


def measured_text(loop: LoopSummary) -> str:
    """Return which bands were measured; "" if it is not known."""
    if not loop.measured_hz:
        return ""
    bands = [f"from {hertz_text(low)} to {hertz_text(high)}" for low, high in loop.measured_hz]
    return f"Measured {listing(bands)}."


def _send_texts(loop: LoopSummary) -> tuple[str, ...]:
    """Return where to leave the send, and what that rests on."""
    unseen, send = loop.stable_gain_after_unseen_db, loop.send_db
    if not (math.isfinite(unseen) and math.isfinite(send)):
        return ()
    places = len(loop.stable_gain_by_capture_db)
    measured = "the one place measured" if places == 1 else f"the {places} places measured"
    more = "; measure three to five places to be surer" if places < _ENOUGH_PLACES else ""
    return (
        f"Leave the send at {gain_text(send)} at most, re the recorded files: that is "
        f"{loop.margin_db:.0f} dB under the promise or what holds at other places, whichever is "
        "less.",
        f"Where the mic goes to other places (a step aside, another singer), {gain_text(unseen)} "
        f"holds at 95 % of them, going by {measured}{more}. A hand round the mic costs more.",
        *_reach_text(loop),
    )


def _reach_text(loop: LoopSummary) -> tuple[str, ...]:
    """Return how far the mic may move before it meets other peaks."""
    if not loop.critical:
        return ()
    frequency_hz = loop.critical[0].frequency_hz
    return (
        f"The peaks hold while the mic stays within {100 * HALF_ALIKE_M_HZ / frequency_hz:.0f} cm "
        f"at {hertz_text(frequency_hz)}, and further at lower frequencies.",
    )


def _span_text(low_db: float, high_db: float) -> str:
    if not math.isfinite(high_db) or round(high_db - low_db, 1) == 0:
        return gain_text(low_db)
    return f"{gain_text(low_db)} to {gain_text(high_db)}"


def added_by_cuts_text(loop: LoopSummary) -> str:
    """Return what each number of feedback cuts adds, in one line; "" if it is not known."""
    if len(loop.added_by_cuts_db) < 2:
        return ""
    first, *more = loop.added_by_cuts_db
    each = ", ".join(f"by {number} {gain_text(gain)}" for number, gain in enumerate(more, 1))
    return f"Added without a feedback cut {gain_text(first)}, {each} (thinning included)."
