"""From measures to a confidence: trees, circumstances, and what caps them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from shaping.analysis.ring_out.rings import CERTAIN
from shaping.rehearsals import model
from shaping.rehearsals.features import NAMES, Features
from shaping.rehearsals.model import (
    BENDS_AT,
    CIRCUMSTANCES,
    FASTEST_SEEN_DB_PER_S,
    GREATEST_JUMP_DB,
    GROWTH_SEEN_DB,
    LEAST_COMPANY,
    Trees,
    circumstances,
    confidence_of,
    reason_for,
    seen_growing,
    straightened,
    weighed,
)


def features(**values: float) -> Features:
    usual = dict.fromkeys(NAMES, 0.0) | {
        "frequency_hz": 1_000.0,
        "line_db": 20.0,
        "line_db_per_s": 60.0,
        "jump_db": 2.0,
        "growth_db_per_s": 60.0,
    }
    return Features(**(usual | values))


def test_a_tree_goes_right_above_its_bars():
    trees = Trees(
        feature=np.array([[0, 1, 1]]),
        bar=np.array([[1.0, 5.0, 7.0]]),
        leaf=np.array([[1.0, 2.0, 4.0, 8.0]]),
        start=0.5,
    )
    found = [trees.total(np.array(v)) for v in ((1.0, 5.0), (1.0, 5.1), (1.1, 7.0), (1.1, 7.1))]
    assert found == [1.5, 2.5, 4.5, 8.5]


@pytest.mark.parametrize(
    ("change", "seen"),
    [
        ({}, True),
        ({"line_db": GROWTH_SEEN_DB - 0.1}, False),
        ({"line_db_per_s": FASTEST_SEEN_DB_PER_S + 1}, False),
        ({"jump_db": GREATEST_JUMP_DB + 0.1}, False),
    ],
)
def test_growth_is_seen_where_it_is_high_and_slow_enough(change, seen):
    assert seen_growing(features(**change)) is seen


def test_what_was_never_seen_growing_is_never_certain():
    """However sure the trees are, and whatever else speaks for it."""
    for evidence in (3.0, 10.0, 100.0):
        unseen, seen = weighed([evidence, evidence], [0, 50], [1, 51], [700, 1_900], [False, True])
        assert confidence_of(unseen) < CERTAIN
        assert confidence_of(seen) >= CERTAIN or evidence < 10


def test_howl_like_tones_at_other_pitches_speak_for_notes():
    pitches = [440 * 2 ** (k / 12) for k in (0, 2, 4, 7, 9)]
    times = [float(k) for k in range(5)]
    alone = weighed([2.0], [0.0], [0.8], [440.0], [True])[0]
    among = weighed([2.0] * 5, times, [t + 0.8 for t in times], pitches, [True] * 5)
    assert among[0] < alone - 0.5
    far = weighed(
        [2.0] * 5, [40 * t for t in times], [40 * t + 1 for t in times], pitches, [True] * 5
    )
    assert far[0] == pytest.approx(alone)


def test_two_howls_at_once_do_not_speak_against_each_other():
    alone = weighed([2.0], [0.0], [3.0], [700.0], [True])[0]
    both = weighed([2.0, 2.0], [0.0, 0.5], [3.0, 3.5], [700.0, 1_930.0], [True, True])
    assert both[0] > alone
    weak = weighed([2.0, LEAST_COMPANY], [0.0, 0.5], [3.0, 3.5], [700.0, 1_930.0], [True, True])
    assert weak[0] == pytest.approx(alone)


def test_circumstances_count_pitches_once_and_leave_multiples_out():
    rows = circumstances(
        [0.0, 0.0, 0.0, 0.0, -3.0],
        [0.0, 2.0, 4.0, 6.0, 8.0],
        [1.0, 3.0, 5.0, 7.0, 9.0],
        [500.0, 702.0, 703.0, 1_000.0, 1_300.0],
    )
    assert rows[0].tolist() == pytest.approx(
        [1.0, 0.0, math.log1p(2), LEAST_COMPANY, LEAST_COMPANY]
    )
    assert rows.shape[1] == len(CIRCUMSTANCES)


def test_circumstances_know_the_same_again_and_what_is_beside():
    again = circumstances([0.0, 0.5], [0.0, 5.0], [1.0, 6.0], [500.0, 502.0])
    assert again[:, 3].tolist() == [0.5, 0.0]
    assert again[:, 4].tolist() == [LEAST_COMPANY] * 2
    beside = circumstances([0.0, 0.5], [0.0, 0.5], [1.0, 6.0], [500.0, 702.0])
    assert beside[:, 4].tolist() == [0.5, 0.0]
    assert beside[:, 3].tolist() == [LEAST_COMPANY] * 2


def test_no_candidates_no_odds():
    assert weighed([], [], [], [], []) == []


def test_the_reason_says_whether_growth_was_seen():
    grown = reason_for(features(), 0.9, grew=True, clipped=False)
    assert grown.startswith("grew 60 dB/s")
    unseen = reason_for(features(), 0.7, grew=False, clipped=False)
    assert "was not seen growing" in unseen
    assert unseen.startswith("possible ring")


def test_odds_bend_at_their_places_and_never_fall():
    total = np.array([-1.0, BENDS_AT[0], 1.0, BENDS_AT[1], 3.0])
    assert straightened(total, [0.5, 2.0, -1.0, -0.5]).tolist() == [-1.5, 0.5, 1.5, 2.5, 3.0]
    assert np.all(np.cumsum(model._model().bends[1:]) > 0)


def test_the_committed_model_is_whole():
    trees = model._model().trees
    assert trees.feature.shape == trees.bar.shape
    assert trees.leaf.shape == (trees.bar.shape[0], trees.bar.shape[1] + 1)
    assert trees.feature.max() < len(NAMES)
    assert len(model._model().weights) == len(CIRCUMSTANCES)
