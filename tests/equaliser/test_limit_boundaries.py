"""Every number of the limits at the ends of its range, and just beyond."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from shaping.equaliser.limits import Limits
from shaping.equaliser.limits_file import load_limits
from shaping.equaliser.quantise import (
    allows,
    centres_hz,
    dial_q,
    gain_steps_db,
    quantise,
    worth_a_move,
)
from shaping.errors import LimitsError
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.width import QConvention

FREE = load_limits("free")
FOUR = load_limits("parametric-4")
NOTCH = replace(FREE, kinds=(FilterKind.NOTCH,), min_gain_db=0.0, max_gain_db=0.0, gain_step_db=0.0)


@pytest.mark.parametrize(
    ("good", "bad"),
    [
        ({"bands": 0}, {"bands": -1}),
        ({"bands": 64}, {"bands": 65}),
        ({"min_frequency_hz": 10.0}, {"min_frequency_hz": 9.9}),
        ({"max_frequency_hz": 40_000.0}, {"max_frequency_hz": 40_001.0}),
        ({"max_frequency_hz": FREE.min_frequency_hz}, {"max_frequency_hz": 19.0}),
        ({"min_gain_db": -60.0}, {"min_gain_db": -60.1}),
        ({"max_gain_db": 60.0}, {"max_gain_db": 60.1}),
        ({"max_gain_db": 0.0}, {"max_gain_db": -0.1}),
        ({"min_gain_db": -0.1}, {"min_gain_db": 0.0}),
        ({"min_gain_db": -6.0, "gain_step_db": 6.0}, {"min_gain_db": -6.0, "gain_step_db": 6.1}),
        ({"gain_step_db": 0.0}, {"gain_step_db": -0.1}),
        ({"min_q": 0.05}, {"min_q": 0.04}),
        ({"max_q": 1000.0}, {"max_q": 1001.0}),
        ({"min_q": 5.0, "max_q": 5.0}, {"min_q": 5.0, "max_q": 4.9}),
        ({"q_step": 0.0}, {"q_step": -0.1}),
        ({"q_step": 1000.0}, {"q_step": 1001.0}),
        ({"steps_per_octave": 1}, {"steps_per_octave": 0}),
        ({"steps_per_octave": 192}, {"steps_per_octave": 193}),
        ({"high_pass_min_hz": 5.0}, {"high_pass_min_hz": 4.9}),
        ({"high_pass_max_hz": 2000.0}, {"high_pass_max_hz": 2001.0}),
        (
            {"high_pass_min_hz": 80.0, "high_pass_max_hz": 80.0},
            {"high_pass_min_hz": 80.0, "high_pass_max_hz": 79.0},
        ),
        ({"high_pass_orders": (1, 8)}, {"high_pass_orders": (0,)}),
        ({"high_pass_orders": (8,)}, {"high_pass_orders": (9,)}),
        ({"grid_hz": (20.0, 20_000.0)}, {"grid_hz": (19.0, 20_000.0)}),
        ({"grid_hz": (20.0,)}, {"grid_hz": (20.0, 20_001.0)}),
        (
            {"grid_hz": tuple(100.0 + n for n in range(64))},
            {"grid_hz": tuple(100.0 + n for n in range(65))},
        ),
        ({"max_gain_db": 1.0}, {"max_gain_db": math.inf}),
    ],
)
def test_the_ends_of_each_range_are_in_it(good: dict[str, Any], bad: dict[str, Any]) -> None:
    assert isinstance(replace(FREE, **good), Limits)
    with pytest.raises(LimitsError):
        replace(FREE, **bad)


def test_a_notch_has_no_gain_to_be_refused() -> None:
    assert NOTCH.band_kind is FilterKind.NOTCH
    assert replace(NOTCH, gain_step_db=60.0).gain_step_db == 60.0
    with pytest.raises(LimitsError, match="gain_step_db must lie between 0 and 60"):
        replace(NOTCH, gain_step_db=60.1)


def test_a_high_pass_is_there_where_it_has_orders() -> None:
    without = replace(FREE, high_pass_min_hz=None, high_pass_max_hz=None, high_pass_orders=())
    assert (FREE.has_high_pass, without.has_high_pass) == (True, False)
    for missing in ("high_pass_min_hz", "high_pass_max_hz"):
        with pytest.raises(LimitsError, match="belong together"):
            replace(FREE, **{missing: None})
    with pytest.raises(LimitsError, match="belong together"):
        replace(FREE, high_pass_orders=())


def test_cuts_are_counted_from_0_db_down() -> None:
    assert gain_steps_db(replace(FOUR, min_gain_db=-2.0, gain_step_db=0.5), 9.0) == (
        -0.5,
        -1.0,
        -1.5,
        -2.0,
    )
    assert gain_steps_db(replace(FREE, min_gain_db=-1.0), 0.25) == (-0.25, -0.5, -0.75, -1.0)
    assert gain_steps_db(replace(FOUR, min_gain_db=-1.0, gain_step_db=0.3), 9.0) == (
        -0.3,
        -0.6,
        -0.9,
    )


def test_steps_of_frequency_keep_the_ends_they_fall_on() -> None:
    octaves = replace(FREE, steps_per_octave=1, min_frequency_hz=125.0, max_frequency_hz=4000.0)
    assert centres_hz(octaves) == pytest.approx((125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0))
    inside = replace(octaves, min_frequency_hz=126.0, max_frequency_hz=3999.0)
    assert centres_hz(inside) == pytest.approx((250.0, 500.0, 1000.0, 2000.0))
    between = replace(octaves, min_frequency_hz=1100.0, max_frequency_hz=1200.0)
    assert centres_hz(between) == (1100.0,)
    assert centres_hz(FREE) is None


@pytest.mark.parametrize(
    ("wanted", "dialled"),
    [(0.1, 0.5), (0.74, 0.5), (0.76, 1.0), (1.2, 1.0), (1.3, 1.5), (9.0, 1.5)],
)
def test_q_goes_to_the_nearest_step_that_is_whole(wanted: float, dialled: float) -> None:
    limits = replace(FREE, min_q=0.5, max_q=1.9, q_step=0.5)
    filter = quantise(Filter(FilterKind.PEAKING, 1000.0, q=wanted, gain_db=-6.0), limits)
    assert filter.q == dialled


@pytest.mark.parametrize(
    ("gain_db", "nearest_db"), [(-2.9, -2.9), (-99.0, -18.0), (0.0, 0.0), (99.0, 6.0)]
)
def test_free_gains_are_kept_within_range(gain_db: float, nearest_db: float) -> None:
    limits = replace(FREE, min_gain_db=-18.0, max_gain_db=6.0)
    filter = quantise(Filter(FilterKind.PEAKING, 1000.0, q=1.0, gain_db=gain_db), limits)
    assert filter.gain_db == nearest_db


def test_at_0_db_a_q_is_kept_whatever_the_convention() -> None:
    flat = replace(FREE, q_convention=QConvention.THREE_DB_FROM_FLAT)
    wire = Filter(FilterKind.PEAKING, 1000.0, q=3.0, gain_db=0.0)
    assert quantise(wire, flat) == wire
    assert dial_q(wire, flat) == 3.0


def test_the_q_to_dial_is_in_the_dials_convention() -> None:
    """Source: closed form: the pole Q of a cut of -12 dB is the cookbook's times 10^(-12/40)."""
    pole = replace(FREE, q_convention=QConvention.POLE)
    bell = Filter(FilterKind.PEAKING, 1000.0, q=10.0, gain_db=-12.0)
    assert dial_q(bell, pole) == pytest.approx(5.012, abs=1e-3)
    assert dial_q(Filter(FilterKind.NOTCH, 1000.0, q=10.0), pole) == 10.0
    assert dial_q(Filter(FilterKind.HIGH_PASS, 100.0, order=2), pole) is None


@pytest.mark.parametrize(
    ("filter", "fits"),
    [
        (Filter(FilterKind.PEAKING, 1000.0, q=5.0, gain_db=-6.0), True),
        (Filter(FilterKind.PEAKING, 1000.09, q=5.0, gain_db=-6.0), True),
        (Filter(FilterKind.PEAKING, 1000.2, q=5.0, gain_db=-6.0), False),
        (Filter(FilterKind.PEAKING, 1000.0, q=5.0004, gain_db=-6.0), True),
        (Filter(FilterKind.PEAKING, 1000.0, q=5.001, gain_db=-6.0), False),
        (Filter(FilterKind.PEAKING, 1000.0, q=5.0, gain_db=-6.0005), True),
        (Filter(FilterKind.PEAKING, 1000.0, q=5.0, gain_db=-6.001), False),
        (Filter(FilterKind.HIGH_PASS, 100.0, order=2), True),
        (Filter(FilterKind.HIGH_PASS, 100.0, order=3), False),
        (Filter(FilterKind.PEAKING, 1000.0, q=5.0, gain_db=-6.0, order=2), False),
    ],
)
def test_plans_written_with_rounded_digits_still_fit(filter: Filter, fits: bool) -> None:
    assert allows(FOUR, filter) is fits


def test_of_two_orders_as_near_the_gentler_is_taken() -> None:
    limits = replace(FREE, high_pass_orders=(4, 2))
    assert quantise(Filter(FilterKind.HIGH_PASS, 100.0, order=3), limits).order == 2
    assert quantise(Filter(FilterKind.HIGH_PASS, 100.0, order=4), limits).order == 4


@pytest.mark.parametrize(
    ("gain_db", "worth"), [(-1.0, True), (-0.99, False), (0.0, False), (-12.0, True), (None, True)]
)
def test_less_than_one_db_is_not_worth_a_hands_move(gain_db: float | None, worth: bool) -> None:
    assert worth_a_move(gain_db) is worth
