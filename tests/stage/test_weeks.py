"""What changed between two weeks: planted changes of remembered paths, and last week's plan."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from shaping.errors import PlanError
from shaping.stage.stage_plan import BANDS_HZ, PathRecord
from shaping.stage.to_json import stage_plan_to_json
from shaping.stage.weeks.last_plan import load_last_plan, week_to_week
from shaping.stage.weeks.stage_changes import ChangeKind, stage_changes

HZ = np.array(BANDS_HZ)
MICS, WEDGES = ("lead", "choir", "keys"), ("left", "right", "fill")


def week(seed: int = 0) -> list[PathRecord]:
    rng = np.random.default_rng(seed)
    return [
        PathRecord(m, w, "", -10.0, tuple(rng.normal(-10, 3, HZ.size)), 0.7, rng.uniform(0, 0.02))
        for m in MICS
        for w in WEDGES
    ]


def changed(change_db=0.0, *, mic=None, wedge=None, flip=False, later=0.0, own=0.0, seed=1):
    rng = np.random.default_rng(seed)
    result = []
    for one in week():
        if (mic is None or one.mic == mic) and (wedge is None or one.wedge == wedge):
            bands = np.array(one.bands_db) + change_db + own * rng.standard_normal(HZ.size)
            one = replace(
                one,
                bands_db=tuple(bands),
                arrival=-one.arrival if flip else one.arrival,
                delay_s=one.delay_s + later * rng.uniform(0.5, 1.5),
            )
        result.append(one)
    return result


def only(changes):
    assert len(changes) == 1, changes
    return changes[0]


def test_the_same_is_the_same():
    assert stage_changes(week(), week()) == ()
    assert stage_changes(week(), changed(0.5, mic="lead")) == ()


TILT = np.clip(2 * np.log2(HZ / 1000), -4, 4)
HORN = np.where(HZ > 2500, -6.0, 0.0)


@pytest.mark.parametrize(
    ("kind", "whose", "made"),
    [
        (ChangeKind.LEVEL, "lead", {"change_db": 4.0, "mic": "lead"}),
        (ChangeKind.LEVEL, "fill", {"change_db": -4.0, "wedge": "fill"}),
        (ChangeKind.MIC_SWAPPED, "choir", {"change_db": TILT, "mic": "choir"}),
        (ChangeKind.MIC_TURNED, "keys", {"own": 4.0, "mic": "keys"}),
        (ChangeKind.MIC_MOVED, "keys", {"own": 4.0, "mic": "keys", "later": 0.002}),
        (ChangeKind.POLARITY, "lead", {"flip": True, "mic": "lead"}),
        (ChangeKind.POLARITY, "left", {"flip": True, "wedge": "left"}),
        (ChangeKind.DRIVER_DEAD, "left", {"change_db": 6 * HORN, "wedge": "left"}),
        (ChangeKind.DRIVER_WEAK, "right", {"change_db": HORN, "wedge": "right"}),
        (ChangeKind.WEDGE_MOVED, "right", {"own": 4.0, "wedge": "right", "later": 0.002}),
    ],
)
def test_planted_changes_are_named(kind, whose, made):
    found = only(stage_changes(week(), changed(**made)))
    assert found.kind is kind
    assert (found.mic or found.wedge) == whose


def test_paths_that_only_one_week_has_do_not_count():
    assert stage_changes(week()[:4], changed(9.0, mic="keys")) == ()
    assert stage_changes([], week()) == ()


@pytest.mark.slow
def test_last_weeks_plan_is_read_back_and_kept(
    tmp_path, shipped_stage, shipped_recordings, shipped_plan
):
    path = tmp_path / "last.json"
    path.write_text(stage_plan_to_json(shipped_plan.plan), encoding="utf-8")
    last = load_last_plan(path)
    assert len(last.paths) == 12
    week = week_to_week(shipped_stage, shipped_recordings, last)
    assert week.changes == ()
    assert all(one.kept for one in week.kept)
    for now, then in zip(week.suggestion.plan.wedges, shipped_plan.plan.wedges, strict=True):
        for one, other in zip(now.plan.filters, then.plan.filters, strict=True):
            assert one.filter.frequency_hz == pytest.approx(other.filter.frequency_hz, rel=1e-5)
            assert one.filter.gain_db == other.filter.gain_db


@pytest.mark.slow
def test_settings_that_no_longer_hold_are_changed_with_a_reason(
    shipped_stage, shipped_recordings, shipped_plan, tmp_path
):
    path = tmp_path / "last.json"
    path.write_text(stage_plan_to_json(shipped_plan.plan), encoding="utf-8")
    last = load_last_plan(path)
    spoilt = replace(last, settings=dict.fromkeys(last.settings, ()))
    week = week_to_week(shipped_stage, shipped_recordings, spoilt)
    assert any(not one.kept for one in week.kept)
    assert all(one.reason for one in week.kept)
    best = shipped_plan.plan.after.stable_gain_db
    assert week.suggestion.plan.after.stable_gain_db > best - 0.5


def test_what_is_no_plan_is_told(tmp_path):
    path = tmp_path / "last.json"
    path.write_text('{"schema": "shaping.plan/1"}', encoding="utf-8")
    with pytest.raises(PlanError, match=r"last\.json: schema"):
        load_last_plan(path)
