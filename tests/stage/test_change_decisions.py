"""What changed since last week: paths in, cause out, on both sides of each boundary."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from shaping.stage.stage_plan import BANDS_HZ, PathRecord
from shaping.stage.weeks.stage_changes import ChangeKind, stage_changes

HZ = np.array(BANDS_HZ)
MICS, WEDGES = ("lead", "choir", "keys"), ("left", "right", "fill")
EVENLY = np.where(np.arange(HZ.size) % 2 == 0, 1.0, -1.0)
"""A change of tone that moves no level: its rms value over the bands is 1 dB."""

WEEK = [PathRecord(mic, wedge, "", -10.0, (-10.0,) * HZ.size, 0.7, 0.01)
        for mic in MICS for wedge in WEDGES]  # fmt: skip


def found(changes: object) -> list[tuple[ChangeKind, str]]:
    return [(one.kind, one.mic or one.wedge) for one in stage_changes(WEEK, changes)]


def on(whose: str, **facts: object) -> list[PathRecord]:
    """Return this week: what each path of a mic or a wedge, in order, is now."""
    number = iter(range(3))
    week = []
    for one in WEEK:
        if whose in (one.mic, one.wedge):
            place = next(number)
            made = {key: value(place) if callable(value) else value for key, value in facts.items()}
            if "bands" in made:
                made["bands_db"] = tuple(np.array(one.bands_db) + made.pop("bands"))
            one = replace(one, **made)
        week.append(one)
    return week


@pytest.mark.parametrize(("level_db", "told"), [(1.4, False), (1.6, True), (-1.6, True)])
def test_one_and_a_half_db_in_every_path_is_a_gain(level_db: float, told: bool) -> None:
    assert found(on("lead", bands=level_db)) == ([(ChangeKind.LEVEL, "lead")] if told else [])


@pytest.mark.parametrize(("tone_db", "told"), [(0.75, False), (0.85, True)])
def test_a_tone_of_0_8_db_rms_in_every_path_is_another_mic(tone_db: float, told: bool) -> None:
    swapped = [(ChangeKind.MIC_SWAPPED, "choir")]
    assert found(on("choir", bands=tone_db * EVENLY)) == (swapped if told else [])


@pytest.mark.parametrize(("own_db", "told"), [(1.4, False), (1.6, True)])
def test_paths_that_each_changed_by_1_2_db_are_of_a_mic_that_turned(
    own_db: float, told: bool
) -> None:
    """Against the median of up, down and unchanged a path of three is off by 0.82 of its change.

    Worked by hand: the median is 0 wherever one path goes up, one down and one stays, so the rms
    of the rest is the root of two thirds of the change; with 1.2 dB the change is 1.47 dB.
    """
    turns = np.array([np.roll(np.tile([1.0, -1.0, 0.0], HZ.size)[: HZ.size], n) for n in range(3)])
    week = on("keys", bands=lambda place: own_db * turns[place])
    assert found(week) == ([(ChangeKind.MIC_TURNED, "keys")] if told else [])


@pytest.mark.parametrize(
    ("later_s", "kind"), [(1.4e-4, ChangeKind.MIC_TURNED), (1.6e-4, ChangeKind.MIC_MOVED)]
)
def test_five_centimetres_of_sound_part_turned_from_moved(later_s: float, kind: ChangeKind) -> None:
    turns = np.array([np.roll(np.tile([3.0, -3.0, 0.0], HZ.size)[: HZ.size], n) for n in range(3)])
    week = on("keys", bands=lambda place: turns[place], delay_s=0.01 + later_s)
    assert found(week) == [(kind, "keys")]


@pytest.mark.parametrize(
    ("highs_db", "kind"),
    [
        (-2.4, ChangeKind.WEDGE_CHANGED),
        (-2.6, ChangeKind.DRIVER_WEAK),
        (-11.9, ChangeKind.DRIVER_WEAK),
        (-12.1, ChangeKind.DRIVER_DEAD),
    ],
)
def test_highs_2_5_db_down_are_weak_and_12_db_down_are_dead(
    highs_db: float, kind: ChangeKind
) -> None:
    week = on("left", bands=np.where(HZ >= 3000, highs_db, 0.0))
    assert found(week) == [(kind, "left")]


@pytest.mark.parametrize(("arrival", "told"), [(-0.14, False), (-0.16, True)])
def test_an_arrival_below_0_15_has_no_sign(arrival: float, told: bool) -> None:
    upside = [(ChangeKind.POLARITY, "lead")]
    assert found(on("lead", arrival=arrival)) == (upside if told else [])


def test_more_than_six_paths_in_ten_upside_down_are_the_mics_own_doing() -> None:
    """Of three paths two are 67 %; with five wedges three are 60 % and not enough."""
    two = on("lead", arrival=lambda place: -0.7 if place < 2 else 0.7)
    assert (ChangeKind.POLARITY, "lead") in found(two)
    wide = [
        PathRecord("lead", f"wedge {n}", "", -10.0, (-10.0,) * HZ.size, 0.7, 0.01) for n in range(5)
    ]
    three = [replace(one, arrival=-0.7) if n < 3 else one for n, one in enumerate(wide)]
    kinds = [one.kind for one in stage_changes(wide, three) if one.wedge is None]
    assert ChangeKind.POLARITY not in kinds
    four = [replace(one, arrival=-0.7) if n < 4 else one for n, one in enumerate(wide)]
    assert ChangeKind.POLARITY in [one.kind for one in stage_changes(wide, four)]
