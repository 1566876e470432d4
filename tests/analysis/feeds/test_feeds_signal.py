"""The test signal: told apart by side, rising, gentle, recognised."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from shaping.analysis.feeds.played import (
    FEEDS_LEVEL_DBFS,
    GAP_HZ,
    LOUDEST_DBFS,
    PERIOD,
    SIDES,
    STEPS_DB,
    feeds_signal,
    level_of,
    lines_of,
    period_of,
    stretches,
    whole_size,
)
from shaping.errors import CaptureError, ParameterError


@pytest.fixture(scope="module")
def played():
    return feeds_signal()


def test_it_is_short_and_leaves_room_for_its_peaks(played):
    assert played.shape == (whole_size(), 2)
    assert whole_size() / 48_000 < 20
    assert np.abs(played).max() < 10 ** (-8 / 20)
    loudest = feeds_signal(level_dbfs=LOUDEST_DBFS)
    assert np.abs(loudest).max() < 1.0


def test_stretches_follow_each_other_and_never_fall_but_for_the_sides_alone():
    parts = stretches()
    assert all(a.start + a.size <= b.start for a, b in pairwise(parts))
    levels = [one.level_db for one in parts if one.sides and one.kind != "burst"]
    assert levels == sorted(levels)
    assert sorted({one.level_db for one in parts if one.kind == "step"}) == list(STEPS_DB)


@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_left_and_right_share_no_line_and_leave_the_gap_empty(rate):
    left, right = (set(lines_of(side, rate).tolist()) for side in SIDES)
    assert not left & right
    hertz = np.array(sorted(left | right)) * rate / PERIOD
    assert not ((hertz > GAP_HZ[0]) & (hertz < GAP_HZ[1])).any()
    for side, own in zip(SIDES, (left, right), strict=True):
        power = np.abs(np.fft.rfft(period_of(side, rate))) ** 2
        assert power[sorted(own)].sum() > (1 - 1e-12) * power.sum()
        assert np.mean(period_of(side, rate) ** 2) == pytest.approx(1.0)


def test_each_octave_has_the_same_power():
    """Pink noise. Source: by definition, equal power in bands of equal ratio (IEC 60050-801)."""
    power = np.abs(np.fft.rfft(period_of("left", 48_000))) ** 2
    hertz = np.arange(power.size) * 48_000 / PERIOD
    octaves = [power[(hertz >= low) & (hertz < 2 * low)].sum() for low in (100, 200, 400, 4_000)]
    np.testing.assert_allclose(10 * np.log10(np.array(octaves) / octaves[0]), 0, atol=0.5)


def test_the_hold_has_the_level_that_is_stated(played):
    (hold,) = (one for one in stretches() if one.kind == "hold")
    rms = np.sqrt(np.mean(played[hold.settled].astype(np.float64) ** 2, axis=0))
    np.testing.assert_allclose(20 * np.log10(rms), FEEDS_LEVEL_DBFS, atol=1e-3)


def test_it_is_recognised_at_any_level(played):
    assert level_of(played * np.float32(0.5), 48_000, name="x") == pytest.approx(-30.02, abs=0.01)


@pytest.mark.parametrize("spoil", ["swapped", "cut", "mono", "filtered", "turned"])
def test_what_is_not_the_signal_is_refused(played, spoil):
    spoilt = {
        "swapped": played[:, ::-1],
        "cut": played[:-1],
        "mono": played[:, :1],
        "filtered": np.diff(played, axis=0, prepend=0).astype(np.float32),
        "turned": -played,
    }[spoil]
    with pytest.raises(CaptureError, match=r"not the test signal of feeds.*shaping signal feeds"):
        level_of(spoilt, 48_000, name="x")


@pytest.mark.parametrize("arguments", [{"sample_rate_hz": 32_000}, {"level_dbfs": -17.9}])
def test_what_cannot_be_made_is_refused(arguments):
    with pytest.raises(ParameterError):
        feeds_signal(**arguments)
