"""Cuts chosen jointly: never less than alone, the same where nothing is coupled."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.equaliser.limits_file import load_limits
from shaping.plan.loop.best_cuts import optimise_curves
from shaping.plan.loop.level_curve import LevelCurve
from shaping.stage.loops.joint import LoopLevels, WedgeTask, coupling_db, joint_cuts
from shaping.stage.loops.margins import worst_levels

LIMITS = load_limits("parametric-4")
HZ = np.geomspace(60.0, 12_000.0, 1_200)


def bumps(seed: int) -> np.ndarray:
    """Return the magnitude of a loop with a few peaks."""
    rng = np.random.default_rng(seed)
    level = np.full(HZ.size, -12.0)
    for _ in range(5):
        centre, height = np.exp(rng.uniform(5.3, 8.8)), rng.uniform(5, 12)
        level += height / (1 + (12 * np.log2(HZ / centre)) ** 2)
    return 10 ** (level / 20)


def stage(cross_db: float, wedges: int = 2) -> LoopLevels:
    loops = np.zeros((HZ.size, wedges, wedges))
    for w in range(wedges):
        for v in range(wedges):
            gain = 1.0 if w == v else 10 ** (cross_db / 20)
            loops[:, w, v] = gain * bumps(10 * w + v)
    return LoopLevels(HZ, loops)


def test_one_wedge_is_the_single_loop_search():
    one = LoopLevels(HZ, bumps(3)[:, None, None])
    expected = optimise_curves([LevelCurve(HZ, 20 * np.log10(bumps(3)), np.zeros(HZ.size))], LIMITS)
    found = joint_cuts([one], [WedgeTask(LIMITS)])
    assert found.cuts[0].cuts == expected.cuts
    assert not found.joint


def test_uncoupled_wedges_are_planned_as_if_alone():
    loops = stage(0.0).loops * np.eye(2)
    found = joint_cuts([LoopLevels(HZ, loops)], [WedgeTask(LIMITS)] * 2)
    for w in range(2):
        curve = LevelCurve(HZ, 20 * np.log10(loops[:, w, w]), np.zeros(HZ.size))
        assert found.cuts[w].cuts == optimise_curves([curve], LIMITS).cuts
    assert coupling_db([LoopLevels(HZ, loops)]) == -np.inf


@pytest.mark.parametrize("cross_db", [0.0, -4.0, -20.0])
def test_joint_plans_are_never_less_than_plans_alone(cross_db):
    one = stage(cross_db)
    found = joint_cuts([one], [WedgeTask(LIMITS)] * 2)
    assert found.joint == (cross_db > -10.0)
    assert found.stable_gain_db >= found.stable_gain_alone_db
    before = -worst_levels(one.loops).max()
    assert found.stable_gain_alone_db >= before - 1e-9


def test_where_wedges_howl_through_each_other_jointly_is_better():
    one = stage(0.0)
    found = joint_cuts([one], [WedgeTask(LIMITS)] * 2)
    assert found.stable_gain_db > found.stable_gain_alone_db + 0.3


def test_coupling_is_the_level_of_the_cross_paths():
    same = np.ones((HZ.size, 2, 2))
    same[:, 0, 1] = same[:, 1, 0] = 10 ** (-6 / 20)
    assert coupling_db([LoopLevels(HZ, same)]) == pytest.approx(-6.0)


@pytest.mark.slow
def test_several_positions_count_by_the_worst():
    one, other = stage(-3.0), LoopLevels(HZ, stage(-3.0).loops[::-1])
    found = joint_cuts([one, other], [WedgeTask(LIMITS)] * 2)
    before = -max(worst_levels(p.loops).max() for p in (one, other))
    assert found.stable_gain_db >= before - 1e-9


def test_a_wedge_whose_settings_stand_gets_no_cuts():
    found = joint_cuts([stage(0.0)], [WedgeTask(LIMITS, (), 0), WedgeTask(LIMITS)])
    assert found.cuts[0].cuts == ()
    assert found.cuts[1].cuts
