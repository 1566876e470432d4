"""Which sliders of a graphic equaliser go down, and how far: needs in, sliders out."""

from __future__ import annotations

from dataclasses import replace

import pytest

from shaping.equaliser.limits import Limits
from shaping.equaliser.limits_file import load_limits
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.ring_out.needs import needs_of
from shaping.plan.ring_out.sliders import _desk, set_sliders
from tests.plan.plan_makers import ring

GRAPHIC = load_limits("graphic-31")
RATE_HZ = 48_000.0


def sliders(
    *asked: tuple[float, float],
    limits: Limits = GRAPHIC,
    cuts: int = 31,
    thinning: tuple[Filter, ...] = (),
) -> tuple[dict[float, float], list[tuple[int, ...]], int]:
    """Return gains by centre and members, for rings of a frequency and a growth, and what stays."""
    needs = needs_of([ring(hz, growth_db_per_s=growth) for hz, growth in asked])
    kept, found = set_sliders(needs, limits, thinning=thinning, cuts=cuts, sample_rate_hz=RATE_HZ)
    gains = {cut.filter.frequency_hz: cut.filter.gain_db or 0.0 for cut in found}
    return gains, [cut.members for cut in found], len(kept)


def slider(frequency_hz: float, gain_db: float) -> Filter:
    return Filter(FilterKind.PEAKING, frequency_hz, q=4.32, gain_db=gain_db)


def test_the_desk_has_every_place_down_to_10_db_and_sliders_below_half_the_rate() -> None:
    desk = _desk(GRAPHIC, 23_520.0)
    assert len(desk.centres_hz) == 31
    assert desk.gain_db.tolist() == [0.0, *(-0.5 * n for n in range(2, 21))]  # half a dB is no move
    assert desk.q[1:] == pytest.approx(4.32)
    assert len(_desk(GRAPHIC, 4000.0).centres_hz) == 23  # 3.15 kHz is the last below 4 kHz


@pytest.mark.parametrize(
    ("growth_db_per_s", "gain_db"), [(0.0, -3.0), (25.0, -4.5), (40.0, -5.0), (100.0, -6.5)]
)
def test_a_ring_on_a_slider_takes_that_slider_within_the_tolerance(
    growth_db_per_s: float, gain_db: float
) -> None:
    assert sliders((1000.0, growth_db_per_s))[0] == {1000.0: gain_db}


def test_a_ring_between_two_takes_both_nearly_alike() -> None:
    gains, members, _ = sliders((894.4, 40.0))
    assert gains == {800.0: -5.0, 1000.0: -4.5}
    assert members == [(0,), (0,)]


def test_no_more_sliders_move_than_allowed_and_the_urgent_come_first() -> None:
    assert set(sliders((1000.0, 40.0), (4000.0, 40.0), cuts=1)[0]) == {1000.0}
    assert set(sliders((4000.0, 40.0), (1000.0, 40.0), cuts=1)[0]) == {4000.0}
    few = replace(GRAPHIC, bands=1)
    assert set(sliders((1000.0, 40.0), (4000.0, 40.0), limits=few)[0]) == {1000.0}
    assert sliders((1000.0, 40.0), cuts=0)[0] == {}
    assert sliders()[0] == {}


def test_a_slider_moved_already_may_go_deeper_when_no_other_may_move() -> None:
    gains = sliders((1000.0, 0.0), (1010.0, 100.0), cuts=1)[0]
    assert gains == {1000.0: -6.5}


def test_thinnings_sliders_go_deeper_from_where_they_are() -> None:
    thinning = (
        Filter(FilterKind.HIGH_PASS, 100.0, order=2),
        slider(250.0, -2.0),
        slider(315.0, -1.0),
    )
    gains, _, kept = sliders((250.0, 40.0), thinning=thinning)
    assert set(gains) == {250.0}
    assert gains[250.0] <= -4.0
    assert kept == 2  # the high-pass and the slider that no ring moved
    assert sliders((4000.0, 0.0), thinning=thinning)[2] == 3
    assert sliders((250.0, 40.0), thinning=thinning, cuts=0)[2] == 3


def test_a_slider_deep_enough_from_thinning_is_left() -> None:
    gains, _, kept = sliders((250.0, 0.0), thinning=(slider(250.0, -6.0),))
    assert (gains, kept) == ({}, 1)


def test_a_high_pass_that_serves_a_ring_spares_its_slider() -> None:
    steep = Filter(FilterKind.HIGH_PASS, 200.0, order=4)
    assert sliders((63.0, 40.0), thinning=(steep,))[0] == {}


def test_sliders_go_up_again_where_a_later_one_does_their_work() -> None:
    """The first ring alone wants 800 and 1000 Hz alike; the second takes 1000 Hz down further."""
    alone = sliders((894.4, 40.0))[0]
    both = sliders((894.4, 40.0), (1000.0, 200.0))[0]
    assert both[1000.0] < alone[1000.0]
    assert both[800.0] > alone[800.0]


def test_each_slider_names_the_rings_it_answers() -> None:
    gains, members, _ = sliders((1000.0, 40.0), (4000.0, 40.0), (1020.0, 40.0))
    assert list(gains) == [1000.0, 4000.0]
    assert members == [(0, 2), (1,)]


def test_a_ring_that_drifts_between_sliders_stops_at_10_db() -> None:
    gains = sliders((1122.5, 400.0))[0]
    assert min(gains.values()) >= -10.0


def test_near_half_the_rate_sliders_are_deepened_too() -> None:
    """A digital bell is narrower there than the analogue one that the search counts with."""
    needs = needs_of([ring(hz, growth_db_per_s=40.0) for hz in (8179.0, 10_932.0)])
    _, found = set_sliders(needs, GRAPHIC, thinning=(), cuts=31, sample_rate_hz=32_000.0)
    gains = {cut.filter.frequency_hz: cut.filter.gain_db for cut in found}
    assert gains == {8000.0: -4.0, 10_000.0: -8.0}  # -7 by the search alone
