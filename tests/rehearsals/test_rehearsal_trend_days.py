"""Whether a channel howls more often lately."""

from __future__ import annotations

import pytest

from shaping.rehearsals.trend import Day, trend_of


def days(*counts, hours=1.0):
    return [Day(f"2026-03-{day:02}", hours, count) for day, count in enumerate(counts, start=1)]


@pytest.mark.parametrize(
    ("counts", "trend"),
    [
        ((3, 3, 3), "too few dates"),
        ((0, 0, 0, 0), "steady"),
        # All of n in one half: 0.5^n. Source: the binomial distribution itself.
        ((0, 0, 2, 2), "steady"),  # 0.0625
        ((0, 0, 2, 3), "rising"),  # 0.03125
        ((3, 2, 0, 0), "falling"),
        ((2, 2, 0, 0), "steady"),
        ((0, 0, 9, 2, 3), "rising"),  # the middle date counts for neither half
        ((400, 400, 400, 400), "steady"),
        ((600, 600, 400, 400), "falling"),
        ((2_000, 3_000, 4_000, 5_000), "rising"),
        ((10**6, 10**6, 10**6, 10**6), "steady"),
    ],
)
def test_the_later_half_is_set_beside_the_earlier(counts, trend):
    """Beyond about 1,030 events the sum of binomials overflowed."""
    assert trend_of(days(*counts)) == trend


def test_hours_count_not_dates():
    twice_as_long = [*days(5, 5), *days(10, 10, hours=2.0)]
    assert trend_of(twice_as_long) == "steady"
    assert trend_of(days(5, 5, 10, 14)) == "rising"
    assert trend_of(days(1, 2, 3, 4, hours=0.0)) == "steady"
