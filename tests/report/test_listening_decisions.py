"""What decides in a pair: which moments howl, how the gain follows, what is held down and told."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.report.listening import words
from shaping.report.listening.matching import HOWL_CAP_DB, howl_steps, louder_db, match
from shaping.report.listening.pair import RenderedPair
from shaping.report.listening.rise import WARNED_RISE_DB, rise_of


def steps(*levels_db: tuple[float, int]) -> np.ndarray:
    return np.concatenate([np.full(count, 10.0 ** (level / 10)) for level, count in levels_db])


def test_a_howl_counts_from_a_second_before_to_two_after() -> None:
    marked = howl_steps([(5.0, 6.0)], 100)
    assert np.flatnonzero(marked).tolist() == list(range(40, 80))
    assert not howl_steps([], 5).any()
    assert howl_steps([(0.2, 9.0)], 30).all()


def test_the_gain_follows_what_is_not_howl_and_the_howl_is_never_louder() -> None:
    """Music loses 3 dB, then 1 dB; a howl of 20 dB more loses 9, another gains 2."""
    without = steps((-30, 60), (-10, 20), (-30, 60), (-10, 20), (-30, 40))
    with_plan = steps((-33, 60), (-19, 20), (-31, 60), (-8, 20), (-31, 40))
    howling = np.zeros(200, dtype=bool)
    howling[60:80] = howling[140:160] = True
    found = match(without, with_plan, howling, equally_loud=True)
    assert found is not None
    gain = found.with_db - found.without_db
    assert gain[30] == pytest.approx(3.0, abs=0.01)
    assert gain[110] == pytest.approx(1.0, abs=0.01)
    difference = 10 * np.log10(with_plan / without) + gain
    assert difference[howling].max() <= 0.05  # at its edges, over 0.4 s
    assert difference[145] == pytest.approx(0.0, abs=0.05)  # what the plan raises is not raised
    assert found.howl_cut_db == pytest.approx(20 - 10 * np.log10((10**1.1 + 10**2.2) / 2), abs=0.01)
    assert found.held_down_db == pytest.approx(20.0 - HOWL_CAP_DB, abs=0.01)
    assert found.without_db[~howling][[0, 100]].tolist() == [0.0, 0.0]
    true = match(without, with_plan, howling, equally_loud=False)
    assert true is not None
    assert np.array_equal(true.with_db, true.without_db)
    assert true.held_down_db == found.held_down_db


@pytest.mark.parametrize(("around", "turned_down"), [(False, (7, 14)), (True, (6, 15))])
def test_a_louder_moment_is_turned_down_by_what_it_is_louder(around, turned_down) -> None:
    without = steps((-30, 20))
    with_plan = without.copy()
    with_plan[10] *= 4.0
    over_db = louder_db(without, with_plan, around=around)
    assert np.flatnonzero(over_db).tolist() == list(range(*turned_down))
    assert over_db[10] == pytest.approx(10 * np.log10(7 / 4))  # of a moment: (3 + 4) / 4
    assert not louder_db(without, without, around=around).any()
    assert not louder_db(without[:3], with_plan[9:12], around=around).any()  # shorter than one


def test_no_moment_is_louder_after_that(rng) -> None:
    without, with_plan = 10 ** rng.uniform(-5, -3, (2, 200))
    turned = with_plan / 10 ** (louder_db(without, with_plan, around=False) / 10)
    before, after = (np.convolve(power, np.ones(4), "valid") for power in (without, turned))
    assert (after <= before * (1 + 1e-9)).all()


@pytest.mark.parametrize(("level_db", "counts"), [(-39.9, True), (-40.1, False)])
def test_a_moment_40_db_quieter_does_not_count(level_db, counts) -> None:
    quiet_db = level_db - 10 * np.log10(2)  # half of the whole is loud: its mean is 3 dB less
    over_db = louder_db(steps((0, 50), (-200, 50)), steps((0, 50), (quiet_db, 50)), around=False)
    assert (over_db[60:] > 0).all() == counts
    assert (over_db[60:] > 0).any() == counts
    assert over_db.max() < 15.0  # down to 50 dB quieter, not to silence


def test_a_quiet_howl_is_left_as_it_is() -> None:
    level = steps((-30, 100))
    howling = np.arange(100) >= 50
    found = match(level, level, howling, equally_loud=True)
    assert found is not None
    assert found.held_down_db == 0.0


def test_where_nothing_but_howl_sounds_the_true_difference_is_kept() -> None:
    found = match(steps((-20, 50)), steps((-26, 50)), np.ones(50, dtype=bool), equally_loud=True)
    assert found is not None
    assert not found.equally_loud
    assert found.with_db.tolist() == found.without_db.tolist() == [0.0] * 50
    assert found.change_db == pytest.approx(-6.0)


def test_silence_has_no_loudness() -> None:
    silent = np.zeros(50)
    assert match(silent, silent, silent > 0, equally_loud=True) is None


@pytest.mark.parametrize(("rise_db", "told"), [(5.9, False), (6.1, True)])
def test_a_rise_of_more_than_6_db_over_the_first_seconds_is_told(rise_db, told) -> None:
    assert WARNED_RISE_DB == 6.0
    found = rise_of(steps((-200, 7), (-40, 50), (-40 + rise_db, 20), (-40, 10)))
    assert (found is not None) is told
    if found is not None:
        assert found.rise_db == pytest.approx(rise_db, abs=0.01)
        assert 5.3 <= found.at_s <= 5.7


def test_what_has_no_beginning_has_no_rise() -> None:
    assert rise_of(np.zeros(50)) is None
    assert rise_of(steps((-40, 3))) is None


def pair(**facts) -> RenderedPair:
    plain = {
        "without_path": "a-without.wav",
        "with_path": "a-with.wav",
        "equally_loud": True,
        "loudness_lufs": -27.4,
        "without_gain_db": 0.0,
        "with_gain_low_db": 1.2,
        "with_gain_high_db": 5.3,
        "plan_loudness_change_db": -2.6,
        "howl_cut_db": None,
        "howls_held_down_db": 0.0,
        "rise": None,
    }
    return RenderedPair(**(plain | facts))


def test_the_true_difference_is_always_told() -> None:
    matched = " ".join(words.pair_texts(pair()))
    assert "In truth the plan makes it 2.6 dB quieter: hear that with --true-level." in matched
    assert "+1.2 dB to +5.3 dB" in matched
    true = " ".join(words.pair_texts(pair(equally_loud=False, plan_loudness_change_db=0.3)))
    assert "At their true levels: the plan makes it 0.3 dB louder" in true
    howled = " ".join(words.pair_texts(pair(howl_cut_db=8.7, howls_held_down_db=25.1)))
    assert (
        "Where it howls the plan takes 8.7 dB. Howls are held down in both, by up to 25.1 dB"
        in (howled)
    )
