"""How many cuts pay, what counts of a curve, and what is said: records in, verdict out."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.analysis.findings import LoopResponse
from shaping.equaliser.limits_file import load_limits
from shaping.errors import CaptureError
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.loop.best_cuts import _free_settings, _paying, _stalled, added_gain_db
from shaping.plan.loop.cut_search import _spread
from shaping.plan.loop.level_curve import LevelCurve, highest_of_cells, level_curve, upper_points


@pytest.mark.parametrize(
    ("added_db", "tone_db", "net_db", "paying"),
    [
        ([0.0], [0.0], [0.0], 0),
        ([5.0, 5.31], [0.0, 0.1], [0.0, 0.1], 1),  # 0.3 dB a cut is worth it
        ([5.0, 5.29], [0.0, 0.1], [0.0, 0.1], 0),
        ([5.0, 5.0], [0.5, 0.449], [0.0, 0.1], 1),  # so is 0.05 dB of tone saved
        ([5.0, 5.0], [0.5, 0.46], [0.0, 0.1], 0),
        ([5.0, 9.0], [0.0, 0.1], [0.0, 0.0], 0),  # but never what costs more than it brings
        ([5.0, 5.1, 5.61], [0.0, 0.1, 0.2], [0.0, 0.1, 0.5], 2),  # two that pay together
        ([3.0, 3.11], [0.0, 0.1], [0.0, 0.1], 1),  # short of 4 dB a tenth counts
        ([3.0, 3.09], [0.0, 0.1], [0.0, 0.1], 0),
    ],
)
def test_cuts_pay_by_gain_by_tone_and_by_what_is_wanting(
    added_db: list[float], tone_db: list[float], net_db: list[float], paying: int
) -> None:
    assert _paying(added_db, tone_db, net_db, wanted_db=4.0) == paying


@pytest.mark.parametrize(
    ("net_db", "stalled"),
    [
        ([0.0, 0.1, 0.2], False),
        ([0.0, 0.01, 0.02, 0.024], True),
        ([0.0, 0.01, 0.02, 0.026], False),
        ([0.0, 5.0, 5.01, 5.02, 5.024], True),
        ([0.0, 4.9, 5.0, 5.02, 5.024], False),
    ],
)
def test_the_search_stops_when_three_cuts_bring_less_than_one_should(
    net_db: list[float], stalled: bool
) -> None:
    assert _stalled(net_db) is stalled


def curve(hz: list[float], level_db: list[float], error_db: float = 0.0) -> LevelCurve:
    return LevelCurve(np.array(hz), np.array(level_db), np.full(len(hz), error_db))


def test_the_highest_of_all_curves_counts_with_its_error() -> None:
    one = curve([100.0, 1000.0], [-10.0, -20.0], 1.0)
    other = curve([100.0, 1000.0], [-12.0, -15.0], 2.0)
    hz, level_db = upper_points([one, other], (), sample_rate_hz=48_000.0)
    assert (hz.tolist(), level_db.tolist()) == ([100.0, 1000.0], [-9.0, -13.0])


def test_points_far_below_the_highest_or_above_half_the_rate_do_not_count() -> None:
    one = curve([100.0, 1000.0, 5000.0], [-10.0, -30.0, 0.0])
    hz, _ = upper_points([one], (), sample_rate_hz=10_000.0, reach_db=20.1)
    assert hz.tolist() == [100.0, 1000.0]
    hz, _ = upper_points([one], (), sample_rate_hz=10_000.0, reach_db=20.0)
    assert hz.tolist() == [100.0]


def test_fixed_filters_are_in_the_points() -> None:
    bell = Filter(FilterKind.PEAKING, 1000.0, q=1.0, gain_db=-6.0)
    _, level_db = upper_points([curve([1000.0], [-10.0])], [bell], sample_rate_hz=48_000.0)
    assert level_db == pytest.approx([-16.0])


def test_cells_keep_their_highest_point() -> None:
    # Cells of an octave: 64 to 128, 128 to 256, 512 to 1024 Hz.
    hz = np.array([100.0, 600.0, 127.0, 128.0, 900.0])
    at = highest_of_cells(hz, np.array([-5.0, -3.0, -4.0, -9.0, -3.5]), 1)
    assert at.tolist() == [2, 3, 1]


def test_filters_add_what_the_highest_point_loses() -> None:
    bell = Filter(FilterKind.PEAKING, 1000.0, q=4.0, gain_db=-6.0)
    two = curve([1000.0, 4000.0], [-10.0, -13.0])
    assert added_gain_db([two], [bell], sample_rate_hz=48_000.0) == pytest.approx(3.0, abs=0.1)
    assert added_gain_db([two], (), sample_rate_hz=48_000.0) == 0.0
    worse = curve([4000.0], [-11.0])
    assert added_gain_db([two, worse], [bell], sample_rate_hz=48_000.0) == pytest.approx(
        1.0, abs=0.1
    )


def response(trusted: list[bool]) -> LoopResponse:
    size = len(trusted)
    return LoopResponse(
        frequency_hz=100.0 * np.arange(1, size + 1),
        response=np.full(size, 0.1 + 0j),
        coherence=np.ones(size),
        error_db=0.5 * np.arange(size),
        variance=np.zeros(size),
        excited=np.ones(size, bool),
        trusted=np.array(trusted),
        delay_s=0.01,
        clock_ppm=0.0,
        coherence_median=1.0,
    )


def test_a_level_curve_holds_what_can_be_trusted() -> None:
    found = level_curve(response([True, False, True]))
    assert found.frequency_hz.tolist() == [100.0, 300.0]
    assert found.level_db == pytest.approx([-20.0, -20.0])
    assert found.error_db.tolist() == [0.0, 1.0]
    with pytest.raises(CaptureError, match="No frequency"):
        level_curve(response([False, False]))


def test_sliders_that_thinning_uses_are_taken() -> None:
    graphic = load_limits("graphic-31")
    fixed = [
        Filter(FilterKind.HIGH_PASS, 100.0, order=2),
        Filter(FilterKind.PEAKING, 250.0, q=4.32, gain_db=-3.0),
    ]
    settings = _free_settings(graphic, fixed, 48_000.0)
    everything = _free_settings(graphic, fixed[:1], 48_000.0)
    assert settings is not None
    assert everything is not None
    assert 250.0 not in settings.centres_hz
    assert 100.0 in settings.centres_hz
    assert len(settings.centres_hz) == len(everything.centres_hz) - 1
    parametric = _free_settings(load_limits("free"), fixed, 48_000.0)
    assert parametric is not None
    assert not parametric.one_per_centre


@pytest.mark.parametrize(
    ("count", "most", "spread"),
    [(1, 5, [0]), (3, 5, [0, 1, 2]), (9, 5, [0, 2, 4, 6, 8]), (100, 3, [0, 50, 99])],
)
def test_indices_are_spread_with_both_ends(count: int, most: int, spread: list[int]) -> None:
    assert _spread(count, most).tolist() == spread
