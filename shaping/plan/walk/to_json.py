"""A walk as JSON: schema ``shaping.walk/1``, published as ``walk.schema.json``.

The plan within it is a ``shaping.plan/1`` of its own, for every command that takes one. Gains are
in dB of send re the recorded files; null stands for what was not measured.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from typing import Annotated, Any, Literal

from msgspec import Meta, Struct, field

from shaping.errors import PlanError
from shaping.plan.plan_form import MAX_BYTES, MAX_ITEMS, Frequency, Level, PlanForm, Share, Text
from shaping.plan.plan_form import Time as Seconds
from shaping.plan.to_json import plan_to_dict, rounded
from shaping.plan.walk.walk_plan import WalkPlan
from shaping.reading.form import Form

WALK_SCHEMA = "shaping.walk/1"

_few = Meta(max_length=MAX_ITEMS)


class MarkForm(Struct, kw_only=True, frozen=True):
    """A place that somebody named."""

    at_s: Seconds
    name: Text


class StretchForm(Struct, kw_only=True, frozen=True):
    """A stretch of the way, and the send that its worst second allows."""

    name: Text
    start_s: Seconds
    stop_s: Seconds
    low_db: Level | None
    low_after_db: Level | None
    worst_s: Seconds | None
    frequency_hz: Frequency | None
    costs_db: Level | None
    measured: Share


class WorstForm(Struct, kw_only=True, frozen=True):
    """A moment that allows little send, with the plan."""

    at_s: Seconds
    place: Text
    low_after_db: Level
    frequency_hz: Frequency


class MomentForm(Struct, kw_only=True, frozen=True):
    """One block of the walk."""

    start_s: Seconds
    stop_s: Seconds
    low_db: Level | None
    low_after_db: Level | None
    likely_db: Level | None
    likely_after_db: Level | None
    frequency_hz: Frequency | None
    explained: Annotated[float, Meta(le=1.0, description="share of what was heard")]


class WalkForm(Struct, kw_only=True, frozen=True):
    """A plan for a walk with the mic, and what every stretch of it allows."""

    schema_: Literal["shaping.walk/1"] = field(name="schema")
    plan: PlanForm
    marks: Annotated[tuple[MarkForm, ...], _few]
    stretches: Annotated[tuple[StretchForm, ...], _few]
    worst: Annotated[tuple[WorstForm, ...], _few]
    heard_s: Annotated[tuple[Seconds, ...], _few]
    without_worst_db: Level | None
    moments: Annotated[tuple[MomentForm, ...], _few]


WALK_FORM: Form[WalkForm] = Form(
    what="walk",
    record=WalkForm,
    error=PlanError,
    max_bytes=MAX_BYTES,
    advice=lambda: "write one with suggest --walking --json",
)


def walk_to_json(made: WalkPlan) -> str:
    """Return a walk as JSON text, ending in a newline."""
    return json.dumps(walk_to_dict(made), indent=2, allow_nan=False) + "\n"


def walk_to_dict(made: WalkPlan) -> dict[str, Any]:
    """Return a walk as plain values."""
    walk, before, after = made.walk, made.before, made.after
    moments = [
        _plain(
            {
                "start_s": float(walk.start_s[at]),
                "stop_s": float(walk.stop_s[at]),
                "low_db": float(before.low_db[at]),
                "low_after_db": float(after.low_db[at]),
                "likely_db": float(before.likely_db[at]),
                "likely_after_db": float(after.likely_db[at]),
                "frequency_hz": float(after.frequency_hz[at]),
                "explained": float(walk.explained[at]),
            }
        )
        for at in range(walk.start_s.size)
    ]
    return {
        "schema": WALK_SCHEMA,
        "plan": plan_to_dict(made.plan),
        "marks": [_plain(asdict(one)) for one in made.marks],
        "stretches": [_plain(asdict(one)) for one in made.stretches],
        "worst": [_plain(asdict(one)) for one in made.worst],
        "heard_s": [rounded("at_s", at_s) for at_s in made.heard_s],
        **_plain({"without_worst_db": made.without_worst_db}),
        "moments": moments,
    }


def _plain(values: dict[str, Any]) -> dict[str, Any]:
    return {
        key: (None if math.isnan(value) else rounded(key, value))
        if isinstance(value, float)
        else value
        for key, value in values.items()
    }
