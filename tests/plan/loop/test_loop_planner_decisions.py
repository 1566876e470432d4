"""What is said of a loop's plan: records in, sentences out, on both sides of each boundary."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from shaping.analysis.findings import CriticalFrequency, Resonance
from shaping.equaliser.limits_file import load_limits
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.assemble import GAVE_WAY
from shaping.plan.loop.best_cuts import OptimisedCuts
from shaping.plan.loop.choice import Choice
from shaping.plan.loop.level_curve import LevelCurve
from shaping.plan.loop.planner import (
    PLAIN,
    WITHHELD,
    _choice_cautions,
    _highest_near,
    _loop_cautions,
    _merged,
    _planned_cuts,
)
from shaping.plan.loop.wishes import Wishes
from shaping.plan.plan import LoopSummary, Purpose

FREE = load_limits("free")


def loop(**facts: Any) -> LoopSummary:
    plain: dict[str, Any] = {
        "stable_gain_db": -10.0,
        "stable_gain_after_db": -7.0,
        "added_stable_gain_db": 3.0,
        "in_phase_stable_gain_db": -9.0,
        "in_phase_stable_gain_after_db": -6.0,
        "critical": (),
        "coherence_median": 0.9,
        "stable_gain_error_db": 0.1,
        "stable_gain_by_capture_db": (-10.0,),
        "added_by_capture_db": (3.0,),
        "added_by_cuts_db": (0.5, 2.0, 3.0, 3.1),
        "paying_cuts": 2,
        "tone_removed_db": 0.3,
        "delay_known": True,
    }
    return LoopSummary(**(plain | facts))


def test_a_plain_plan_needs_no_caution() -> None:
    assert _loop_cautions(loop(), 2, PLAIN) == []


def test_a_same_start_that_cannot_be_is_told() -> None:
    asked = Wishes(same_start=True)
    (said,) = _loop_cautions(loop(delay_known=False), 2, asked)
    assert said.startswith("The sound arrives too early or too late")
    assert _loop_cautions(loop(delay_known=True), 2, asked) == []
    assert _loop_cautions(loop(delay_known=False), 2, PLAIN) == []


def test_a_withheld_gain_is_all_that_is_said() -> None:
    assert _loop_cautions(loop(stable_gain_db=math.nan), 2, PLAIN) == [WITHHELD]


def test_the_spread_over_captures_is_told() -> None:
    (said,) = _loop_cautions(loop(stable_gain_by_capture_db=(-8.0, -10.04, -9.0)), 2, PLAIN)
    assert said == (
        "Over 3 captures the stable gain runs from -10.0 to -8.0 dB; the plan is judged by the "
        "worst."
    )


@pytest.mark.parametrize(
    ("planned", "asked", "told"), [(3, 3, True), (2, 3, False), (3, None, False)]
)
def test_cuts_asked_for_beyond_those_that_pay_are_told(
    planned: int, asked: int | None, told: bool
) -> None:
    said = _loop_cautions(loop(added_by_cuts_db=(0.0, 3.0, 4.0, 4.1)), planned, Wishes(cuts=asked))
    assert ("After 2 cuts a further one adds less than 0.3 dB." in said) is told


@pytest.mark.parametrize(
    ("curve", "planned", "little"),
    [
        ((0.5, 0.85), 1, False),  # 0.35 dB for each cut
        ((0.5, 0.84), 1, True),
        ((0.5, 0.85, 1.2), 2, False),
        ((0.5, 0.85, 1.1), 2, True),
        ((0.5, 1.25, 2.0), 5, True),  # fewer points than cuts: the last counts
        ((0.5, 0.5), 0, False),
    ],
)
def test_cuts_that_add_little_send_one_to_the_mic(
    curve: tuple[float, ...], planned: int, little: bool
) -> None:
    said = _loop_cautions(loop(added_by_cuts_db=curve), planned, PLAIN)
    assert any("moving the mic or the wedge" in one for one in said) is little


def chosen(tone_db: float = 0.3, *, gave_way: bool = False) -> Choice:
    cuts = OptimisedCuts((CUT,), 4.0, 0.0, (0.0, 4.0), (0.0, tone_db), 1, tone_db, 4.0)
    return Choice((), cuts, gave_way=gave_way)


def test_bands_that_are_missing_given_up_or_costly_are_told() -> None:
    curves = [curve((1000.0, -5.0), (4000.0, -10.0))]

    def said(choice: Choice, bands: int = 8) -> list[str]:
        return _choice_cautions(choice, curves, replace(FREE, bands=bands), PLAIN, 48_000.0)

    assert said(chosen()) == []
    assert said(chosen(), bands=0) == ["The equaliser free has no band for feedback cuts."]
    assert said(chosen(gave_way=True)) == [GAVE_WAY]
    (costly,) = said(chosen(3.1))
    assert costly.startswith("The cuts take 3.1 dB off the wedge on average")
    assert said(chosen(3.0)) == []


def resonance(hz: float, prominence_db: float) -> Resonance:
    return Resonance(hz, prominence_db, 10.0, 0.3, 1.0, 1.0)


@pytest.mark.parametrize(("hz", "count"), [(1029.2, 1), (1029.4, 2), (971.6, 1), (971.4, 2)])
def test_resonances_within_a_24th_of_an_octave_are_one(hz: float, count: int) -> None:
    found = _merged([[resonance(1000.0, 9.0)], [resonance(hz, 6.0)]])
    assert len(found) == count
    assert found[0].prominence_db == 9.0


def test_sixteen_resonances_of_all_captures_the_most_prominent_first() -> None:
    many = [resonance(100.0 * 1.2**n, float(n)) for n in range(20)]
    assert [one.prominence_db for one in _merged([many[:10], many[10:]])] == [
        float(n) for n in range(19, 3, -1)
    ]


def curve(*points: tuple[float, float]) -> LevelCurve:
    hz, level_db = (np.array(part) for part in zip(*points, strict=True))
    return LevelCurve(hz, level_db, np.zeros(hz.size))


CUT = Filter(FilterKind.PEAKING, 1000.0, q=8.0, gain_db=-6.0)


def test_the_highest_point_within_a_cuts_reach() -> None:
    """An eighth of an octave and a 24th for a Q of 8; half an octave at most."""
    inside, outside = 1000 * 2 ** (1 / 8 + 1 / 24 - 0.001), 1000 * 2 ** (1 / 8 + 1 / 24 + 0.001)
    found = _highest_near(CUT, [curve((990.0, -9.0), (inside, -5.0), (outside, 0.0))], [], 48_000.0)
    assert found == pytest.approx(inside)
    wide = replace(CUT, q=1.0)
    far = 1000 * 2 ** (0.5 + 1 / 24 + 0.001)
    near = 1000 * 2 ** (0.5 + 1 / 24 - 0.001)
    found = _highest_near(wide, [curve((near, -5.0), (far, 0.0))], [], 48_000.0)
    assert found == pytest.approx(near)
    assert _highest_near(CUT, [curve((5000.0, 0.0))], [], 48_000.0) == 1000.0


def test_the_others_count_and_all_captures_do() -> None:
    one, other = curve((990.0, -5.0), (1010.0, -6.0)), curve((1005.0, -7.0))
    assert _highest_near(CUT, [one, other], [], 48_000.0) == 990.0
    beside = Filter(FilterKind.PEAKING, 985.0, q=40.0, gain_db=-6.0)
    assert _highest_near(CUT, [one, other], [beside], 48_000.0) == 1010.0


def planned(critical: list[CriticalFrequency]) -> list[str]:
    curves = [curve((1000.0, -5.0), (4000.0, -9.0))]
    found = _planned_cuts(chosen(), curves, FREE, 48_000.0, critical)
    assert [one.purpose for one in found] == [Purpose.FEEDBACK]
    assert found[0].effect_db == pytest.approx(-6.0, abs=0.01)
    return [one.reason for one in found]


def test_a_cut_tells_where_the_loop_howls_and_what_it_is_worth() -> None:
    """Without it the top is -5 dB, with it -9: 4 dB less."""
    end = "; without this cut the plan adds 4.0 dB less"
    howls = "the loop can howl at 1.00 kHz (B5 +21 cents) from +5.0 dB of send"
    plain = "highest point near here at 1.00 kHz (B5 +21 cents)"
    assert planned([CriticalFrequency(1000.0, 5.0)]) == [howls + end]
    assert planned([CriticalFrequency(1029.0, 5.0)]) == [howls + end]
    assert planned([CriticalFrequency(1030.0, 5.0)]) == [plain + end]
    assert planned([]) == [plain + end]
