"""From candidates to events: what is joined, dropped, weakened, listed and said."""

from __future__ import annotations

import math
from dataclasses import fields
from typing import Any

import pytest
from scipy.optimize import brentq

from shaping.rehearsals.detector import Candidate
from shaping.rehearsals.events import Event
from shaping.rehearsals.features import Features
from shaping.rehearsals.judging import events_of
from shaping.rehearsals.model import (
    CERTAIN,
    LEAST_COMPANY,
    circumstances,
    confidence_of,
    reason_for,
    weighed,
)
from shaping.rehearsals.table import Row, events_csv


def features(frequency_hz: float = 1000.0, **facts: float) -> Features:
    plain = {field.name: 0.0 for field in fields(Features)}
    plain |= {"peak_dbfs": -20.0, "growth_db_per_s": 40.0, "best_dominance_db": 12.0}
    return Features(**(plain | {"frequency_hz": frequency_hz} | facts))


def candidate(
    start_s: float, stop_s: float, *, evidence: float = 3.0, grew: bool = True, **facts: Any
) -> Candidate:
    return Candidate(start_s, stop_s, evidence, grew, features(**facts))


def alone(evidence: float) -> float:
    """Return the log-odds of a tone that grew and has no company."""
    return weighed([evidence], [0.0], [1.0], [1000.0], [True])[0]


def times(*candidates: Candidate, listed: float = 0.25) -> list[tuple[float, float]]:
    found = events_of(candidates, channel=1, listed=listed)
    return [(round(e.start_s, 3), round(e.duration_s, 3)) for e in found]


@pytest.mark.parametrize(("gap_s", "events"), [(0.59, 1), (0.6, 2)])
def test_a_howl_that_breaks_off_for_less_than_0_6_s_is_one_event(gap_s: float, events: int) -> None:
    assert len(times(candidate(1.0, 2.0), candidate(2.0 + gap_s, 4.0))) == events


@pytest.mark.parametrize(
    ("frequency_hz", "events"), [(1009.9, 1), (1010.1, 2), (990.2, 1), (990.0, 2)]
)
def test_what_is_joined_lies_within_a_percent(frequency_hz: float, events: int) -> None:
    late = candidate(2.1, 3.0, frequency_hz=frequency_hz)
    assert len(times(candidate(1.0, 2.0), late)) == events


def test_a_joined_event_spans_both_and_keeps_the_surer_ones_measures() -> None:
    late = candidate(1.5, 1.8, evidence=5.0, frequency_hz=1005.0)
    (event,) = events_of([late, candidate(1.0, 2.0, evidence=1.0)], channel=3)
    assert (event.channel, event.start_s, event.stop_s) == (3, 1.0, 2.0)
    assert event.frequency_hz == 1005.0
    assert event.confidence == pytest.approx(confidence_of(alone(5.0)))


@pytest.mark.parametrize("grew", [(True, False), (False, True)])
def test_a_joined_event_was_seen_growing_if_one_part_was(grew: tuple[bool, bool]) -> None:
    early, late = candidate(1.0, 2.0, grew=grew[0]), candidate(2.1, 3.0, grew=grew[1])
    (event,) = events_of([early, late], channel=1)
    assert event.confidence == pytest.approx(confidence_of(alone(3.0)))
    assert event.reason.startswith("grew 40 dB/s")


def test_what_was_not_seen_growing_is_possible_and_said() -> None:
    (event,) = events_of([candidate(1.0, 2.0, evidence=9.0, grew=False)], channel=1)
    assert event.confidence < CERTAIN
    assert event.reason.startswith("possible ring: was not seen growing")


def test_three_that_follow_each_other_are_one() -> None:
    parts = [candidate(float(n), n + 0.9) for n in range(3)]
    assert times(*reversed(parts)) == [(0.0, 2.9)]


@pytest.mark.parametrize(
    ("high", "dropped"),
    [
        ({"frequency_hz": 3000.0}, True),
        ({"frequency_hz": 3011.0}, True),
        ({"frequency_hz": 3013.0}, False),  # off by more than 0.4 %
        ({"frequency_hz": 8000.0}, True),
        ({"frequency_hz": 9000.0}, False),  # too high a harmonic to tell
        ({"frequency_hz": 2500.0}, False),
        ({"frequency_hz": 3000.0, "peak_dbfs": -10.0}, False),  # no harmonic is louder
        ({"frequency_hz": 3000.0, "peak_dbfs": -5.0}, False),
    ],
)
def test_a_harmonic_of_a_louder_howl_is_dropped_and_tells_that_it_clipped(
    high: dict[str, float], dropped: bool
) -> None:
    low = candidate(1.0, 4.0, peak_dbfs=-10.0)
    found = events_of([low, candidate(2.0, 3.0, **high)], channel=1)
    assert len(found) == (1 if dropped else 2)
    assert found[0].clipped is dropped


@pytest.mark.parametrize(("stop_s", "dropped"), [(3.1, True), (3.0, False)])
def test_a_harmonic_sounds_with_its_howl_for_more_than_half_its_time(
    stop_s: float, dropped: bool
) -> None:
    low = candidate(1.0, stop_s, peak_dbfs=-10.0)
    high = candidate(2.0, 4.0, frequency_hz=2000.0)
    assert len(events_of([low, high], channel=1, listed=0.0)) == (1 if dropped else 2)


@pytest.mark.parametrize(("evidence", "dropped"), [(0.0, True), (-0.1, False)])
def test_only_a_likely_howl_drops_its_harmonics(evidence: float, dropped: bool) -> None:
    low = candidate(1.0, 4.0, evidence=evidence, peak_dbfs=-10.0)
    high = candidate(2.0, 3.0, frequency_hz=2000.0)
    assert len(events_of([low, high], channel=1, listed=0.0)) == (1 if dropped else 2)


def test_an_event_keeps_what_was_measured() -> None:
    one = candidate(1.0, 2.5, growth_db_per_s=-3.0, peak_dbfs=1.5)
    (event,) = events_of([one], channel=2)
    assert (event.growth_db_per_s, event.peak_dbfs, event.over_db) == (0.0, 0.0, 12.0)
    assert event.duration_s == 1.5


@pytest.mark.parametrize(("odds", "listed"), [(-0.40, True), (-0.41, False)])
def test_two_fifths_sure_is_listed(odds: float, listed: bool) -> None:
    """ln(0.4 / 0.6) = -0.4055."""
    evidence = brentq(lambda amount: alone(amount) - odds, -10, 10)
    assert bool(events_of([candidate(1.0, 2.0, evidence=evidence)], channel=1)) is listed


@pytest.mark.parametrize(
    ("evidence", "confidence"),
    [(0.0, 0.5), (1.0986123, 0.75), (-1.0986123, 0.25), (1e9, 1.0), (-1e9, 9.4e-14)],
)
def test_confidence_is_the_logistic_of_evidence(evidence: float, confidence: float) -> None:
    assert confidence_of(evidence) == pytest.approx(confidence, rel=0.01)


def company(*others: tuple[float, float, float]) -> tuple[int, bool]:
    """Return what others (evidence, start, frequency) are to 1 kHz from 100 s to 101 s.

    How many other pitches, and whether it is the same again. Each other one lasts a second.
    """
    evidence, start_s, hz = zip((2.0, 100.0, 1000.0), *others, strict=True)
    stop_s = [start + 1.0 for start in start_s]
    row = circumstances(evidence, start_s, stop_s, hz)[0]
    return round(math.expm1(row[2])), bool(row[3] > LEAST_COMPANY)


@pytest.mark.parametrize(
    ("others", "pitches"),
    [
        ([], 0),
        ([(0.0, 110.0, 1300.0)], 1),
        ([(0.0, 110.0, 1300.0), (0.0, 90.0, 1305.0)], 1),  # one semitone
        ([(0.0, 110.0, 1300.0), (0.0, 90.0, 1700.0)], 2),
        ([(0.0, 101.0 + n, 1300.0 * 1.1**n) for n in range(4)], 4),
        ([(0.0, 101.0 + n, 1300.0 * 1.1**n) for n in range(7)], 7),
        ([(0.0, 111.9, 1300.0)], 1),
        ([(0.0, 112.0, 1300.0)], 0),  # 12 s later
        ([(0.0, 88.1, 1300.0)], 1),
        ([(0.0, 88.0, 1300.0)], 0),
        ([(0.0, 101.0, 1300.0)], 1),
        ([(-3.4, 110.0, 1300.0)], 1),  # hardly howl-like itself
        ([(0.0, 110.0, 1019.0)], 0),  # the same pitch
        ([(0.0, 110.0, 1021.0)], 1),
        ([(0.0, 110.0, 2000.0)], 0),  # a multiple, or the other way round
        ([(0.0, 110.0, 500.0)], 0),
        ([(0.0, 110.0, 2030.0)], 1),
        ([(0.0, 110.0, 2019.0)], 0),
    ],
)
def test_howl_like_neighbours_at_other_pitches_make_it_music(
    others: list[tuple[float, float, float]], pitches: int
) -> None:
    assert company(*others)[0] == pitches
    odds = weighed(
        *zip(
            *[(2.0, 100.0, 101.0, 1000.0, True)]
            + [(evidence, start_s, start_s + 1.0, hz, True) for evidence, start_s, hz in others],
            strict=True,
        )
    )[0]
    assert (odds < alone(2.0)) is (pitches > 0)


def test_another_howl_at_the_same_time_speaks_for_both() -> None:
    assert company((0.0, 100.9, 1300.0)) == (0, False)
    both = weighed([2.0, 0.0], [100.0, 100.9], [101.0, 101.9], [1000.0, 1300.0], [True] * 2)
    assert both[0] > alone(2.0)


@pytest.mark.parametrize(
    ("other", "again"),
    [
        ((0.0, 500.0, 1009.0), True),  # however much later
        ((0.0, 500.0, 1011.0), False),
        ((0.0, 500.0, 991.0), True),
        ((0.0, 500.0, 990.0), False),
        ((0.0, 100.5, 1000.0), False),  # not again, but still
        ((-1.9, 500.0, 1000.0), True),
        ((-2.0, 500.0, 1000.0), False),
    ],
)
def test_the_same_frequency_again_speaks_for_a_loop(
    other: tuple[float, float, float], again: bool
) -> None:
    assert company(other) == (0, again)
    evidence, start_s, hz = other
    both = weighed(
        [2.0, evidence], [100.0, start_s], [101.0, start_s + 1], [1000.0, hz], [True] * 2
    )
    assert (both[0] > alone(2.0)) is again


PLAIN = {
    "growth_db_per_s": 40.0,
    "stand_off_db": 18.0,
    "steady_s": 1.26,
    "wander_cents": 2.4,
    "harmonic_db": -40.0,
    "partner_db": -30.0,
}
GREW = "grew 40 dB/s along a straight line"
STOOD = "stood 18 dB over its neighbours for 1.3 s"
HELD = "held 1.00 kHz within 2 cents"
ALONE = "no family of harmonics"


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({}, [GREW, STOOD, HELD, ALONE]),
        ({"bend_db": 1.1}, [GREW, STOOD, HELD, ALONE]),
        ({"bend_db": 1.2}, ["grew 40 dB/s unevenly", STOOD, HELD, ALONE]),
        ({"growth_db_per_s": 1.0}, ["was not seen growing", STOOD, HELD, ALONE]),
        ({"growth_db_per_s": 1.6}, ["grew 2 dB/s along a straight line", STOOD, HELD, ALONE]),
        (
            {"stand_off_db": -1.0},
            [GREW, "stood 0 dB over its neighbours for 1.3 s", HELD, ALONE],
        ),
        ({"wander_cents": 0.2}, [GREW, STOOD, "held 1.00 kHz within 1 cent", ALONE]),
        ({"wander_cents": 5.9}, [GREW, STOOD, "held 1.00 kHz within 6 cents", ALONE]),
        ({"wander_cents": 6.0}, [GREW, STOOD, "wandered by 6 cents", ALONE]),
        ({"harmonic_db": -20.0}, [GREW, STOOD, HELD, ALONE]),
        ({"harmonic_db": -19.9}, [GREW, STOOD, HELD, "has harmonics"]),
        ({"partner_db": -20.0}, [GREW, STOOD, HELD]),
        ({"hold_db": 8.0}, [GREW, STOOD, HELD, ALONE]),
        ({"hold_db": 8.1}, [GREW, STOOD, HELD, ALONE, "went on when the rest fell away"]),
    ],
)
def test_the_reason_is_told_in_words(facts: dict[str, float], words: list[str]) -> None:
    told = reason_for(features(**(PLAIN | facts)), 0.9, grew=True, clipped=False)
    assert told == ", ".join(words)


def test_clipping_and_doubt_are_told() -> None:
    clipped = reason_for(features(**PLAIN), 0.78, grew=True, clipped=True)
    assert clipped == ", ".join([GREW, STOOD, HELD, "has harmonics, as when clipped"])
    doubtful = reason_for(features(**PLAIN), 0.779, grew=True, clipped=False)
    assert doubtful.startswith("possible ring: grew 40 dB/s")


def test_growth_that_was_not_seen_is_told() -> None:
    told = reason_for(features(**PLAIN), 0.9, grew=False, clipped=False)
    assert told == ", ".join(["was not seen growing", STOOD, HELD, ALONE])


def test_the_table_has_a_line_an_event_rounded_to_what_it_is_worth() -> None:
    event = Event(2, 1.23456, 2.0, 440.126, 33.36, -12.34, 9.99, False, 0.91234, "grew, stood")
    row = Row("a,b.wav", "=lead", "2026-03-08", "19:30:05", "name", event)
    assert events_csv([row]) == (
        "file,channel,start_s,duration_s,frequency_hz,note,third_octave_hz,growth_db_per_s,"
        "peak_dbfs,confidence,reason,recorded_on,clock,channel_name,dated_by\n"
        '"a,b.wav",2,1.235,2.000,440.13,A4,400,33.4,-12.3,0.912,"grew, stood",'
        "2026-03-08,19:30:05,'=lead,name\n"
    )
    assert event.as_record() == {
        "channel": 2,
        "start_s": 1.235,
        "duration_s": 2.0,
        "frequency_hz": 440.13,
        "growth_db_per_s": 33.4,
        "peak_dbfs": -12.3,
        "over_db": 10.0,
        "clipped": False,
        "confidence": 0.912,
        "reason": "grew, stood",
    }
