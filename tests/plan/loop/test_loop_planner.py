"""Plans from the quiet ring-out: what a person is told."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.analysis.loop.response import estimate_loop_response
from shaping.analysis.noise.resonances import find_resonances
from shaping.capture.recording import Capture, CaptureKind
from shaping.equaliser.limits_file import load_limits
from shaping.errors import ParameterError
from shaping.filters.design import cascade_sos
from shaping.filters.kinds import FilterKind
from shaping.filters.response import magnitude_db
from shaping.plan.loop.planner import plan_from_loop, plan_from_resonances
from shaping.plan.plan import Plan, Purpose
from shaping.plan.thinning.starting_points import ThinningAmount
from tests.analysis.loop.loop_makers import (
    RATE,
    bell_resonator,
    diffuse_path,
    pink_noise,
    recorded,
    true_response,
)

PEAK_HZ = 2200.0


def _capture(samples: np.ndarray) -> Capture:
    return Capture("quiet.wav", RATE, 1, np.asarray(samples, np.float32), CaptureKind.PINK_NOISE)


def _path(seed: int) -> np.ndarray:
    path = diffuse_path(np.random.default_rng(seed), t60_s=0.3, direct=1.0)
    return bell_resonator(path, PEAK_HZ, 10.0, 30.0)


@pytest.fixture(scope="module")
def planned() -> tuple[Plan, list[np.ndarray]]:
    rng = np.random.default_rng(40)
    reference = pink_noise(10, rng)
    paths = [_path(1), 0.7 * _path(2)]
    captures = [_capture(recorded(reference, path, rng)) for path in paths]
    responses = [
        estimate_loop_response(
            capture.samples, reference, capture_rate_hz=RATE, reference_rate_hz=RATE
        )
        for capture in captures
    ]
    plan = plan_from_loop(
        captures, responses, load_limits("parametric-6"), thinning=ThinningAmount.LIGHT
    )
    return plan, paths


def test_stable_gain_before_and_after_is_that_of_the_worst_path(planned: tuple) -> None:
    plan, paths = planned
    frequency_hz = np.arange(50.0, 17_500.0, 0.25)
    sos = cascade_sos([one.filter for one in plan.filters], sample_rate_hz=RATE)
    change = magnitude_db(sos, frequency_hz, sample_rate_hz=RATE)
    levels = [20 * np.log10(np.abs(true_response(path, frequency_hz))) for path in paths]
    before = -max(level.max() for level in levels)
    after = -max((level + change).max() for level in levels)
    assert plan.loop.stable_gain_db == pytest.approx(before, abs=0.3)
    assert plan.loop.stable_gain_after_db == pytest.approx(after, abs=0.3)
    assert plan.loop.added_stable_gain_db == pytest.approx(after - before, abs=0.4)


def test_the_spread_over_captures_is_kept_and_said(planned: tuple) -> None:
    plan, _ = planned
    assert len(plan.loop.stable_gain_by_capture_db) == 2
    assert min(plan.loop.stable_gain_by_capture_db) == plan.loop.stable_gain_db
    assert any("2 captures" in said for said in plan.cautions)


def test_the_peak_is_found_cut_and_explained(planned: tuple) -> None:
    plan, _ = planned
    assert plan.resonances[0].frequency_hz == pytest.approx(PEAK_HZ, rel=0.03)
    assert plan.loop.critical[0].frequency_hz == pytest.approx(PEAK_HZ, rel=0.05)
    first = next(one for one in plan.filters if one.purpose is Purpose.FEEDBACK)
    assert first.filter.frequency_hz == pytest.approx(PEAK_HZ, rel=0.06)
    assert first.reason.startswith("the loop can howl at 2.")
    assert first.effect_db is not None
    assert first.effect_db < -3
    assert plan.filters[0].filter.kind is FilterKind.HIGH_PASS


def test_the_curve_of_added_gain_starts_with_thinning_alone(planned: tuple) -> None:
    plan, _ = planned
    curve = plan.loop.added_by_cuts_db
    cuts = sum(one.purpose is Purpose.FEEDBACK for one in plan.filters)
    assert cuts == plan.loop.paying_cuts
    assert curve[cuts] == pytest.approx(plan.loop.added_stable_gain_db, abs=0.3)


def test_without_a_reference_the_plan_says_what_one_would_add() -> None:
    rng = np.random.default_rng(41)
    heard = bell_resonator(pink_noise(12, rng), PEAK_HZ, 8.0, 20.0)
    capture = _capture(heard)
    found = find_resonances(capture.samples, RATE)
    plan = plan_from_resonances(
        [capture], [found], load_limits("parametric-4"), thinning=ThinningAmount.NONE
    )
    assert plan.loop is None
    assert any("--reference" in said for said in plan.cautions)
    assert plan.filters[0].filter.frequency_hz == pytest.approx(PEAK_HZ, rel=0.03)
    assert any("If the noise was pink, these settings add" in said for said in plan.cautions)


def test_plain_noise_asks_for_no_cut() -> None:
    capture = _capture(pink_noise(8, np.random.default_rng(42)))
    found = find_resonances(capture.samples, RATE)
    plan = plan_from_resonances(
        [capture], [found], load_limits("parametric-4"), thinning=ThinningAmount.NONE
    )
    assert plan.filters == ()
    assert any("more than chance" in said for said in plan.cautions)


def test_captures_and_findings_must_match() -> None:
    with pytest.raises(ParameterError, match="at least one capture"):
        plan_from_loop([], [], load_limits("free"))
    with pytest.raises(ParameterError, match="do not match"):
        plan_from_resonances([_capture(np.ones(10))], [], load_limits("free"))
