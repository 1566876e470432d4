"""Which rings share a cut, how deep and how wide it is: needs in, cuts out, on each boundary.

Prices are the area of a cut in dB over 100 Hz to 10 kHz: in proportion to depth times width in
octaves, very nearly. A Q of 8 is 0.18 octaves wide, one of 6.5 0.22 (2 asinh(1 / 2Q) / ln 2), so
that the boundaries below can be followed by hand.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from shaping.equaliser.limits import Limits
from shaping.equaliser.limits_file import load_limits
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.width import QConvention
from shaping.plan.ring_out.needs import needs_of
from shaping.plan.ring_out.placing import (
    Cut,
    _menu,
    _Search,
    deepened,
    place_cuts,
    wants_of,
)
from tests.plan.plan_makers import ring

FREE, FOUR = load_limits("free"), load_limits("parametric-4")
RATE_HZ = 48_000.0

Asked = tuple[float, float, float]
"""Frequency, growth and confidence of a ring."""


def placed(
    *asked: Asked,
    limits: Limits = FREE,
    bands: int = 6,
    thinning: tuple[Filter, ...] = (),
) -> list[tuple[float, float, tuple[int, ...]]]:
    """Return centre, gain and members of each cut."""
    needs = needs_of([ring(hz, growth_db_per_s=g, confidence=c) for hz, g, c in asked])
    cuts = place_cuts(needs, limits, thinning=thinning, bands=bands, sample_rate_hz=RATE_HZ)
    return [(round(c.filter.frequency_hz), c.filter.gain_db or 0.0, c.members) for c in cuts]


def bell_area_db(gain_db: float, q: float) -> float:
    """Integrate a bell's response, ``|x^2 + A^2| / |x^2 + 1 / A^2|``, over 6.64 octaves."""
    ratio, u = 10 ** (gain_db / 40), np.linspace(-12, 12, 200_001)
    x = (2 * q * np.sinh(u)) ** 2
    level_db = 10 * np.log10((x + ratio**-2) / (x + ratio**2))
    return float(level_db.sum() * (u[1] - u[0]) / np.log(100.0))


def test_wants_lose_a_db_at_the_edges_of_drift_and_stay_below_half_the_rate() -> None:
    needs = needs_of([ring(1000.0, growth_db_per_s=40.0), ring(23_900.0, growth_db_per_s=0.0)])
    wants = wants_of(needs, sample_rate_hz=RATE_HZ)
    assert wants.depth_db.tolist() == [[5.0, 4.0, 4.0], [3.0, 2.0, 2.0]]
    assert wants.frequency_hz[0] == pytest.approx([1000.0, 984.6, 1015.4])
    assert wants.frequency_hz[1].tolist() == pytest.approx([23_900.0, 23_541.1, 23_952.0])
    assert wants_of([], sample_rate_hz=RATE_HZ).frequency_hz.shape == (0, 3)


def test_neighbours_share_a_cut_while_it_removes_little_more_tone_than_two() -> None:
    """Shared, 9 dB at a Q of 6.5 are 2.0 dB octaves; two of 4.5 dB at 8 are 1.6: 1.22 times."""
    assert placed((1000.0, 40.0, 0.9), (1150.0, 40.0, 0.9)) == [(1072, -9.0, (0, 1))]
    assert placed((1000.0, 40.0, 0.9), (1200.0, 40.0, 0.9)) == [
        (1000, -4.5, (0,)),
        (1200, -4.5, (1,)),
    ]


def test_short_of_bands_they_share_up_to_twice_the_tone_and_else_the_later_goes_without() -> None:
    assert placed((1000.0, 40.0, 0.9), (1200.0, 40.0, 0.9), bands=1) == [(1095, -9.0, (0, 1))]
    assert placed((1000.0, 40.0, 0.9), (1300.0, 40.0, 0.9), bands=1) == [(1000, -5.0, (0,))]


@pytest.mark.parametrize(("apart", "together"), [(2.0, True), (2.01, False)])
def test_rings_more_than_an_octave_apart_never_share(apart: float, together: bool) -> None:
    needs = needs_of([ring(1000.0, growth_db_per_s=0.0), ring(1000.0 * apart, growth_db_per_s=0.0)])
    wants = wants_of(needs, sample_rate_hz=RATE_HZ)
    search = _Search(FREE, wants, np.zeros_like(wants.depth_db), 20_000.0)
    assert math.isfinite(search.price((0, 1))) is together


def test_three_neighbours_share_and_two_far_ones_do_not_wait_for_bands() -> None:
    found = placed(*((hz, 0.0, 0.9) for hz in (1000.0, 1020.0, 1040.0, 4000.0)))
    assert [members for _, _, members in found] == [(0, 1, 2), (3,)]


def test_a_possible_ring_joins_a_sure_one_only_if_it_hardly_widens_its_cut() -> None:
    near = placed((1000.0, 100.0, 0.9), (1100.0, 40.0, 0.4), bands=1)
    assert [members for _, _, members in near] == [(0, 1)]
    far = placed((1000.0, 100.0, 0.9), (1200.0, 40.0, 0.4), bands=1)
    assert [members for _, _, members in far] == [(0,)]
    spare = placed((1000.0, 100.0, 0.9), (1200.0, 40.0, 0.4), bands=2)
    assert [members for _, _, members in spare] == [(0,), (1,)]


def test_possible_rings_do_not_join_each_other_and_one_that_is_served_gets_no_cut() -> None:
    near = placed((1000.0, 40.0, 0.4), (1005.0, 40.0, 0.45))
    assert near == [(1005, -3.0, (0,))]
    apart = placed((1000.0, 40.0, 0.4), (1060.0, 40.0, 0.45))
    assert [members for _, _, members in apart] == [(0,), (1,)]


def test_no_bands_or_no_needs_make_no_cuts() -> None:
    assert placed((1000.0, 40.0, 0.9), bands=0) == []
    assert placed() == []


def test_a_cut_takes_a_few_tenths_of_a_db_less_than_asked() -> None:
    """4.5 dB of 4.625 asked: within 0.2 dB, so no further step of 0.5 dB is spent."""
    assert placed((1000.0, 25.0, 0.9)) == [(1000, -4.5, (0,))]
    assert placed((1000.0, 29.0, 0.9)) == [(1000, -5.0, (0,))]  # 4.725 asked


def test_thinning_counts() -> None:
    bell = Filter(FilterKind.PEAKING, 1000.0, q=1.0, gain_db=-2.0)
    assert placed((1000.0, 40.0, 0.9), thinning=(bell,)) == [(1000, -3.0, (0,))]
    deep = replace(bell, gain_db=-5.0)
    assert placed((1000.0, 40.0, 0.9), thinning=(deep,)) == []


def test_the_menu_holds_what_can_be_dialled_and_makes_sense() -> None:
    menu = _menu(FREE)
    assert (menu.gain_db.max(), menu.gain_db.min()) == (
        -1.0,
        -10.0,
    )  # half a dB is not worth a hand's move
    assert (menu.q.min(), menu.q.max()) == (1.0, 8.0)
    assert menu.q.size == 19 * 10
    narrowest = (menu.gain_db == -6.0) & (menu.q == 8.0)
    assert menu.tone[narrowest] == pytest.approx([bell_area_db(-6.0, 8.0)], rel=1e-4)
    coarse = _menu(replace(FOUR, gain_step_db=3.0))
    assert sorted(set(coarse.gain_db)) == [-9.0, -6.0, -3.0]
    notch = _menu(load_limits("narrow-notch"))
    assert notch.q.tolist() == [14.4]
    # About as a bell of that width and 9 dB.
    assert notch.tone == pytest.approx([bell_area_db(-9.0, notch.q[0])], rel=0.1)


def test_depths_without_a_meaning_in_the_dials_convention_are_not_on_the_menu() -> None:
    menu = _menu(replace(FOUR, q_convention=QConvention.THREE_DB_FROM_FLAT, gain_step_db=1.0))
    assert menu.gain_db.max() == -4.0


def test_stepped_centres_are_those_around_the_rings() -> None:
    thirds = replace(FOUR, steps_per_octave=3)
    (only,) = placed((1100.0, 0.0, 0.9), limits=thirds)
    assert only[0] == 1000
    (upper,) = placed((1150.0, 0.0, 0.9), limits=thirds)
    assert upper[0] == 1260


def test_centres_stay_within_the_equalisers_range_and_below_half_the_rate() -> None:
    low = replace(FREE, min_frequency_hz=100.0, max_frequency_hz=8000.0)
    assert placed((95.0, 0.0, 0.9), limits=low)[0][0] == 100
    assert placed((8200.0, 0.0, 0.9), limits=low)[0][0] == 8000
    needs = needs_of([ring(7900.0, growth_db_per_s=0.0)])
    assert place_cuts(needs, FREE, thinning=(), bands=4, sample_rate_hz=16_000.0) == ()


BELL = Filter(FilterKind.PEAKING, 1000.0, q=8.0, gain_db=-3.0)


def deeper(filter: Filter, *, growth: float, limits: Limits = FREE, **facts: float) -> float:
    needs = needs_of([ring(1000.0, growth_db_per_s=growth)])
    (cut,) = deepened(
        [Cut(filter, (0,))], needs, limits, thinning=(), sample_rate_hz=RATE_HZ, **facts
    )
    return cut.filter.gain_db or 0.0


def test_cuts_are_deepened_until_the_designs_themselves_serve() -> None:
    assert deeper(BELL, growth=0.0) == -3.0  # asked 3 dB
    assert deeper(BELL, growth=40.0) == -5.0  # asked 5 dB
    assert deeper(replace(BELL, gain_db=-4.81), growth=40.0) == -4.81  # within the tolerance
    assert deeper(replace(BELL, gain_db=-4.79), growth=40.0) == -5.29
    stepped = replace(FOUR, gain_step_db=1.5)
    assert deeper(BELL, growth=40.0, limits=stepped) == -6.0


def test_deepening_ends_at_10_db_and_at_the_equalisers_range() -> None:
    beside = replace(BELL, frequency_hz=1200.0, gain_db=-9.0)
    assert deeper(beside, growth=200.0) == -10.0
    assert deeper(beside, growth=200.0, limits=replace(FREE, min_gain_db=-9.5)) == -9.5


def test_a_notch_is_as_deep_as_it_is() -> None:
    notch = Filter(FilterKind.NOTCH, 1200.0, q=14.4)
    needs = needs_of([ring(1000.0)])
    cuts = [Cut(notch, (0,))]
    narrow = load_limits("narrow-notch")
    assert deepened(cuts, needs, narrow, thinning=(), sample_rate_hz=RATE_HZ) == tuple(cuts)
    assert deepened([], needs, narrow, thinning=(), sample_rate_hz=RATE_HZ) == ()


def test_a_cut_is_deepened_for_its_own_rings_only_and_counts_the_others() -> None:
    needs = needs_of([ring(1000.0, growth_db_per_s=0.0), ring(4000.0, growth_db_per_s=40.0)])
    first, second = Cut(BELL, (0,)), Cut(replace(BELL, frequency_hz=4000.0, gain_db=-5.0), (1,))
    assert deepened([first, second], needs, FREE, thinning=(), sample_rate_hz=RATE_HZ) == (
        first,
        second,
    )
    helped = deepened(
        [replace(second, filter=replace(second.filter, gain_db=-3.0))],
        needs,
        FREE,
        thinning=(replace(BELL, frequency_hz=4000.0, gain_db=-2.0),),
        sample_rate_hz=RATE_HZ,
    )
    assert helped[0].filter.gain_db == -3.0


def test_near_half_the_rate_placed_cuts_are_deepened_too() -> None:
    """A digital bell is narrower there than the analogue one that the search counts with."""
    found = placed(
        (15_319.0, 200.0, 0.9), (18_498.0, 100.0, 0.9), limits=load_limits("parametric-6"), bands=2
    )
    assert found == [(15_102, -9.0, (0,)), (18_486, -6.0, (1,))]  # -5.5 by the search alone
