"""What a cut of a wedge tells, and what muting and moving would win: records in, verdict out."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from shaping.equaliser.limits_file import load_limits
from shaping.filters.kinds import Filter, FilterKind
from shaping.report.stage_words import remedy_texts
from shaping.stage.loops import joint
from shaping.stage.loops.joint import LoopLevels, WedgeTask, coupling_db
from shaping.stage.loops.joint_search import wedge_menu
from shaping.stage.loops.matrix import PathMatrix
from shaping.stage.loops.together import Remedy, remedies
from shaping.stage.wedge_plan import _planned

FREE = load_limits("free")
CUT = Filter(FilterKind.PEAKING, 1000.0, q=8.0, gain_db=-6.0)
HZ = np.array([500.0, 1000.0, 2000.0])


def cut_reason(worth_db: float, *points: tuple[float, float], q: float = 8.0) -> str:
    hz, level = np.array(points).T
    one = replace(CUT, q=q)
    return _planned(one, worth_db, [one], [(hz, level)], FREE).reason


@pytest.mark.parametrize(
    ("worth_db", "said"),
    [(0.04, "it counts with the other cuts"), (0.06, "all sends together could go up 0.1 dB less")],
)
def test_less_than_shows_is_not_told(worth_db: float, said: str) -> None:
    """The highest point lies where the cut does nothing, so that the wedge alone wins nothing."""
    assert said in cut_reason(worth_db, (990.0, -9.0), (8000.0, 0.0))


@pytest.mark.parametrize(("below_db", "said"), [(0.04, False), (0.06, True)])
def test_what_the_wedge_alone_wins_is_told_where_it_shows(below_db: float, said: bool) -> None:
    told = cut_reason(0.0, (1000.0, below_db), (8000.0, 0.0))
    assert ("this wedge alone could go up 0.1 dB less" in told) is said


def test_the_loop_stands_out_within_the_cuts_width_and_a_24th_of_an_octave() -> None:
    """Half an octave at most; a Q of 8 reaches an eighth."""
    inside, outside = 1000 * 2 ** (1 / 8 + 1 / 24 - 0.002), 1000 * 2 ** (1 / 8 + 1 / 24 + 0.002)
    assert "at 1.12 kHz" in cut_reason(1.0, (1000.0, -9.0), (inside, -5.0), (outside, 0.0))
    inside, outside = 1000 * 2 ** (1 / 2 + 1 / 24 - 0.002), 1000 * 2 ** (1 / 2 + 1 / 24 + 0.002)
    assert "at 1.45 kHz" in cut_reason(1.0, (1000.0, -9.0), (inside, -5.0), (outside, 0.0), q=1.0)


def matrix(*levels_db: tuple[float, float]) -> PathMatrix:
    """Return the paths of one wedge to two mics, the same at every frequency."""
    size = 10 ** (np.array(levels_db, float).reshape(1, 2, 1) / 20)
    response = np.repeat(size, HZ.size, axis=0).astype(complex)
    known = np.ones(response.shape, bool)
    return PathMatrix("", HZ, response, np.zeros(response.shape), known, np.array([0.01]))


def wins(levels_db: tuple[float, float], sends_db: tuple[float, float]) -> dict[tuple, float]:
    sends = 10 ** (np.array([sends_db]) / 20)
    found = remedies([matrix(levels_db)], sends, [np.ones((HZ.size, 1), complex)])
    return {(one.what, one.mic): one.wins_db for one in found}


def test_a_path_6_db_weaker_and_a_send_that_is_muted_win_what_the_sum_loses() -> None:
    """Two equal paths add up to 6.02 dB more than one; one 6 dB weaker leaves 1.5 of 2."""
    found = wins((0.0, 0.0), (0.0, 0.0))
    assert found["mute-send", 0] == found["mute-mic", 0] == pytest.approx(6.02, abs=0.01)
    assert found["weaken-path", 0] == pytest.approx(20 * np.log10(2 / 1.5012), abs=0.01)


def test_a_win_beyond_what_is_looked_at_is_14_db() -> None:
    """One open mic alone: without it nothing howls."""
    found = wins((0.0, -np.inf), (0.0, 0.0))
    assert found["mute-mic", 0] == 14.0


def lines(*wins_db: float) -> tuple[str, ...]:
    kinds = ("mute-send", "mute-mic", "weaken-path", "mute-send")
    named = SimpleNamespace(name="lead")
    plan = SimpleNamespace(
        remedies=[
            Remedy(kind, 0, None if kind == "mute-mic" else 0, db)
            for kind, db in zip(kinds, wins_db, strict=False)
        ],
        stage=SimpleNamespace(mics=[named], wedges=[named]),
        after=object(),
    )
    return remedy_texts(cast("Any", plan))


def test_half_a_db_is_worth_saying_and_each_kind_of_remedy_once() -> None:
    assert "0.5 dB for all" in lines(0.51)[0]
    assert lines(0.49)[0].startswith("No single mic or send")
    assert len(lines(4.0, 3.0, 2.0, 1.0)) == 3
    assert len(lines(4.0, 0.49, 2.0)) == 2


@pytest.mark.parametrize(
    ("bands", "cuts", "taken", "left"),
    [(12, None, 0, 8), (6, None, 1, 5), (12, 3, 0, 3), (1, None, 1, 0)],
)
def test_eight_cuts_of_a_wedge_serve_all_sends(
    bands: int, cuts: int | None, taken: int, left: int
) -> None:
    fixed = [Filter(FilterKind.HIGH_PASS, 100.0, order=2), *[CUT] * taken]
    assert wedge_menu(replace(FREE, bands=bands), fixed, cuts, 48e3).bands == left


def test_coupling_is_the_mean_over_200_hz_to_4_khz() -> None:
    hz = np.array([100.0, 199.0, 201.0, 3999.0, 4001.0, 9000.0])
    size = np.ones((6, 2, 2))
    cross = np.where((hz > 200) & (hz < 4000), 0.5, 50.0)
    size[:, 0, 1] = size[:, 1, 0] = cross
    assert coupling_db([LoopLevels(hz, size)]) == pytest.approx(-6.02, abs=0.01)


@pytest.mark.parametrize(("coupling", "jointly"), [(-9.9, True), (-10.1, False)])
def test_wedges_are_planned_jointly_where_cross_paths_lie_within_10_db(
    monkeypatch: pytest.MonkeyPatch, coupling: float, jointly: bool
) -> None:
    monkeypatch.setattr(joint, "coupling_db", lambda _: coupling)
    hz = np.geomspace(200.0, 5000.0, 40)
    size = np.full((40, 2, 2), 0.05)
    size[20, 0, 0] = size[30, 1, 1] = 0.5
    task = WedgeTask(replace(FREE, bands=0))
    assert joint.joint_cuts([LoopLevels(hz, size)], [task] * 2).joint is jointly
