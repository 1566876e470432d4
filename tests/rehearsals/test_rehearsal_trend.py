"""The trend of a channel: what tossing a coin would hardly bring is a trend, nothing else."""

from __future__ import annotations

from typing import Any

import pytest

from shaping.rehearsals.channels import channels_of
from shaping.rehearsals.events import Event

EVENT = Event(1, 1.0, 0.5, 800.0, 60.0, -20.0, 12.0, False, 0.95, "rose").as_record()


def evenings(counts: list[int], hours: list[float] | None = None) -> list[dict[str, Any]]:
    """One recording of one channel each day, with so many sure events."""
    lengths = [1.0] * len(counts) if hours is None else hours
    return [
        {
            "file": f"day{day}.wav",
            "path": f"/takes/day{day}.wav",
            "recorded_on": f"2026-03-{day + 1:02d}",
            "channels": 1,
            "sample_rate_hz": 48_000,
            "duration_s": 3600.0 * length,
            "events": [EVENT] * count,
        }
        for day, (count, length) in enumerate(zip(counts, lengths, strict=True))
    ]


def trend(counts: list[int], hours: list[float] | None = None) -> str:
    (channel,) = channels_of(evenings(counts, hours))
    return channel.trend


@pytest.mark.parametrize(
    ("counts", "expected"),
    [
        ([1, 0, 4, 5], "rising"),  # 9 or more of 10: 11 / 1024 = 0.011
        ([1, 1, 4, 4], "steady"),  # 8 or more of 10: 56 / 1024 = 0.055
        ([0, 0, 2, 3], "rising"),  # 5 of 5: 1 / 32 = 0.031
        ([0, 0, 2, 2], "steady"),  # 4 of 4: 1 / 16 = 0.063
        ([5, 4, 1, 0], "falling"),
        ([0, 0, 0, 0], "steady"),
        ([9, 0, 9], "too few dates"),
    ],
)
def test_one_in_twenty_by_chance_is_a_trend(counts: list[int], expected: str) -> None:
    """Source: binomial coefficients of Pascal's triangle, one side of the sign test."""
    assert trend(counts) == expected


def test_events_are_counted_against_the_hours_recorded() -> None:
    """Source: 9 of 9 where three hours of four are late: 0.75 ** 9 = 0.075, worked by hand."""
    assert trend([0, 0, 4, 5]) == "rising"
    assert trend([0, 0, 4, 5], [0.5, 0.5, 1.5, 1.5]) == "steady"


@pytest.mark.parametrize(
    ("counts", "expected"), [([600, 600, 600, 600], "steady"), ([400, 400, 800, 800], "rising")]
)
def test_thousands_of_events_are_no_obstacle(counts: list[int], expected: str) -> None:
    assert trend(counts) == expected
