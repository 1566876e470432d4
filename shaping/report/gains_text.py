"""What a plan buys, what it leaves, and what its figures rest on, in plain sentences."""

from __future__ import annotations

import math

from shaping.plan.assemble import BETTER_CURE
from shaping.plan.plan import LoopSummary, Plan, RingOutSummary, ThinningSummary
from shaping.report.evidence import feedback_cuts
from shaping.report.words import finding_text
from shaping.text.quantities import change_text, gain_text
from shaping.text.sentences import sentence

GAIN_UNKNOWN = (
    "How much louder it can go cannot be told from this recording. To know, record pink noise "
    "through the wedge with the mic's send muted, and give the played file as reference."
)
SEND_GAIN = (
    "Gains of the send are relative: 0 dB would put the recorded samples where those of the test "
    "signal entered the wedge. Go by the differences."
)

_HEARD_SII = 0.02
"""A smaller change of the index is not worth a word; our choice."""

_CLARITY = {False: "become less clear", True: "become clearer"}


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
    """Return what the plan buys in stable gain, in plain sentences."""
    error_db = loop.stable_gain_error_db
    error = f" ± {error_db:.1f}" if math.isfinite(error_db) and error_db >= 0.05 else ""
    worst = (
        f"{change_text(loop.added_stable_gain_db)} gain before it howls: the send may go up to "
        f"{gain_text(loop.stable_gain_db)}{error} without the settings, to "
        f"{gain_text(loop.stable_gain_after_db)} with them (worst case over phase)."
    )
    path = (
        "With the path exactly as recorded"
        if loop.delay_known
        else "In phase, for usual delays of the loop"
    )
    phase = (
        f"{path}: {gain_text(loop.in_phase_stable_gain_db)} without, "
        f"{gain_text(loop.in_phase_stable_gain_after_db)} with them."
    )
    return (worst, phase)


def added_by_cuts_text(loop: LoopSummary) -> str:
    """Return what each number of feedback cuts adds, in one line; "" if it is not known."""
    if len(loop.added_by_cuts_db) < 2:
        return ""
    first, *more = loop.added_by_cuts_db
    each = ", ".join(f"by {number} {gain_text(gain)}" for number, gain in enumerate(more, 1))
    return f"Added without a feedback cut {gain_text(first)}, {each} (thinning included)."


def thinning_texts(thinning: ThinningSummary) -> tuple[str, ...]:
    """Return what thinning saves in the room and costs on stage, in plain sentences."""
    saved = (
        f"{change_text(thinning.spill_change_db)} of this wedge in the first rows, 125 to 500 Hz"
    )
    if thinning.spill_change_a_db is not None and thinning.spill_change_c_db is not None:
        saved += (
            f" (over all frequencies {change_text(thinning.spill_change_a_db)} A-weighted, "
            f"{change_text(thinning.spill_change_c_db)} C-weighted)"
        )
    return (f"{saved}.", *_intelligibility_texts(thinning))


def _intelligibility_texts(thinning: ThinningSummary) -> tuple[str, ...]:
    before, after = thinning.sii_before, thinning.sii_after
    if before is None or after is None:
        return ()
    change = after - before
    verdict = "stay as clear" if abs(change) < _HEARD_SII else _CLARITY[change > 0]
    whole = (
        f"Words {verdict} for the musician: speech intelligibility index {before:.2f} before, "
        f"{after:.2f} after (0 to 1; ANSI S3.5-1997)"
    )
    others = [
        f"{100 * at.mic_distance_m:.0f} cm from the mic {at.sii_before:.2f} and {at.sii_after:.2f}"
        for at in thinning.sii_by_distance
        if (at.sii_before, at.sii_after) != (before, after)
    ]
    return ("; ".join([whole, *others]) + ".",)
