"""The depth a ring asks for, term by term: a ring in, a depth out.

Expected depths are worked by hand from the rule in `shaping.plan.ring_out.needs`: 3 dB first
(common practice, no published source), growth times loop delay plus 4 dB where it was seen growing,
and the additions for returning, clipping and later rings.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from shaping.analysis.findings import Recurring, Ring
from shaping.plan.ring_out.needs import Need, need_of, need_of_recurring, needs_of
from tests.plan.plan_makers import ring


def depth_db(one: Ring, **options: float) -> float:
    need = need_of(one, **options)  # type: ignore[arg-type]
    assert need is not None
    return need.depth_db


@pytest.mark.parametrize(
    ("growth_db_per_s", "expected_db"),
    [
        (0.0, 3.0),  # rang on, not seen growing: the first cut alone
        (-20.0, 3.0),  # a fall is no growth
        (1.0, 4.025),
        (40.0, 5.0),  # 40 dB/s round 25 ms are 1 dB too much, and 4 dB of margin
        (100.0, 6.5),
        (200.0, 9.0),
        (1000.0, 9.0),  # never more than 9 dB
    ],
)
def test_growth_times_the_loops_delay_and_a_margin(
    growth_db_per_s: float, expected_db: float
) -> None:
    assert depth_db(ring(900.0, growth_db_per_s=growth_db_per_s)) == pytest.approx(expected_db)


def test_a_known_loop_delay_takes_the_place_of_25_ms() -> None:
    assert depth_db(ring(900.0, growth_db_per_s=100.0), loop_delay_s=0.010) == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("occurrences", "expected_db"), [(0, 3.0), (1, 3.0), (2, 3.5), (3, 4.0), (4, 4.0), (9, 4.0)]
)
def test_each_return_asks_for_half_a_db_twice_at_most(occurrences: int, expected_db: float) -> None:
    one = ring(900.0, growth_db_per_s=0.0, occurrences=occurrences)
    assert depth_db(one) == pytest.approx(expected_db)


def test_clipping_asks_for_one_db_more() -> None:
    assert depth_db(ring(900.0, growth_db_per_s=40.0, clipped=True)) == pytest.approx(6.0)


@pytest.mark.parametrize(
    ("later", "expected_db"), [(0, 5.0), (1, 5.5), (5, 7.5), (6, 8.0), (7, 8.0)]
)
def test_each_ring_after_it_asks_for_half_a_db_3_db_at_most(later: int, expected_db: float) -> None:
    assert depth_db(ring(900.0, growth_db_per_s=40.0), later=later) == pytest.approx(expected_db)


def test_rings_count_as_later_beyond_half_a_second_and_only_sure_ones() -> None:
    first = replace(ring(300.0, growth_db_per_s=40.0), onset_s=3.0)
    together = replace(ring(900.0, growth_db_per_s=40.0), onset_s=3.5)
    after = replace(ring(2500.0, growth_db_per_s=40.0), onset_s=3.51)
    possible = replace(ring(5000.0, confidence=0.77), onset_s=9.0)

    def depths(*rings: Ring) -> list[float]:
        return [need.depth_db for need in needs_of(rings) if need.sure]

    assert depths(first, together) == pytest.approx([5.0, 5.0])
    assert depths(first, after) == pytest.approx([5.5, 5.0])
    assert depths(first, possible) == pytest.approx([5.0])


@pytest.mark.parametrize(
    ("confidence", "sure"), [(0.78, True), (0.7799, False), (0.25, False), (0.2499, None)]
)
def test_the_sure_and_those_worth_a_gentle_cut(confidence: float, sure: bool | None) -> None:
    need = need_of(ring(900.0, growth_db_per_s=100.0, confidence=confidence))
    assert (need.sure if need else None) is sure


def test_a_possible_ring_gets_the_first_cut_alone_whatever_speaks_for_more() -> None:
    one = ring(900.0, growth_db_per_s=300.0, confidence=0.4, occurrences=3, clipped=True)
    need = need_of(one, later=4)
    assert need is not None
    assert need.depth_db == 3.0
    assert "rang after it" not in need.why


def test_a_possible_ring_must_have_grown_or_come_back() -> None:
    still = ring(900.0, growth_db_per_s=0.0, confidence=0.4)
    assert need_of(still) is None
    assert need_of(replace(still, growth_db_per_s=5.0)) is not None
    assert need_of(replace(still, occurrences=2)) is not None


def test_at_most_three_possible_rings_the_most_confident_after_the_sure() -> None:
    possible = [ring(200.0 * 2**n, confidence=c) for n, c in enumerate((0.3, 0.45, 0.26, 0.4))]
    found = needs_of([*possible, ring(150.0)])
    assert [need.finding.confidence for need in found] == [0.9, 0.45, 0.4, 0.3]


def limits_hz(need: Need | None) -> tuple[float, float]:
    assert need is not None
    return need.low_hz, need.high_hz


def test_a_ring_drifts_by_1_5_percent_its_width_and_twice_its_error() -> None:
    """Source: resonances follow the speed of sound, 0.18 % per kelvin (kept in the module)."""
    one = replace(ring(1000.0), frequency_error_hz=0.5)
    assert limits_hz(need_of(one)) == pytest.approx((984.0, 1016.0))
    assert limits_hz(need_of(replace(one, width_hz=10.0))) == pytest.approx((979.0, 1021.0))


def test_the_range_of_drift_stays_within_an_octave_to_either_side() -> None:
    one = replace(ring(100.0), frequency_error_hz=90.0, width_hz=400.0)
    assert limits_hz(need_of(one)) == (50.0, 200.0)


def test_the_evidence_is_told() -> None:
    need = need_of(ring(900.0, growth_db_per_s=40.0, occurrences=3, clipped=True), later=2)
    assert need is not None
    assert need.why == (
        "grew 40 dB/s (0.6 to 3.8 dB too much), came back 2 times, "
        "ran into clipping, 2 more rang after it"
    )
    quiet = need_of(ring(900.0, growth_db_per_s=0.0, occurrences=2))
    assert quiet is not None
    assert quiet.why == "rang on, not seen growing, came back once"


def recurring(**facts: Any) -> Recurring:
    plain: dict[str, Any] = {
        "frequency_hz": 1000.0,
        "spread_hz": 0.0,
        "events": 4,
        "sure": 2,
        "dates": ("2026-01-04", "2026-01-11"),
        "total_s": 8.0,
        "worst_growth_db_per_s": 40.0,
        "worst_over_db": 12.0,
        "peak_dbfs": -20.0,
        "clipped": False,
        "confidence": 0.9,
    }
    return Recurring(**(plain | facts))


@pytest.mark.parametrize(
    ("facts", "depth_db"),
    [
        ({}, 5.0),
        ({"worst_growth_db_per_s": 0.0}, 3.0),
        ({"worst_growth_db_per_s": -9.0}, 3.0),
        ({"clipped": True}, 6.0),
        ({"events": 99, "dates": ("2026-01-04",) * 9}, 5.0),  # how often counts for nothing
        ({"worst_growth_db_per_s": 999.0}, 9.0),
    ],
)
def test_what_recurs_over_rehearsals_asks_by_its_growth(
    facts: dict[str, Any], depth_db: float
) -> None:
    assert need_of_recurring(recurring(**facts)).depth_db == pytest.approx(depth_db)


def test_what_recurs_spreads_and_is_sure_or_not() -> None:
    need = need_of_recurring(recurring(spread_hz=6.0))
    # 1.5 %, the spread, and twice its error, 6 / sqrt(4).
    assert (need.low_hz, need.high_hz) == pytest.approx((973.0, 1027.0))
    assert need.sure
    assert not need_of_recurring(recurring(sure=0)).sure
    assert need.why == "howled 4 times on 2 dates, growing by up to 40 dB/s"
    once = recurring(dates=("2026-01-04",), worst_growth_db_per_s=0.0)
    assert need_of_recurring(once).why == "howled 4 times on 1 date"
