"""What has to be said of a stage's plan: what it does not know, and what it leaves out."""

from __future__ import annotations

import math
from collections.abc import Sequence

from shaping.capture import cautions as cautions_of
from shaping.stage.loops.joint import ENOUGH_DB
from shaping.stage.measure import Measured
from shaping.stage.stage_plan import StagePlan
from shaping.text.sentences import listing


def stage_cautions(plan: StagePlan, measured: Sequence[Measured]) -> tuple[str, ...]:
    """Return plain sentences, the most important first."""
    said = []
    basis = {one.name: one.basis for one in plan.wedges}
    rung = [name for name, what in basis.items() if what == "ring-out"]
    unknown = [name for name, what in basis.items() if what == "nothing"]
    if rung:
        said.append(
            f"{_quoted(rung)} was rung out and not measured with noise: its cuts rest on the rings "
            "alone, and it is not in the margins. Noise with every mic muted everywhere tells far "
            "more."
        )
    if unknown:
        said.append(
            f"Nothing was recorded of {_quoted(unknown)}: thinning alone is suggested, and it is "
            "not in the margins."
        )
    if plan.after is not None and plan.after.stable_gain_low_db < 0:
        said.append(
            "With the sends as in the stage file this stage could howl even with the settings "
            f"dialled in: turn all sends down by {-plan.after.stable_gain_low_db:.1f} dB at least, "
            "or mute what the sheet names."
        )
    said += _missing(plan, measured)
    if plan.before is not None and not plan.before.delay_known:
        said.append(
            "The recordings do not tell the loops' own delays (player and recorder did not start "
            "together, or the way through a computer is in them): the in-phase figures are "
            "medians over delays from 2 to 20 ms."
        )
    if plan.before is not None:
        said.append(coupling_text(plan))
        said.append(
            "Worst case means that every phase is taken as possible; changes of level, such as a "
            "hand round a mic or a mic turned to the wedge, are not in it. Keep 6 dB in hand."
        )
    positions = {one.position for one in plan.paths}
    if len(positions) == 1 and plan.paths:
        said.append(
            "The mics were measured in one place each: where nobody measured, up to 2 dB less may "
            "be stable. Two or three places make a plan that holds for all of them."
        )
    if any(one.handheld for one in plan.stage.mics):
        said.append(
            "Nobody knows where a handheld mic will look: no angle is counted on for it, and what "
            "was measured holds for how it was held."
        )
    noisy = any(one.basis == "noise" for one in plan.wedges)
    said += cautions_of.TEST_SIGNAL if noisy else cautions_of.RING_OUT
    said.append(cautions_of.EXPOSURE)
    return tuple(dict.fromkeys(said))


def coupling_text(plan: StagePlan) -> str:
    """Return whether single loops would have been enough."""
    if len(plan.stage.wedges) < 2 or (math.isinf(plan.coupling_db) and plan.coupling_db < 0):
        return "No mic closes a loop from one wedge through another: each wedge stands for itself."
    if not plan.joint:
        return (
            f"Cross paths lie {-plan.coupling_db:.0f} dB below the wedges' own loops: more than "
            f"{-ENOUGH_DB:.0f} dB, so single loops are enough and each wedge was planned alone."
        )
    known = plan.after is not None and not math.isnan(plan.alone_db)
    gained = plan.after.stable_gain_db - plan.alone_db if known and plan.after else 0.0
    how = (
        f"{max(-plan.coupling_db, 0.0):.0f} dB below the wedges' own loops"
        if math.isfinite(plan.coupling_db)
        else "where there are no loops but crosswise ones"
    )
    told = f"Cross paths lie {how}, so the wedges howl through each other and were planned jointly"
    return f"{told}: {gained:.1f} dB more than each alone." if gained >= 0.1 else f"{told}."


def _missing(plan: StagePlan, measured: Sequence[Measured]) -> list[str]:
    open_mics = {send.mic for send in plan.stage.sends}
    said = []
    for wedge in plan.stage.wedges:
        takes = [one for one in measured if one.take.wedge == wedge.name]
        if not takes:
            continue
        named = {mic for one in takes for mic in one.take.channels}
        absent = [m.name for m in plan.stage.mics if m.name in open_mics and m.name not in named]
        if absent:
            said.append(
                f"What {_quoted(absent)} hears of {_quoted([wedge.name])} was not recorded, and "
                "counts as nothing: record all open mics at once."
            )
        unheard = sorted({mic for one in takes for mic in one.unheard} & open_mics)
        if unheard:
            said.append(
                f"{_quoted([wedge.name])} could not be heard in {_quoted(unheard)}: its path "
                "counts as nothing. Check that mic and its channel."
            )
    return said


def _quoted(names: Sequence[str]) -> str:
    return listing([f"“{name}”" for name in names])
