"""The shipped stage from its file to its plan, held against the paths it was made from."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import fft

from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.from_json import plan_from_json
from shaping.simulation import stage_samples
from shaping.stage.loops.margins import first_crossing, worst_levels
from shaping.stage.loops.matrix import loops
from shaping.stage.plan_stage import plan_stage
from shaping.stage.to_json import stage_plan_to_dict, stage_plan_to_json


@pytest.fixture(scope="module")
def truth():
    """Return frequencies, responses (n, M, W) and sends (W, M) of the shipped stage."""
    paths = stage_samples.paths()
    whole = np.array([[paths[m, w] for w in stage_samples.WEDGES] for m in stage_samples.MICS])
    size = fft.next_fast_len(4 * whole.shape[2], real=True)
    hz = fft.rfftfreq(size, 1 / stage_samples.RATE_HZ)
    kept = (hz > 50) & (hz < 10_000)
    sends = np.zeros((len(stage_samples.WEDGES), len(stage_samples.MICS)))
    for (mic, wedge), gain_db in stage_samples.SENDS_DB.items():
        at = list(stage_samples.WEDGES).index(wedge), list(stage_samples.MICS).index(mic)
        sends[at] = 10 ** (gain_db / 20)
    return hz[kept], np.moveaxis(fft.rfft(whole, size), 2, 0)[kept], sends


def test_margins_are_those_of_the_paths_it_was_made_from(shipped_plan, truth):
    hz, paths, sends = truth
    worst = -worst_levels(loops(np.abs(paths), sends)).max()
    in_phase = -first_crossing(hz, loops(paths, sends)).level_db
    before = shipped_plan.plan.before
    assert before is not None
    assert before.stable_gain_db == pytest.approx(worst, abs=0.5)
    assert before.in_phase_db == pytest.approx(in_phase, abs=0.5)
    assert before.delay_known
    assert before.stable_gain_low_db <= before.stable_gain_db


def test_the_plan_adds_gain_and_more_than_plans_alone(shipped_plan):
    plan = shipped_plan.plan
    assert plan.joint
    assert plan.after.stable_gain_db > plan.before.stable_gain_db + 1.0
    assert plan.after.stable_gain_db > plan.alone_db + 0.5


def test_muting_the_deciding_send_wins(shipped_stage, shipped_recordings, shipped_plan):
    best = next(one for one in shipped_plan.plan.remedies if one.what == "mute-send")
    mic, wedge = shipped_stage.mics[best.mic].name, shipped_stage.wedges[best.wedge].name
    sends = tuple(s for s in shipped_stage.sends if (s.mic, s.wedge) != (mic, wedge))
    settings = {w.name: [f.filter for f in w.plan.filters] for w in shipped_plan.plan.wedges}
    muted = plan_stage(replace(shipped_stage, sends=sends), shipped_recordings, settings=settings)
    won = muted.plan.after.stable_gain_db - shipped_plan.plan.after.stable_gain_db
    assert won == pytest.approx(best.wins_db, abs=0.1)


def test_settings_that_are_given_stand(shipped_stage, shipped_recordings):
    given = {w.name: [Filter(FilterKind.HIGH_PASS, 123.0, order=2)] for w in shipped_stage.wedges}
    plan = plan_stage(shipped_stage, shipped_recordings, settings=given).plan
    assert all([f.filter for f in w.plan.filters] == given[w.name] for w in plan.wedges)


def test_what_is_in_place_is_taken_out_again(shipped_stage, shipped_recordings, shipped_plan):
    """Settings in place while measuring, and given again, change nothing."""
    filters = (Filter(FilterKind.PEAKING, 1_250.0, q=4.0, gain_db=-6.0),)
    wedges = tuple(replace(wedge, in_place=filters) for wedge in shipped_stage.wedges)
    given = {wedge.name: filters for wedge in wedges}
    stage = replace(shipped_stage, wedges=wedges)
    plan = plan_stage(stage, shipped_recordings, settings=given).plan
    assert plan.after.stable_gain_db == pytest.approx(plan.before.stable_gain_db, abs=1e-9)
    assert plan.before.stable_gain_db == shipped_plan.plan.before.stable_gain_db


def test_json_holds_what_scripts_depend_on(shipped_plan):
    told = json.loads(stage_plan_to_json(shipped_plan.plan))
    assert told["schema"] == "shaping.stage-plan/1"
    together = told["together"]
    assert together["added_stable_gain_db"] == pytest.approx(
        together["stable_gain_after_db"] - together["stable_gain_db"], abs=1e-3
    )
    assert set(together["deciding"]) >= {"mic", "wedge", "frequency_hz"}
    assert {"mic", "wedge", "headroom_db", "headroom_after_db"} <= set(told["sends"][0])
    assert len(told["paths"]) == 12
    for wedge in told["wedges"]:
        plan = plan_from_json(json.dumps(wedge["plan"]))
        assert plan.filters
    assert all(isinstance(one, str) for one in told["cautions"])


def test_what_has_no_bound_is_null(shipped_plan):
    plan = shipped_plan.plan
    sends = (replace(plan.sends[0], headroom_db=math.inf, headroom_after_db=-math.inf),)
    told = stage_plan_to_dict(replace(plan, sends=sends))["sends"][0]
    assert told["headroom_db"] is None
    assert told["headroom_after_db"] is None


def test_a_stage_without_recordings_is_thinned_and_says_so(shipped_stage):
    stage = replace(shipped_stage, takes=())
    empty = type("Nothing", (), {"measured": (), "rung_out": (), "matrices": ()})()
    plan = plan_stage(stage, empty).plan
    assert plan.before is None
    assert {wedge.basis for wedge in plan.wedges} == {"nothing"}
    assert any("Nothing was recorded" in caution for caution in plan.cautions)
