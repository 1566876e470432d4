"""Plans for all that came near to howling: what they hold down, keep, and say."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.analysis.findings import Nearness
from shaping.equaliser.limits_file import load_limits
from shaping.equaliser.quantise import allows
from shaping.errors import ParameterError
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.response import total_db
from shaping.plan.assemble import planned_filter
from shaping.plan.from_json import plan_from_json
from shaping.plan.plan import Purpose
from shaping.plan.ring_out.in_place import InPlace, read_in_place
from shaping.plan.ring_out.near_cuts import (
    HELD_DB,
    MOST_NEAR_CUTS,
    NearAsked,
    added_db,
    excess_db,
    level_curve,
    near_points,
    without,
)
from shaping.plan.ring_out.needs import HARD_LIMIT_DB, TRIP_S, needs_of
from shaping.plan.ring_out.planner import plan_from_rings
from shaping.plan.thinning.starting_points import ThinningAmount
from shaping.plan.to_json import plan_to_json
from tests.plan.plan_makers import capture, ring

RATE = 48_000
FOUR = load_limits("parametric-4")


def nearness(*peaks: tuple[float, float], floor_db: float = -15.0) -> Nearness:
    """Quiet everywhere but at these frequencies and levels."""
    frequency_hz = 80 * 2 ** ((np.arange(170) + 0.5) / 24)
    level_db = np.full(170, floor_db)
    for hz, peak_db in peaks:
        cell = np.abs(frequency_hz / hz - 1).argmin()
        frequency_hz[cell], level_db[cell] = hz, peak_db
    return Nearness(frequency_hz, level_db, np.full(170, 3.0))


def bell(frequency_hz: float, gain_db: float) -> Filter:
    return Filter(FilterKind.PEAKING, frequency_hz, q=8.0, gain_db=gain_db)


def plan_for(seen, rings, *, limits=FOUR, **asked):
    return plan_from_rings(
        [capture()],
        rings,
        limits,
        thinning=ThinningAmount.NONE,
        asked=NearAsked(nearness=(seen,), **asked),
    )


def at_db(plan, *frequency_hz):
    return total_db([p.filter for p in plan.filters], frequency_hz, sample_rate_hz=RATE)


@pytest.mark.parametrize("name", ["free", "parametric-4", "parametric-6", "graphic-31"])
def test_what_would_howl_next_is_cut_along_with_the_howl(name):
    rings = [ring(600.0, growth_db_per_s=30)]
    seen = nearness((600.0, 0.0), (1500.0, -0.5), (3200.0, -1.0))
    plan = plan_for(seen, rings, limits=load_limits(name))
    howl, second, third, far = at_db(plan, 600.0, 1500.0, 3200.0, 9000.0)
    assert max(howl, second + 0.5, third + 1.0) < -2.5
    assert far > -0.5
    assert all(allows(plan.limits, p.filter) for p in plan.filters)


def test_only_the_howl_is_sure_and_the_others_are_called_possible():
    plan = plan_for(nearness((600.0, 0.0), (1500.0, -0.5)), [ring(600.0, growth_db_per_s=30)])
    reasons = {round(p.filter.frequency_hz, -2): p.reason for p in plan.filters}
    assert reasons[600.0].startswith("ring at 600 Hz")
    assert reasons[1500.0].startswith("possible ring at 1.50 kHz")
    assert "0.5 dB below the howl" in reasons[1500.0]


def test_without_nearness_the_rings_alone_are_served():
    rings = [ring(600.0, growth_db_per_s=30)]
    plan = plan_from_rings([capture()], rings, FOUR, thinning=ThinningAmount.NONE)
    assert len(plan.filters) == 1
    assert plan.ring_out is None


def test_no_cut_is_deeper_or_narrower_than_a_cut_for_feedback_should_be():
    seen = nearness(*((hz, 0.0) for hz in (300, 420, 600, 850, 1200, 1700, 2400, 3400)))
    rings = [ring(hz, growth_db_per_s=200) for hz in (300, 600, 1200, 2400)]
    plan = plan_for(seen, rings, limits=load_limits("free"))
    assert all(-(p.filter.gain_db or 0) <= HARD_LIMIT_DB for p in plan.filters)
    assert all(p.filter.q <= 10.0 for p in plan.filters)


def test_excess_is_a_range_that_growth_gives():
    low, likely, high = TRIP_S
    told = excess_db([ring(600.0, growth_db_per_s=50), ring(900.0, growth_db_per_s=20)])
    assert (told.low, told.likely, told.high) == (50 * low, 50 * likely, 50 * high)
    assert low < likely < high
    doubtful = excess_db([ring(600.0, growth_db_per_s=50, confidence=0.5)])
    assert doubtful.high == 3.0  # never certainly seen growing


def test_what_is_added_is_less_than_the_curve_promises_and_never_negative():
    few, many = added_db(2.0), added_db(9.0)
    assert few.low == 0.0
    assert few.likely < many.likely < 9.0
    assert many.low < many.likely < many.high


def test_a_margin_out_of_reach_is_said_with_what_to_do():
    seen = nearness(*((hz, 0.0) for hz in 150 * 2 ** (np.arange(17) / 3)))
    plan = plan_for(seen, [ring(600.0, growth_db_per_s=60)], margin_db=6.0)
    (said,) = [c for c in plan.cautions if "are wanted" in c]
    assert "move the mic" in said
    assert "more bands" in said
    assert plan.ring_out.margin_db < 6.0
    easy = plan_for(nearness((600.0, 0.0)), [ring(600.0, growth_db_per_s=20)], margin_db=0.5)
    assert not [c for c in easy.cautions if "are wanted" in c]


@pytest.mark.parametrize("margin_db", [-1.0, 21.0, float("nan")])
def test_a_margin_that_makes_no_sense_is_refused(margin_db):
    with pytest.raises(ParameterError, match="margin"):
        plan_for(nearness((600.0, 0.0)), [ring(600.0)], margin_db=margin_db)


def test_a_steeper_ring_stands_higher_on_the_curve():
    rings = [ring(600.0, growth_db_per_s=120), ring(2000.0, growth_db_per_s=20)]
    needs = needs_of(rings)
    curve = level_curve(nearness(), needs)
    top = {hz: curve.level_db[curve.frequency_hz == hz].max() for hz in (600.0, 2000.0)}
    depth = {need.frequency_hz: need.depth_db for need in needs}
    assert top[2000.0] == 0.0
    assert top[600.0] == pytest.approx(depth[600.0] - depth[2000.0])


def test_points_are_named_once_and_the_nearest_first():
    points = near_points([nearness((600.0, -1.0), (1500.0, -0.5), (4000.0, -9.0))])
    assert [round(p.frequency_hz, -2) for p in points] == [1500.0, 600.0]


def test_a_cut_in_place_is_taken_out_of_the_curve_but_still_counts_as_needed():
    old = Filter(FilterKind.PEAKING, 600.0, q=8.0, gain_db=-6.0)
    curve = level_curve(nearness((1500.0, 0.0)), [])
    bare = without(curve, [old], most_db=5.0, sample_rate_hz=RATE)
    at = np.abs(bare.frequency_hz - 600.0).argmin()
    assert bare.level_db[at] == pytest.approx(HELD_DB + 6.0, abs=0.1)
    deep = Filter(FilterKind.PEAKING, 1500.0, q=8.0, gain_db=-12.0)
    assert without(curve, [deep], most_db=5.0, sample_rate_hz=RATE).level_db.max() == 5.0


def test_cuts_in_place_are_kept_deepened_or_joined_and_the_plan_says_which():
    in_place = (
        Filter(FilterKind.HIGH_PASS, 100.0, order=2),
        Filter(FilterKind.PEAKING, 600.0, q=8.0, gain_db=-6.0),
    )
    seen = nearness((600.0, -3.0), (1500.0, 0.0))
    plan = plan_for(seen, [ring(1500.0, growth_db_per_s=30)], in_place=in_place)
    high_pass, *cuts = plan.filters
    assert high_pass.filter == in_place[0]
    assert high_pass.reason == "in place already: keep it"
    said = [(p.filter.frequency_hz, p.reason) for p in cuts]
    assert any(reason.startswith("new: ring at 1.50 kHz") for _, reason in said)
    old = [reason for hz, reason in said if abs(np.log2(hz / 600.0)) < 0.25]
    assert any(not reason.startswith("new") for reason in old)
    assert at_db(plan, 600.0)[0] < -5.0  # what held still holds
    assert not any("start from a flat" in caution for caution in plan.cautions)


def test_nothing_rang_with_what_is_in_place_so_it_stays():
    in_place = (Filter(FilterKind.PEAKING, 600.0, q=8.0, gain_db=-6.0),)
    plan = plan_from_rings(
        [capture()], [], FOUR, thinning=ThinningAmount.NONE, asked=NearAsked(in_place=in_place)
    )
    (kept,) = plan.filters
    assert kept.filter == in_place[0]
    assert kept.purpose is Purpose.FEEDBACK
    assert any("Nothing certainly rang" in caution for caution in plan.cautions)


def test_what_a_ring_out_tells_survives_json():
    plan = plan_for(nearness((600.0, 0.0), (1500.0, -0.5)), [ring(600.0, growth_db_per_s=30)])
    text = plan_to_json(plan)
    again = plan_from_json(text)
    assert plan_to_json(again) == text
    assert again.ring_out.near[0].frequency_hz == 600.0


def test_a_band_in_place_is_counted_once_and_what_is_left_over_comes_out():
    before = InPlace.of((bell(600.0, -6.0), bell(5000.0, -3.0)), FOUR)
    planned = [
        planned_filter(one, FOUR, purpose=Purpose.FEEDBACK, reason="ring")
        for one in (bell(590.0, -8.0), bell(640.0, -4.0))
    ]
    said = [one.reason for one in before.told(planned)]
    assert said[0].startswith("move from 600 Hz")
    assert "deepen from -6.0 dB" in said[0]
    assert said[1] == "new: ring"
    (gone,) = before.cautions([one.filter for one in planned])
    assert "Take out the cut at 5.00 kHz" in gone


def test_what_is_in_place_comes_from_a_plan_a_file_or_typing(tmp_path):
    plan = plan_for(nearness((600.0, 0.0)), [ring(600.0, growth_db_per_s=30)])
    path = tmp_path / "plan.json"
    path.write_text(plan_to_json(plan))
    (read,) = read_in_place(str(path))
    assert read.frequency_hz == pytest.approx(plan.filters[0].filter.frequency_hz)
    tables = tmp_path / "dialled.toml"
    tables.write_text("[[filter]]\nfrequency_hz = 600\ngain_db = -6\nq = 8\n")
    assert read_in_place(str(tables)) == read_in_place("600 -6 q8") == (bell(600.0, -6.0),)


@pytest.mark.parametrize("name", ["free", "graphic-31"])
def test_no_more_cuts_than_ring_a_wedge_out_though_there_are_bands(name):
    seen = nearness(*((hz, -1.0) for hz in 150 * 2 ** (np.arange(17) / 3)))
    plan = plan_for(seen, [ring(600.0, growth_db_per_s=60)], limits=load_limits(name))
    assert 1 <= len(plan.filters) <= MOST_NEAR_CUTS


def test_the_gentlest_cuts_that_reach_the_margin_are_taken():
    seen = nearness((600.0, 0.0), (1500.0, -3.0))
    rings = [ring(600.0, growth_db_per_s=10)]
    little, much = (plan_for(seen, rings, margin_db=margin_db) for margin_db in (0.0, 6.0))
    removed = [-sum(p.filter.gain_db for p in plan.filters) for plan in (little, much)]
    assert removed[0] < removed[1]
    assert little.ring_out.margin_db < much.ring_out.margin_db
