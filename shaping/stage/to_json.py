"""A stage's plan as JSON: schema ``shaping.stage-plan/1``.

Names, units and meanings of the keys are stable; more keys may come. What is not known, and what
has no bound (a send that closes no loop), is null.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from typing import Any

from shaping.plan.to_json import plan_to_dict, rounded
from shaping.stage.description.stage import Stage
from shaping.stage.loops.together import Remedy, Together
from shaping.stage.pairs import pairs_at
from shaping.stage.stage_plan import BANDS_HZ, StagePlan

STAGE_PLAN_SCHEMA = "shaping.stage-plan/1"


def stage_plan_to_json(plan: StagePlan) -> str:
    """Return a stage's plan as JSON text, ending in a newline."""
    return json.dumps(stage_plan_to_dict(plan), indent=2, allow_nan=False) + "\n"


def stage_plan_to_dict(plan: StagePlan) -> dict[str, Any]:
    """Return a stage's plan as plain values, in the schema ``shaping.stage-plan/1``."""
    return {
        "schema": STAGE_PLAN_SCHEMA,
        "wedges": [
            {
                "name": one.name,
                "basis": one.basis,
                "headroom_db": _number(one.headroom_db),
                "headroom_after_db": _number(one.headroom_after_db),
                "plan": plan_to_dict(one.plan),
            }
            for one in plan.wedges
        ],
        "together": _together(plan),
        "sends": [
            {key: _number(value) for key, value in asdict(one).items()} for one in plan.sends
        ],
        "bands_hz": [rounded("frequency_hz", one) for one in BANDS_HZ],
        "paths": [
            {
                **{key: _number(value) for key, value in asdict(one).items() if key != "bands_db"},
                "bands_db": [_number(level) for level in one.bands_db],
            }
            for one in plan.paths
        ],
        "remedies": [_remedy(plan.stage, one) for one in plan.remedies],
        "places": [
            {key: _number(value) for key, value in asdict(one).items()} for one in plan.places
        ],
        "pairs": [
            {
                "nearer": one.nearer,
                "further": one.further,
                "mic": one.mic,
                "later_s": round(one.sum.later_s, 5),
                "softer_db": _number(one.sum.softer_db),
                "powers_db": _number(one.sum.powers_db),
                "peak_db": _number(one.sum.peak_db),
                "dip_db": _number(one.sum.dip_db),
                "dips_hz": [rounded("frequency_hz", hz) for hz in one.sum.dips_hz],
            }
            for one in pairs_at(plan.stage)
        ],
        "cautions": list(plan.cautions),
        "doubts": list(plan.doubts),
    }


def _together(plan: StagePlan) -> dict[str, Any] | None:
    before, after = plan.before, plan.after
    if before is None or after is None:
        return None
    return {
        "stable_gain_db": _number(before.stable_gain_db),
        "stable_gain_low_db": _number(before.stable_gain_low_db),
        "stable_gain_after_db": _number(after.stable_gain_db),
        "stable_gain_after_low_db": _number(after.stable_gain_low_db),
        "added_stable_gain_db": _number(after.stable_gain_db - before.stable_gain_db),
        "stable_gain_after_alone_db": _number(plan.alone_db),
        "in_phase_stable_gain_db": _number(before.in_phase_db),
        "in_phase_stable_gain_after_db": _number(after.in_phase_db),
        "delay_known": before.delay_known,
        "deciding": _deciding(plan.stage, before),
        "deciding_after": _deciding(plan.stage, after),
        "critical": [
            {key: _number(value) for key, value in asdict(one).items()} for one in before.critical
        ],
        "joint": plan.joint,
        "coupling_db": _number(plan.coupling_db),
    }


def _deciding(stage: Stage, together: Together) -> dict[str, Any] | None:
    found = together.deciding
    if found is None:
        return None
    return {
        "mic": stage.mics[found.mic].name,
        "wedge": stage.wedges[found.wedge].name,
        "hears": stage.wedges[found.hears].name,
        "frequency_hz": rounded("frequency_hz", found.frequency_hz),
        "share": _number(found.share),
    }


def _remedy(stage: Stage, one: Remedy) -> dict[str, Any]:
    return {
        "what": one.what,
        "mic": stage.mics[one.mic].name,
        "wedge": None if one.wedge is None else stage.wedges[one.wedge].name,
        "wins_db": _number(one.wins_db),
    }


def _number(value: Any) -> Any:
    """Return a value with few digits; null for what is not known or has no bound."""
    if isinstance(value, bool) or not isinstance(value, float):
        return value
    return round(value, 4) + 0.0 if math.isfinite(value) else None
