"""What is said of each ring and cut, word for word, on both sides of each boundary."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from shaping.analysis.findings import Ring
from shaping.equaliser.limits import Limits
from shaping.equaliser.limits_file import load_limits
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.plan import PlannedFilter, Purpose
from shaping.plan.ring_out.needs import Need
from shaping.plan.ring_out.placing import Cut
from shaping.plan.ring_out.reasons import (
    Outcome,
    cautions,
    planned_cuts,
    planned_thinning,
)
from tests.plan.plan_makers import ring

FOUR = load_limits("parametric-4")
BELL = Filter(FilterKind.PEAKING, 1000.0, q=8.0, gain_db=-6.0)
HIGH_PASS = PlannedFilter(
    Filter(FilterKind.HIGH_PASS, 100.0, order=2), Purpose.THINNING, "starting point"
)
LOW_MID = PlannedFilter(
    Filter(FilterKind.PEAKING, 250.0, q=1.0, gain_db=-6.0), Purpose.THINNING, "starting point"
)
FLAT_START = (
    "The settings start from a flat equaliser: they replace what was dialled in during the "
    "recording, and what was in it before is not known; say it with --in-place."
)


def need(
    hz: float = 1000.0, depth_db: float = 6.0, *, sure: bool = True, onset_s: float = 3.0
) -> Need:
    one = replace(ring(hz, confidence=0.9 if sure else 0.41), onset_s=onset_s)
    return Need(one, depth_db, 0.985 * hz, 1.015 * hz, sure, "grew 100 dB/s")


def outcome(
    needs: Sequence[Need],
    effects_db: Sequence[Sequence[float]],
    *cuts: tuple[int, ...],
    thinning: Sequence[PlannedFilter] = (),
    more: Sequence[Ring] = (),
    limits: Limits = FOUR,
) -> Outcome:
    return Outcome(
        limits=limits,
        rings=(*(n.finding for n in needs), *more),
        needs=tuple(needs),
        thinning=tuple(thinning),
        cuts=tuple(Cut(BELL, members) for members in cuts),
        effect_db=np.array(effects_db, float).reshape(-1, 3),
        sample_rate_hz=48_000.0,
    )


def said(found: Outcome) -> list[str]:
    return cautions(found)


@pytest.mark.parametrize(("effect_db", "served"), [(-5.5, True), (-5.4, False)])
def test_a_ring_that_misses_half_a_db_is_served(effect_db: float, served: bool) -> None:
    found = outcome([need()], [[effect_db, -5.0, -5.0]], (0,))
    assert found.served(0) is served
    told = (
        f"At 1.00 kHz (B5 +21 cents) this equaliser reaches {effect_db:.1f} dB of the -6.0 dB "
        "wanted; a lower fader or a better place for the mic is the better cure."
    )
    assert (told in said(found)) is not served


@pytest.mark.parametrize(("edge_db", "narrow"), [(-4.5, False), (-4.4, True)])
def test_a_cut_narrower_than_drift_is_told(edge_db: float, narrow: bool) -> None:
    for effects in ([-6.0, edge_db, -5.0], [-6.0, -5.0, edge_db]):
        told = [one for one in said(outcome([need()], [effects], (0,))) if "drift" in one]
        assert bool(told) is narrow
    if narrow:
        assert told == [
            "The cut at 1.00 kHz (B5 +21 cents) is narrower than a ring can drift (about 1.5 %): "
            "check again when the room is warm and full, and when the mic has moved."
        ]


def test_who_is_left_unserved() -> None:
    needs = [need(), need(2000.0), need(3000.0, 3.0, sure=False), need(4000.0)]
    found = outcome(needs, [[0, 0, 0], [-6, -6, -6], [0, 0, 0], [-1, -1, -1]], (3,))
    assert found.answered() == {3}
    assert found.unserved() == [0, 2]
    assert found.unserved_sure() == [0]


@pytest.mark.parametrize(
    ("onsets_s", "together"),
    [
        ((1.0, 1.5, 1.9, 2.0), 4),
        ((1.0, 1.5, 1.9, 2.01), 0),  # three is no crowd
        ((0.0, 1.5, 1.9, 2.0, 2.5), 4),
        ((1.0, 1.2, 1.4), 0),
    ],
)
def test_more_than_three_within_a_second_came_up_together(
    onsets_s: tuple[float, ...], together: int
) -> None:
    needs = [need(1000.0 * (n + 1), onset_s=s) for n, s in enumerate(onsets_s)]
    told = [one for one in said(outcome(needs, [[-6, -6, -6]] * len(needs))) if "too high" in one]
    assert told == (
        [
            f"{together} rings came up together: the send was simply too high; a lower fader or a "
            "better place for the mic is the better cure."
        ]
        if together
        else []
    )


def test_possible_rings_do_not_crowd() -> None:
    needs = [need(1000.0 * (n + 1), sure=n < 3) for n in range(4)]
    assert not any("too high" in one for one in said(outcome(needs, [[-6, -6, -6]] * 4)))


@pytest.mark.parametrize(("depth_db", "deep"), [(9.0, True), (8.9, False)])
def test_the_deepest_cut_sends_one_to_look_for_the_cause(depth_db: float, deep: bool) -> None:
    told = said(outcome([need(1000.0, depth_db)], [[-9, -9, -9]], (0,)))
    assert (
        "The evidence at 1.00 kHz (B5 +21 cents) asks for the deepest cut a plan makes, 9 dB: look "
        "for another cause; a lower fader or a better place for the mic is the better cure." in told
    ) is deep


def test_rings_that_ask_for_nothing_are_named_four_at_most() -> None:
    doubtful = [ring(hz, confidence=0.3) for hz in (440.0, 880.0, 1760.0, 3520.0, 7040.0)]
    (_, told) = said(outcome([need()], [[-6, -6, -6]], (0,), more=doubtful))
    assert told == (
        "Possible rings at 440 Hz (A4), 880 Hz (A5), 1.76 kHz (A6) and 3.52 kHz (A7) (and 1 more) "
        "without a cut: the evidence is thin; listen there before you cut."
    )
    (_, told) = said(outcome([need()], [[-6, -6, -6]], (0,), more=doubtful[:4]))
    assert told.startswith("Possible rings at 440 Hz (A4), 880 Hz (A5), 1.76 kHz (A6) and 3.52 kHz")
    assert "more" not in told
    (_, told) = said(outcome([need()], [[-6, -6, -6]], (0,), more=doubtful[:1]))
    assert told.startswith("Possible ring at 440 Hz (A4) without a cut")


def test_no_rings_and_what_the_cuts_count_on() -> None:
    assert said(outcome([], [])) == [
        "No ring was found, so the plan holds no feedback cut and says nothing of how much louder "
        "the wedge may be."
    ]
    both = outcome([need()], [[-6, -6, -6]], (0,), thinning=[HIGH_PASS])
    assert said(both) == [
        FLAT_START,
        "The feedback cuts count on the thinning being dialled in with them.",
    ]
    assert said(outcome([need()], [[-6, -6, -6]], (0,))) == [FLAT_START]
    idle = outcome([], [], thinning=[HIGH_PASS], more=[ring(440.0, confidence=0.2)])
    assert "The feedback cuts count" not in " ".join(said(idle))


def test_rings_of_different_captures_did_not_come_up_together() -> None:
    needs = [need(1000.0 * (n + 1)) for n in range(4)]
    apart = [replace(one, finding=replace(one.finding, capture=n)) for n, one in enumerate(needs)]
    assert any("too high" in one for one in said(outcome(needs, [[-6, -6, -6]] * 4)))
    assert not any("too high" in one for one in said(outcome(apart, [[-6, -6, -6]] * 4)))


def test_a_cut_tells_its_rings_the_first_ones_evidence_and_its_weakest_effect() -> None:
    needs = [need(), need(1010.0), need(1020.0, 3.0, sure=False)]
    found = outcome(needs, [[-6.2, 0, 0], [-5.8, 0, 0], [-4.1, 0, 0]], (0, 1, 2), (0,))
    shared, alone = planned_cuts(found)
    assert shared.reason == (
        "rings at 1.00 kHz (B5 +21 cents) and 1.01 kHz (B5 +39 cents) and possible ring at "
        "1.02 kHz (C6 -44 cents) (confidence 0.41): the first grew 100 dB/s; "
        "-6.2, -5.8 and -4.1 dB at the rings"
    )
    assert shared.effect_db == -4.1
    assert shared.purpose is Purpose.FEEDBACK
    assert alone.reason == "ring at 1.00 kHz (B5 +21 cents): grew 100 dB/s; -6.2 dB at the ring"
    assert alone.effect_db == -6.2
    (doubtful,) = planned_cuts(outcome(needs[2:], [[-3.0, -3.0, -3.0]], (0,)))
    assert doubtful.reason.startswith("possible ring at 1.02 kHz (C6 -44 cents) (confidence 0.41)")


def test_thinning_that_spares_a_ring_its_cut_says_so_where_it_does_most() -> None:
    needs = [need(250.0, 3.0), need(60.0, 3.0), need(255.0, 3.0), need(2000.0, 3.0)]
    effects = [[-5.9] * 3, [-9.0] * 3, [-5.8] * 3, [0.0] * 3]
    found = outcome(needs, effects, thinning=[HIGH_PASS, LOW_MID])
    first, second = planned_thinning(found)
    assert first.reason == (
        "starting point; it spares the ring at 60 Hz (B1 -49 cents) a cut (-9.0 dB there)"
    )
    assert second.reason == (
        "starting point; it spares the rings at 250 Hz (B3 +21 cents) and 255 Hz (C4 -44 cents) a "
        "cut (-5.9 and -5.8 dB there)"
    )
    answered = outcome(needs, effects, (0, 1, 2), thinning=[HIGH_PASS, LOW_MID])
    assert planned_thinning(answered) == [HIGH_PASS, LOW_MID]
    assert planned_thinning(outcome(needs, effects)) == []
