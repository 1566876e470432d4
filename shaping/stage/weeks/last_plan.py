"""Last week's plan read back, and this week's made from it with as few changes as pay."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, Literal

from msgspec import Meta, Struct, field

from shaping.errors import PlanError
from shaping.filters.kinds import Filter
from shaping.plan.from_json import plan_from_json
from shaping.reading.form import Form, from_json, read_text
from shaping.stage.description.stage import Stage
from shaping.stage.plan_stage import Progress, StageRecordings, plan_stage
from shaping.stage.stage_plan import BANDS_HZ, PathRecord, StageSuggestion
from shaping.stage.weeks.stage_changes import StageChange, stage_changes
from shaping.text.names import shown

KEPT_WITHIN_DB = 0.5
"""Last week's settings stay where new ones would let all sends go up by less than this."""

_Name = Annotated[str, Meta(max_length=1000)]
_Level = Annotated[float, Meta(ge=-1000.0, le=1000.0)]


class _PathForm(Struct, kw_only=True, frozen=True):
    """One path as a plan remembers it."""

    mic: _Name
    wedge: _Name
    position: _Name = ""
    level_db: _Level | None = None
    bands_db: Annotated[tuple[_Level | None, ...], Meta(max_length=100)]
    arrival: Annotated[float, Meta(ge=-1.0, le=1.0)] = 0.0
    delay_s: Annotated[float, Meta(ge=-1e6, le=1e6)] = 0.0


class _WedgeForm(Struct, kw_only=True, frozen=True):
    """One wedge's name and plan; the plan is read as any plan is."""

    name: _Name
    plan: dict[str, Any]


class _LastForm(Struct, kw_only=True, frozen=True):
    """What is read of a stage's plan."""

    schema: Literal["shaping.stage-plan/1"]
    wedges: Annotated[tuple[_WedgeForm, ...], Meta(max_length=64)]
    paths: Annotated[tuple[_PathForm, ...], Meta(max_length=100_000)] = field(default_factory=tuple)


LAST_FORM = Form(
    "stage's plan",
    _LastForm,
    PlanError,
    64 * 1024 * 1024,
    lambda: "make one with: shaping stage FILE --json PLAN",
)


@dataclass(frozen=True, slots=True)
class LastPlan:
    """Last week's settings and paths.

    Attributes
    ----------
    settings : mapping of str to tuple of Filter
        By wedge.
    paths : tuple of PathRecord
        As measured last week.
    """

    settings: Mapping[str, tuple[Filter, ...]]
    paths: tuple[PathRecord, ...]


@dataclass(frozen=True, slots=True)
class Kept:
    """What became of one wedge's settings of last week.

    Attributes
    ----------
    wedge : str
        Which.
    kept : bool
        Whether they stay.
    reason : str
        Why, in plain words.
    """

    wedge: str
    kept: bool
    reason: str


@dataclass(frozen=True, eq=False)
class WeekToWeek:
    """A week's plan made from the last one's.

    Attributes
    ----------
    suggestion : StageSuggestion
        The plan.
    changes : tuple of StageChange
        What changed on the stage.
    kept : tuple of Kept
        What became of every wedge's settings.
    """

    suggestion: StageSuggestion
    changes: tuple[StageChange, ...]
    kept: tuple[Kept, ...]


def load_last_plan(path: str | Path) -> LastPlan:
    """Return last week's plan from the JSON that ``shaping stage --json`` wrote.

    Raises
    ------
    PlanError
        If the file cannot be read or is no stage's plan.
    """
    text = read_text(path, LAST_FORM)
    try:
        form = from_json(text, LAST_FORM)
        return LastPlan(
            {
                one.name: tuple(f.filter for f in plan_from_json(json.dumps(one.plan)).filters)
                for one in form.wedges
            },
            tuple(_path(one) for one in form.paths if len(one.bands_db) == len(BANDS_HZ)),
        )
    except PlanError as error:
        raise PlanError(f"{shown(str(path))}: {error}") from None


def week_to_week(
    stage: Stage,
    recordings: StageRecordings,
    last: LastPlan,
    *,
    progress: Progress | None = None,
) -> WeekToWeek:
    """Plan this week from last week's settings, changing as little as pays.

    All of last week's settings stay at first. While new ones for all wedges would let all sends go
    up further by more than `KEPT_WITHIN_DB`, the wedge that decides is planned anew.

    Parameters
    ----------
    stage : Stage
        The stage.
    recordings : StageRecordings
        This week's.
    last : LastPlan
        Last week's plan.
    progress : callable, optional
        Called while cuts are searched for.

    Returns
    -------
    WeekToWeek
    """
    best = plan_stage(stage, recordings, progress=progress)
    names = [wedge.name for wedge in stage.wedges]
    kept = {name: last.settings[name] for name in names if name in last.settings}
    reasons = {
        name: Kept(name, False, "it was not in last week's plan")
        for name in names
        if name not in kept
    }
    found = plan_stage(stage, recordings, settings=kept) if kept else best
    while kept and _stable_db(best) - _stable_db(found) > KEPT_WITHIN_DB:
        name = _to_replace(found, kept)
        rest = {key: value for key, value in kept.items() if key != name}
        tried = plan_stage(stage, recordings, settings=rest) if rest else best
        won = _stable_db(tried) - _stable_db(found)
        reasons[name] = Kept(
            name,
            False,
            f"new settings let all sends together go up {won:.1f} dB more"
            if won >= 0.05
            else "it decides together with others that are changed",
        )
        kept, found = rest, tried
    why = (
        "nobody can tell from this week's measurement whether it still holds"
        if found.plan.doubts
        else "last week's settings still hold"
    )
    for name in kept:
        reasons[name] = Kept(name, True, why)
    changes = stage_changes(last.paths, found.plan.paths)
    told = tuple(f"Since last week: {_whose(one)}: {one.reason}." for one in changes)
    plan = replace(found.plan, cautions=tuple(dict.fromkeys((*told, *found.plan.cautions))))
    return WeekToWeek(replace(found, plan=plan), changes, tuple(reasons[name] for name in names))


def _whose(one: StageChange) -> str:
    return " or ".join(f"“{shown(name)}”" for name in (one.mic, one.wedge) if name is not None)


def _stable_db(suggestion: StageSuggestion) -> float:
    after = suggestion.plan.after
    return math.inf if after is None else after.stable_gain_db


def _to_replace(found: StageSuggestion, kept: Mapping[str, tuple[Filter, ...]]) -> str:
    """Return the kept wedge through which the deciding loop runs, or the least stable one."""
    after = found.plan.after
    if after is not None and after.deciding is not None:
        for at in (after.deciding.wedge, after.deciding.hears):
            name = found.plan.stage.wedges[at].name
            if name in kept:
                return name
    margins = {one.name: one.headroom_after_db for one in found.plan.wedges if one.name in kept}
    return min(margins, key=lambda name: margins[name])


def _path(form: _PathForm) -> PathRecord:
    return PathRecord(
        mic=form.mic,
        wedge=form.wedge,
        position=form.position,
        level_db=-math.inf if form.level_db is None else form.level_db,
        bands_db=tuple(math.nan if one is None else one for one in form.bands_db),
        arrival=form.arrival,
        delay_s=form.delay_s,
    )
