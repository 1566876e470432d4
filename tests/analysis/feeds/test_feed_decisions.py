"""Every threshold of the feeds on both sides of its boundary: records in, verdict out."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from shaping.analysis.feeds.findings import FaultSeverity, FeedCode
from shaping.analysis.feeds.outputs import RESPONSE_BANDS_HZ
from shaping.analysis.feeds.quiet import Quiet
from shaping.analysis.feeds.steps import Dynamics
from shaping.analysis.feeds.thresholds import Thresholds
from shaping.analysis.feeds.verdict.judge import judge
from tests.analysis.feeds.feeds_makers import (
    LEFT,
    NOTHING,
    RIGHT,
    codes,
    judged,
    known_state,
    louder,
    pack,
)

BOTH = (LEFT, RIGHT)


def with_both(**changes):
    """Return both outputs with the same changes."""
    return replace(LEFT, **changes), replace(RIGHT, **changes)


def carrying(left_db: float, right_db: float, **changes):
    """Return an output that carries both sides so loudly."""
    main = "left" if left_db >= right_db else "right"
    return replace(LEFT, from_db={"left": left_db, "right": right_db}, main=main, **changes)


def bent(band: int, by_db: float):
    bands = np.zeros(len(RESPONSE_BANDS_HZ))
    bands[band] = by_db
    return with_both(bands_db=bands)


def test_a_sound_pack_is_sound():
    feed = judged(pack("one"))
    assert (feed.verdict, feed.faults, feed.level_db) == ("sound", (), 0.0)


CASES = [
    ("low", 2.9, lambda db: louder(BOTH, -db), 3.1),
    ("high", 2.9, lambda db: louder(BOTH, db), 3.1),
    ("low", 2.9, lambda db: (*louder([LEFT], -db), RIGHT), 3.1),
    ("high", 2.9, lambda db: (LEFT, *louder([RIGHT], db)), 3.1),
    ("left-dead", 29.0, lambda db: (*louder([LEFT], -db), RIGHT), 31.0),
    ("right-dead", 29.0, lambda db: (LEFT, *louder([RIGHT], -db)), 31.0),
    ("crosstalk", -31.0, lambda db: (carrying(0, db), RIGHT), -29.0),
    ("mono", -6.1, lambda db: (carrying(0, db), carrying(db, 0)), -5.9),
    ("hum", -61.0, lambda db: with_both(quiet=Quiet(-100.0, db - 24.0, 50)), -59.0),
    ("noisy", -51.0, lambda db: with_both(quiet=Quiet(db - 24.0, -math.inf, None)), -49.0),
    ("distorted", -31.0, lambda db: with_both(distortion_db=db), -29.0),
    ("compressed", 1.4, lambda db: with_both(dynamics=Dynamics(0.0, db, -9.0, 3.0)), 1.6),
    ("limited", -5.9, lambda db: with_both(dynamics=Dynamics(0.0, -db, db, math.inf)), -6.1),
    ("uneven", 2.9, lambda db: bent(5, db), 3.1),
    ("uneven", -2.9, lambda db: bent(0, db), -3.1),
]


@pytest.mark.parametrize(("code", "before", "make", "beyond"), CASES)
def test_a_fault_begins_at_its_threshold(code, before, make, beyond):
    assert code not in codes(judged(pack("one", make(before))))
    assert code in codes(judged(pack("one", make(beyond))))


@pytest.mark.parametrize(("late_ms", "expected"), [(2.9, []), (3.1, ["late"])])
def test_late_against_the_packs_of_one_recording(late_ms, expected):
    assert codes(judged(pack("one", offset_s=0.5 + late_ms * 1e-3))) == expected


def test_packs_recorded_apart_are_not_compared_for_delay():
    feed = judged(pack("one", offset_s=0.9, take="another.wav"))
    assert (codes(feed), feed.delay_ms) == ([], None)


@pytest.mark.parametrize(("late_ms", "expected"), [(0.9, []), (1.1, ["late"]), (-1.1, ["late"])])
def test_one_side_late(late_ms, expected):
    feed = judged(pack("one", (LEFT, replace(RIGHT, delay_s=late_ms * 1e-3))))
    assert codes(feed) == expected


@pytest.mark.parametrize("count", [0, 1, 5])
def test_every_dropout_counts(count):
    outputs = (replace(LEFT, dropouts_s=tuple(float(i) for i in range(count))), RIGHT)
    assert codes(judged(pack("one", outputs))) == (["dropouts"] if count else [])
    few = Thresholds(dropouts=3)
    assert bool(codes(judged(pack("one", outputs), thresholds=few))) is (count >= 3)


def test_silent_whether_found_or_not():
    assert codes(judged(pack("one", ()))) == ["silent"]
    assert codes(judged(pack("one", (NOTHING, NOTHING)))) == ["silent"]
    assert codes(judged(pack("one", louder(BOTH, -61.0)))) == ["silent"]
    assert codes(judged(pack("one", louder(BOTH, -59.0)))) == ["low"]


def test_what_plays_in_place_of_the_signal_is_told():
    loud, quiet = (judged(pack("one", (), peak_dbfs=db)).faults[0] for db in (-49.0, -51.0))
    assert "Something plays" in loud.message
    assert "Something plays" not in quiet.message


def test_sides_swapped_and_a_swap_with_one_side_dead():
    assert codes(judged(pack("one", (RIGHT, LEFT)))) == ["swapped"]
    assert codes(judged(pack("one", (NOTHING, LEFT)))) == ["left-dead", "swapped"]


def test_mono_is_no_fault_where_it_is_meant():
    outputs = (carrying(-6, -6), carrying(-6, -6))
    assert codes(judged(pack("one", outputs))) == ["mono"]
    assert codes(judged(pack("one", outputs, mono=True))) == []
    known = {"one": known_state(carries=("both", "both"))}
    assert codes(judged(pack("one", outputs), known=known)) == []


def test_both_ears_with_one_side_alone_are_mono():
    feed = judged(pack("one", (LEFT, LEFT)))
    assert codes(feed) == ["mono"]
    assert "left side alone" in feed.failing[0].message


def test_polarity_is_held_against_the_others_not_against_the_recorder():
    turned = replace(LEFT, signs={"left": -1, "right": -1})
    right = replace(RIGHT, signs={"left": -1, "right": -1})
    assert codes(judged(pack("one", (turned, RIGHT)))) == ["inverted"]
    assert codes(judged(pack("one", (turned, right)))) == ["inverted"]
    everybody = judge([pack(f"{i}", (turned, right)) for i in range(4)], Thresholds())
    assert [codes(feed) for feed in everybody] == [[]] * 4
    known = {"one": known_state(polarity=-1)}
    assert codes(judged(pack("one", (turned, right)), known=known)) == []
    unclear = replace(LEFT, signs={"left": 0, "right": 0})
    assert codes(judged(pack("one", (unclear, RIGHT)))) == []


def test_a_limiter_that_only_guards_is_worth_a_note_and_no_fault():
    feed = judged(pack("one", with_both(dynamics=Dynamics(0.0, 3.0, -3.0, math.inf))))
    assert feed.verdict == "sound"
    (note,) = feed.faults
    assert (note.code, note.severity) == (FeedCode.LIMITED, FaultSeverity.NOTE)
    assert "protects hearing" in note.action


@pytest.mark.parametrize(("ratio", "expected"), [(7.9, "compressed"), (8.1, "limited")])
def test_limiter_or_compressor_by_the_ratio(ratio, expected):
    outputs = with_both(dynamics=Dynamics(0.0, 9.0, -10.0, ratio))
    assert codes(judged(pack("one", outputs))) == [expected]


def test_a_level_is_off_only_where_soft_and_loud_sound_both_are():
    held = with_both(level_db=0.0, loud_db=-10.0)
    made_up = with_both(level_db=6.0, loud_db=0.0)
    opposite = with_both(level_db=5.0, loud_db=-5.0)
    for outputs in (held, made_up, opposite):
        assert codes(judged(pack("one", outputs))) == []


def test_of_two_packs_the_lower_is_named():
    low, other = judge([pack("a", louder(BOTH, -6.0)), pack("b")], Thresholds())
    assert (low.name, codes(low), codes(other)) == ("a", ["low"], [])
    assert "or that one is too high" in low.failing[0].message


def test_of_two_packs_the_less_flat_is_named():
    bumpy, flat = judge([pack("a", bent(4, 8.0)), pack("b")], Thresholds())
    assert (codes(bumpy), codes(flat)) == (["uneven"], [])


def test_of_three_packs_one_far_off_does_not_drag_the_others():
    feeds = judge([pack("a", louder(BOTH, -48.0)), pack("b"), pack("c")], Thresholds())
    assert [codes(feed) for feed in feeds] == [["low"], [], []]
    assert [feed.level_db for feed in feeds] == [-48.0, 0.0, 0.0]


def test_one_pack_alone_is_not_judged_by_level():
    feed = judged(pack("one", louder(BOTH, -20.0)), siblings=0)
    assert (codes(feed), feed.level_db) == ([], None)


def test_with_a_known_state_what_was_so_then_is_right():
    quiet = pack("one", louder(BOTH, -6.0))
    known = {"one": known_state(-6.0), **{f"sound {i}": known_state(0.0) for i in range(4)}}
    assert codes(judged(quiet)) == ["low"]
    feed = judged(quiet, known=known)
    assert (codes(feed), feed.change_db) == ([], 0.0)
    assert codes(judged(pack("one"), known=known)) == ["high"]


def test_the_recorders_gain_is_no_change_of_the_packs():
    known = {name: known_state(-9.0) for name in ("one", *(f"sound {i}" for i in range(4)))}
    assert judged(pack("one"), known=known).change_db == 0.0
    known["one"] = known_state(-5.0)
    assert codes(judged(pack("one"), known=known)) == ["low"]


def test_noise_is_held_against_packs_not_against_a_faint_one():
    faint = with_both(level_db=-30.0, loud_db=-30.0, hold_dbfs=-54.0, quiet=Quiet(-80.0, -90.0, 50))
    assert codes(judged(pack("one", faint))) == ["low"]
    assert codes(judged(pack("one", faint), siblings=0)) == ["hum", "noisy"]


def test_the_worst_comes_first_and_names_the_verdict():
    bad = pack("bad", with_both(distortion_db=-10.0, quiet=Quiet(-60.0, -math.inf, None)))
    feeds = judge([pack("a"), bad, pack("b"), pack("gone", ()), pack("c")], Thresholds())
    assert [feed.name for feed in feeds] == ["gone", "bad", "a", "b", "c"]
    assert codes(feeds[1]) == ["distorted", "noisy"]
    assert feeds[1].verdict == "distorted"


def test_every_fault_says_one_thing_to_do():
    for _, _, make, beyond in CASES:
        for fault in judged(pack("one", make(beyond))).faults:
            assert fault.action.endswith(".")
            assert fault.message.endswith(".")
            assert "eedback" not in fault.action
