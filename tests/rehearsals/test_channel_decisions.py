"""What a channel did over the weeks: events in, verdicts out, on both sides of each boundary."""

from __future__ import annotations

from typing import Any

import pytest

from shaping.rehearsals.channels import Channel, channels_of
from shaping.rehearsals.events import Event
from tests.rehearsals.event_makers import event, record


def channel(*records: dict[str, Any]) -> Channel:
    (found,) = channels_of(records)
    return found


def test_events_are_counted_as_sure_from_0_78() -> None:
    found = channel(record("2026-01-04", event(confidence=0.78), event(confidence=0.77), hours=1.5))
    assert (found.events, found.possible, found.hours) == (1, 1, 1.5)
    (day,) = found.days
    assert (day.date, day.hours, day.events) == ("2026-01-04", 1.5, 1)
    assert day.events_per_hour == pytest.approx(2 / 3)


@pytest.mark.parametrize(("frequency_hz", "groups"), [(1014.9, 1), (1015.0, 0)])
def test_events_within_1_5_percent_recur(frequency_hz: float, groups: int) -> None:
    """Source: a loop drifts about 1 % with 5 K of air (kept in the module)."""
    found = channel(record("2026-01-04", event(1000.0), event(frequency_hz)))
    assert len(found.recurring) == groups


def test_the_distance_counts_from_the_lowest_of_the_group() -> None:
    found = channel(record("2026-01-04", *(event(hz) for hz in (1000.0, 1010.0, 1016.0))))
    assert [r.events for r in found.recurring] == [2]


def test_what_recurs_is_told_with_its_worst() -> None:
    one = event(1000.0, confidence=0.9, growth_db_per_s=30.0, over_db=12.0, peak_dbfs=-30.0)
    other = event(1008.0, confidence=0.3, duration_s=3.0, clipped=True)
    (found,) = channel(record("2026-01-11", one), record("2026-01-04", other)).recurring
    assert found.frequency_hz == pytest.approx(1002.0)  # weighed 3 to 1
    assert found.spread_hz == pytest.approx((0.75 * 4 + 0.25 * 36) ** 0.5)
    assert (found.events, found.sure, found.total_s) == (2, 1, 5.0)
    assert found.dates == ("2026-01-04", "2026-01-11")
    assert (found.worst_growth_db_per_s, found.worst_over_db) == (40.0, 15.0)
    assert (found.peak_dbfs, found.clipped, found.confidence) == (-20.0, True, 0.9)


def test_the_most_frequent_come_first_the_sure_before_the_possible() -> None:
    day = record(
        "2026-01-04",
        *(event(3000.0, confidence=0.5) for _ in range(4)),
        *(event(2000.0) for _ in range(2)),
        *(event(500.0) for _ in range(2)),
        *(event(1000.0, confidence=c) for c in (0.9, 0.9, 0.5)),
    )
    assert [r.frequency_hz for r in channel(day).recurring] == pytest.approx(
        [1000.0, 500.0, 2000.0, 3000.0]
    )


DATES = ("2026-01-04", "2026-01-11", "2026-01-18", "2026-01-25", "2026-02-01")


@pytest.mark.parametrize(
    ("counts", "hours", "trend"),
    [
        ((0, 0, 5), (1, 1, 1), "too few dates"),
        # Of five events in the later half of equal hours the chance is 1/32; of four, 1/16.
        ((0, 0, 3, 2), (1, 1, 1, 1), "rising"),
        ((0, 0, 2, 2), (1, 1, 1, 1), "steady"),
        ((3, 2, 0, 0), (1, 1, 1, 1), "falling"),
        ((2, 2, 0, 0), (1, 1, 1, 1), "steady"),
        ((0, 0, 0, 0), (1, 1, 1, 1), "steady"),
        # Three times the hours explain it: 0.75^5 = 0.24.
        ((0, 0, 3, 2), (1, 1, 3, 3), "steady"),
        # One third of the hours: of three events (1/4)^3 = 1/64.
        ((0, 0, 2, 1), (3, 3, 1, 1), "rising"),
        # The middle of five dates belongs to neither half.
        ((0, 0, 9, 2, 2), (1, 1, 1, 1, 1), "steady"),
        ((0, 0, 0, 3, 2), (1, 1, 9, 1, 1), "rising"),
        ((0, 0, 3, 2), (0, 0, 0, 0), "rising"),  # lengths unknown: halves count alike
    ],
)
def test_the_trend_is_an_exact_binomial_test_of_the_later_half(
    counts: tuple[int, ...], hours: tuple[float, ...], trend: str
) -> None:
    """Source: binomial tail probabilities, worked by hand beside each case; 5 % decides."""
    records = [
        record(day, *(event() for _ in range(count)), hours=length)
        for day, count, length in zip(DATES, counts, hours, strict=False)
    ]
    assert channel(*records).trend == trend


def checks(*records: dict[str, Any]) -> list[str]:
    return [check.split(":")[0] for check in channel(*records).checks]


def test_one_sure_event_asks_what_was_changed() -> None:
    assert checks(record("2026-01-04", event())) == ["Gain"]
    assert channel(record("2026-01-04", event())).checks[0].startswith("Gain: look at what was")
    assert checks(record("2026-01-04", event(confidence=0.5))) == []


def test_a_ring_on_several_dates_is_a_matter_of_placement() -> None:
    found = channel(record("2026-01-04", event()), record("2026-01-11", event()))
    assert found.checks == (
        "Placement: 1.00 kHz came back on several dates, so the cause stays where it is. Put the "
        "wedge in the mic's null and the mic closer to the source before cutting.",
    )
    many = [event(hz) for hz in (400.0, 800.0, 1600.0, 3200.0)]
    found = channel(record("2026-01-04", *many), record("2026-01-11", *many))
    assert "400 Hz, 800 Hz, 1.60 kHz came back" in found.checks[0]


@pytest.mark.parametrize(
    ("events", "too_high"),
    [
        ([event(hz) for hz in (400.0, 400.0, 800.0, 800.0, 1600.0, 1600.0)], True),
        ([event(hz) for hz in (400.0, 400.0, 800.0, 800.0, 1600.0)], False),
        ([event(growth_db_per_s=150.1)], True),
        ([event(growth_db_per_s=150.0)], False),
        ([event(growth_db_per_s=999.0, confidence=0.5)], False),
    ],
)
def test_many_or_very_fast_howls_mean_too_much_gain(events: list[Event], too_high: bool) -> None:
    found = channel(record("2026-01-04", *events)).checks
    assert any("simply too high" in check for check in found) is too_high


@pytest.mark.parametrize(("frequency_hz", "told"), [(249.0, True), (250.0, False)])
def test_low_rings_ask_for_the_high_pass(frequency_hz: float, told: bool) -> None:
    day = record("2026-01-04", event(frequency_hz), event(frequency_hz))
    assert ("High-pass" in checks(day)) is told


@pytest.mark.parametrize(("frequency_hz", "told"), [(1014.0, True), (986.0, True), (1016.0, False)])
def test_one_frequency_on_two_channels_may_be_a_copied_setting(
    frequency_hz: float, told: bool
) -> None:
    events = [event(1000.0, channel=1)] * 2 + [event(frequency_hz, channel=2)] * 2
    one, other = channels_of([record("2026-01-04", *events, channels=2)])
    assert (one.name, other.name) == ("channel 1", "channel 2")
    copied = [check for check in one.checks if check.startswith("A copied setting")]
    assert bool(copied) is told
    if told:
        assert copied[0].startswith("A copied setting: 1.00 kHz recurs on channel 2 too.")


def test_possible_rings_of_another_channel_are_no_copied_setting() -> None:
    events = [event(1000.0, channel=1)] * 2 + [event(1000.0, channel=2, confidence=0.5)] * 2
    one, _ = channels_of([record("2026-01-04", *events, channels=2)])
    assert not any("copied" in check for check in one.checks)


def test_channels_are_numbered_in_order_and_files_side_by_side_are_named() -> None:
    tracks = channels_of([record("2026-01-04", channels=11)])
    assert [c.name for c in tracks] == [f"channel {n}" for n in range(1, 12)]
    side = channels_of(
        [
            record("2026-01-04", path="/tapes/vocal.wav"),
            record("2026-01-04", path="/tapes/keys.wav"),
        ]
    )
    assert [c.name for c in side] == ["keys", "vocal"]
    stereo = channels_of(
        [
            record("2026-01-04", path="/tapes/vocal.wav", channels=2),
            record("2026-01-04", path="/tapes/keys.wav"),
        ]
    )
    assert [c.name for c in stereo] == ["keys", "vocal, channel 1", "vocal, channel 2"]
    apart = channels_of(
        [
            record("2026-01-04", path="/tapes/vocal.wav"),
            record("2026-01-04", path="/tapes/keys.wav", hours=1.001),
        ]
    )
    assert [c.name for c in apart] == ["channel 1"]  # 3.6 s longer: not recorded side by side


def test_each_take_keeps_its_own_channels_events() -> None:
    day = record("2026-01-04", event(channel=1), event(2000.0, channel=2), channels=2)
    one, other = channels_of([day])
    assert [e.frequency_hz for e in one.takes[0].events] == [1000.0]
    assert [e.frequency_hz for e in other.takes[0].events] == [2000.0]
    assert (other.takes[0].channel, other.takes[0].duration_s) == (2, 3600.0)
