"""The bound along a walk: close where the mic stands, safe where it moves."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.analysis.walk.along import CHANCE, LONGEST_WALK_S, Walk, along, follow, highest
from shaping.errors import CaptureError
from tests.analysis.walk.walk_makers import RATE_HZ, path, stable_db, walk_of


def followed(capture: np.ndarray, reference: np.ndarray) -> Walk:
    return follow(capture, reference, capture_rate_hz=RATE_HZ, reference_rate_hz=RATE_HZ)


@pytest.fixture(scope="module")
def standing():
    here = path(1)
    return followed(*walk_of(here, here)), stable_db(here)


def test_a_mic_that_stands_is_told_within_a_decibel(standing):
    walk, truth = standing
    found = along(walk)
    low = found.low_db[walk.measured]
    assert walk.measured.sum() >= 8
    assert np.all(low <= truth + 0.1)
    assert np.median(low) > truth - 1.0
    assert np.all(walk.explained[walk.measured] > 0.95)


def test_an_equaliser_moves_the_bound_by_what_it_takes(standing):
    walk, _ = standing
    lower = along(walk, np.full(walk.frequency_hz.size, -6.0)).low_db - along(walk).low_db
    np.testing.assert_allclose(lower[walk.measured], 6.0, atol=1e-3)


def test_a_mic_that_moves_promises_no_more_than_the_worst_of_its_way():
    first, second = path(1), path(2)
    walk = followed(*walk_of(first, second))
    shares = np.linspace(0, 1, 21)
    truths = [stable_db((1 - share) * first + share * second) for share in shares]
    assert np.nanmin(along(walk).low_db) <= min(truths) + 0.5
    moving = walk.explained[walk.measured].min()
    assert moving < 0.99


def test_a_call_into_the_mic_is_left_out():
    here = path(3)
    capture, reference = walk_of(here, here)
    calm = followed(capture, reference)
    call = slice(4 * RATE_HZ, 4 * RATE_HZ + RATE_HZ // 2)
    capture[call] += 0.5 * np.sin(np.arange(RATE_HZ // 2) * 0.2).astype(np.float32)
    called = followed(capture, reference)
    at = called.disturbed
    assert at.any()
    assert np.all((called.stop_s[at] > 3.6) & (called.start_s[at] < 4.9))
    assert np.nanmin(along(called).low_db) > np.nanmin(along(calm).low_db) - 1.0


def test_where_no_noise_played_nothing_is_told():
    here = path(1)
    capture, reference = walk_of(here, here)
    late = np.append(np.zeros(4 * RATE_HZ, np.float32), capture)
    late[: 4 * RATE_HZ] += 1e-3 * np.random.default_rng(0).standard_normal(4 * RATE_HZ)
    walk = followed(late, reference)
    assert not walk.measured[walk.stop_s < 4.0].any()
    assert np.isnan(along(walk).low_db[0])


def test_wrong_references_and_lengths_are_refused():
    capture, reference = walk_of(path(1), path(1))
    other = np.random.default_rng(9).standard_normal(reference.size).astype(np.float32)
    with pytest.raises(CaptureError, match="not to be found"):
        followed(capture, other)
    with pytest.raises(CaptureError, match="at least"):
        followed(capture[: 2 * RATE_HZ], reference)
    long = np.zeros(round(LONGEST_WALK_S * 1000) + 1001, np.float32)
    with pytest.raises(CaptureError, match="too long"):
        follow(long, reference, capture_rate_hz=1000, reference_rate_hz=RATE_HZ)


def test_the_bound_is_between_the_highest_level_and_all_there_may_be():
    size, variance = np.array([1.0, 0.2]), np.array([1e-8, 1e-8])
    assert highest(size, variance, CHANCE)[0] == pytest.approx(1.0, abs=1e-3)
    assert highest(size, variance, CHANCE)[1] == 0
    wide, at = highest(size, np.array([1e-8, 0.5]), CHANCE)
    assert wide > 1.5
    assert at == 1
