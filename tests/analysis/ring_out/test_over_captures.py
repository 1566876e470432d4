"""Rings of several captures: what the second capture adds, and what it does not."""

from __future__ import annotations

from dataclasses import replace

import pytest

from shaping.analysis.ring_out.over_captures import rings_across
from shaping.equaliser.limits_file import load_limits
from shaping.plan.ring_out.needs import need_of, needs_of
from shaping.plan.ring_out.planner import plan_from_rings
from shaping.plan.thinning.starting_points import ThinningAmount
from shaping.plan.to_json import plan_from_json, plan_to_dict, plan_to_json
from shaping.report.words import onset_text
from tests.plan.plan_makers import capture, ring


def rang_on(frequency_hz, confidence=0.45):
    """As `ringing_on` finds it: never seen growing, heard after eight sounds."""
    found = ring(frequency_hz, growth_db_per_s=0.0, confidence=confidence, occurrences=8)
    return replace(found, decay_db_per_s=30.0)


def test_one_capture_keeps_its_rings_as_they_are():
    found = (ring(900.0), rang_on(400.0))
    assert rings_across([found]) == found


@pytest.mark.parametrize("captures", [2, 3, 10])
def test_ringing_on_in_several_captures_is_not_growth(captures):
    """Ten captures of one tune have its notes in common: no number of them makes a ring."""
    (merged,) = rings_across([[rang_on(1000.0 + n)] for n in range(captures)])
    assert merged.confidence == 0.45
    assert not merged.certain
    assert merged.growth_db_per_s == 0.0


def test_doubtful_growth_stays_doubtful_however_often_it_was_recorded():
    (merged,) = rings_across([[ring(1000.0, confidence=c)] for c in (0.6, 0.7, 0.5)])
    assert merged.confidence == 0.7
    assert not merged.certain


def test_a_ring_that_one_capture_shows_is_certain_whatever_the_others_show():
    (merged,) = rings_across([[rang_on(1000.0)], [ring(1001.0, confidence=0.9)]])
    assert merged.certain
    assert merged.confidence == 0.9
    assert merged.growth_db_per_s == 100.0
    assert merged.occurrences == 1  # it rang on after eight sounds, and howled once


def test_a_ring_of_three_captures_did_not_come_back():
    """Each capture heard it once; a person recorded three times."""
    (merged,) = rings_across([[ring(1000.0 + n)] for n in range(3)])
    (alone,) = rings_across([[ring(1000.0)]])
    assert merged.occurrences == 1
    need = need_of(merged)
    assert "came back" not in need.why
    assert need.depth_db == need_of(alone).depth_db


def test_coming_back_within_one_capture_counts_as_in_that_capture():
    found = [[ring(1000.0)], [ring(1001.0, occurrences=3)], [ring(999.0, occurrences=2)]]
    (merged,) = rings_across(found)
    assert merged.occurrences == 3
    assert "came back 2 times" in need_of(merged).why


def test_two_rings_of_one_capture_that_are_one_here_are_two_occurrences():
    """The capture alone told them apart; seen with another place of the mic they are one."""
    (merged,) = rings_across([[ring(1000.0), ring(1004.0)], [ring(1002.0)]])
    assert merged.occurrences == 2
    assert merged.width_hz == 4.0


def test_a_ring_of_several_captures_is_as_urgent_as_the_worst_and_spans_their_frequencies():
    slow = replace(ring(1000.0, growth_db_per_s=20.0), peak_dbfs=-3.0)
    fast = replace(ring(1004.0, growth_db_per_s=80.0), onset_s=7.0, clipped=True)
    (merged,) = rings_across([[slow], [fast]])
    assert merged.growth_db_per_s == 80.0
    assert merged.onset_s == 7.0
    assert merged.peak_dbfs == -3.0
    assert merged.clipped
    assert 1000.0 < merged.frequency_hz < 1004.0
    assert merged.width_hz == 4.0
    assert merged.evidence == "Rose in a straight line. Found in 2 of 2 captures."


def test_times_of_two_captures_are_not_compared():
    """Each recorder started when it started: neither together nor one after the other."""
    early = [replace(ring(300.0 * 2**n), onset_s=3.0) for n in range(5)]
    late = replace(ring(7000.0), onset_s=20.0)
    apart = rings_across([[one] for one in (*early, late)])
    assert [found.capture for found in apart] == [1, 2, 3, 4, 5, 6]
    assert not [need.why for need in needs_of(apart) if "rang after" in need.why]
    plan = plan_from_rings(
        [capture()] * 6, apart, load_limits("free"), thinning=ThinningAmount.NONE
    )
    assert not any("came up together" in said for said in plan.cautions)
    one = plan_from_rings(
        [capture()], [*early, late], load_limits("free"), thinning=ThinningAmount.NONE
    )
    assert any("5 rings came up together" in said for said in one.cautions)
    assert "1 more rang after it" in one.filters[0].reason


def test_a_merged_ring_keeps_the_clock_of_its_steepest():
    (merged,) = rings_across([[ring(1000.0, growth_db_per_s=20.0)], [ring(1001.0)]])
    assert merged.capture == 2


def test_the_plan_tells_which_recording_a_time_counts_from():
    apart = rings_across([[ring(500.0)], [ring(2000.0)]])
    captures = [capture(), capture(path="moved.wav")]
    plan = plan_from_rings(captures, apart, load_limits("free"), thinning=ThinningAmount.NONE)
    again = plan_from_json(plan_to_json(plan))
    assert [found.capture for found in again.rings] == [1, 2]
    assert "capture" not in plan_to_dict(plan)["rings"][0]
    assert onset_text(plan.rings[1], plan) == "3.0 s in recording 2"


def test_rings_further_apart_than_a_mic_moves_them_stay_apart():
    """0.5 %: at 1 kHz five hertz."""
    assert len(rings_across([[ring(1000.0)], [ring(1004.9)]])) == 1
    assert len(rings_across([[ring(1000.0)], [ring(1005.1)]])) == 2


def test_the_certain_come_first_and_among_them_the_fastest():
    possible = ring(300.0, confidence=0.5, growth_db_per_s=500.0)
    slow, fast = ring(900.0, growth_db_per_s=10.0), ring(2000.0, growth_db_per_s=90.0)
    merged = rings_across([[possible, slow], [fast]])
    assert [found.frequency_hz for found in merged] == [2000.0, 900.0, 300.0]
