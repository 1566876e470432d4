"""Measurements from which nothing may be promised, and a plan that then promises nothing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from shaping.analysis.loop.faults import WITHHOLD
from shaping.plan.loop.summary import without_promise as loop_without_promise
from shaping.plan.plan import Plan
from shaping.stage.description.stage import Stage
from shaping.stage.loops.together import Together
from shaping.stage.measure import Measured
from shaping.stage.stage_plan import StagePlan
from shaping.text.names import shown
from shaping.text.sentences import listing


def measurement_doubts(stage: Stage, measured: Sequence[Measured]) -> tuple[str, ...]:
    """Return why no gain may be promised, one sentence for each wedge and cause.

    Only paths that are part of a loop count: those of mics with an open send.
    """
    open_mics = {send.mic for send in stage.sends}
    found: dict[tuple[str, str], list[str]] = {}
    for one in measured:
        for mic, loop in zip(one.mics, one.loops, strict=True):
            for note in loop.quality:
                if mic in open_mics and note.code in WITHHOLD:
                    found.setdefault((one.take.wedge, note.message), []).append(mic)
    return tuple(
        f"“{shown(wedge)}” as {listing([f'“{shown(mic)}”' for mic in dict.fromkeys(mics)])} "
        f"heard it: {message}"
        for (wedge, message), mics in found.items()
    )


def without_promise(plan: StagePlan) -> StagePlan:
    """Return a stage's plan with every gain withheld; what decides and where stays."""
    return replace(
        plan,
        wedges=tuple(
            replace(
                one,
                plan=_loop_withheld(one.plan),
                headroom_db=math.nan,
                headroom_after_db=math.nan,
            )
            for one in plan.wedges
        ),
        before=_withheld(plan.before),
        after=_withheld(plan.after),
        alone_db=math.nan,
        sends=tuple(
            replace(one, headroom_db=math.nan, headroom_after_db=math.nan) for one in plan.sends
        ),
        remedies=(),
    )


def _loop_withheld(plan: Plan) -> Plan:
    return plan if plan.loop is None else replace(plan, loop=loop_without_promise(plan.loop))


def _withheld(together: Together | None) -> Together | None:
    if together is None:
        return None
    return replace(
        together,
        stable_gain_db=math.nan,
        stable_gain_low_db=math.nan,
        in_phase_db=math.nan,
        critical=tuple(replace(one, gain_db=math.nan) for one in together.critical),
    )
