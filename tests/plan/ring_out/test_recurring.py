"""Plans for what recurs over rehearsals: its own record, not a ring of one ring-out."""

from __future__ import annotations

import pytest

from shaping.analysis.findings import Recurring
from shaping.equaliser.limits_file import load_limits
from shaping.errors import ParameterError
from shaping.filters.response import total_db
from shaping.plan.ring_out.needs import need_of_recurring
from shaping.plan.ring_out.planner import plan_from_recurring
from tests.plan.plan_makers import capture


def recurring(frequency_hz: float, *, growth_db_per_s: float = 0.0, sure: int = 3, **others):
    facts = {
        "frequency_hz": frequency_hz,
        "spread_hz": 1.0,
        "events": 4,
        "sure": sure,
        "dates": ("2031-03-02", "2031-03-09"),
        "total_s": 6.0,
        "worst_growth_db_per_s": growth_db_per_s,
        "worst_over_db": 18.0,
        "peak_dbfs": -14.0,
        "clipped": False,
        "confidence": 0.95,
    }
    return Recurring(**(facts | others))


@pytest.mark.parametrize(
    ("facts", "depth_db"),
    [
        ({}, 3.0),  # the first cut
        ({"growth_db_per_s": 40.0}, 5.0),  # 40 dB/s for 25 ms is 1 dB of excess, and 4 dB margin
        ({"growth_db_per_s": 40.0, "clipped": True}, 6.0),
        ({"events": 40, "sure": 40}, 3.0),  # how often it came back counts for nothing
        ({"growth_db_per_s": 400.0}, 9.0),  # never deeper
    ],
)
def test_the_depth_that_recurring_howls_ask_for(facts, depth_db):
    assert need_of_recurring(recurring(800.0, **facts)).depth_db == pytest.approx(depth_db)


def test_howls_of_different_dates_did_not_come_up_together():
    found = [recurring(hz, growth_db_per_s=30.0) for hz in (315.0, 630.0, 1250.0, 2500.0)]
    plan = plan_from_recurring([capture()], found, load_limits("parametric-6"))
    assert not [said for said in plan.cautions if "together" in said or "the recording" in said]
    assert plan.rings == ()
    effect = total_db(
        [planned.filter for planned in plan.filters],
        [one.frequency_hz for one in found],
        sample_rate_hz=48_000,
    )
    assert effect.max() < -4.0  # 0.75 dB of excess and 4 dB of margin, 0.5 dB may be missing


def test_the_reason_tells_how_often_and_on_how_many_dates():
    (cut,) = plan_from_recurring(
        [capture()], [recurring(800.0, growth_db_per_s=30.0)], load_limits("free")
    ).filters
    assert "howled 4 times on 2 dates, growing by up to 30 dB/s" in cut.reason


def test_what_finds_no_band_is_said():
    found = [recurring(hz) for hz in (200.0, 630.0, 2000.0, 5000.0, 8000.0)]
    said = plan_from_recurring([capture()], found, load_limits("parametric-4")).cautions
    assert any("No band is left for" in one for one in said)


def test_without_a_recording_there_is_no_plan():
    with pytest.raises(ParameterError, match="at least one capture"):
        plan_from_recurring([], [recurring(800.0)], load_limits("free"))
