"""Mains hum and steadiness: levels in, verdict out, on both sides of each boundary."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.capture import steadiness
from shaping.capture.hum import Hum, _lines
from shaping.capture.steadiness import level_steadiness


def lines(
    heights_db: dict[float, float], *, moving_db: float = 1.0, mains_hz: int = 50
) -> Hum | None:
    """Return the hum in a flat spectrum with lines of so many dB at so many hertz; 0.5 Hz a bin."""
    low = np.full(1480, 1e-8)
    for hz, height_db in heights_db.items():
        low[round(2 * hz)] = 1e-8 * 10 ** (height_db / 10)
    return _lines(low, low * 10 ** (moving_db / 10), mains_hz, 10.0)


@pytest.mark.parametrize(
    ("heights_db", "hum"),
    [
        ({50: 10.1, 100: 10.1, 150: 10.1}, True),
        ({50: 10.1, 100: 10.1, 150: 9.9}, False),  # one stands out too little
        ({50: 20.1, 250: 10.1}, True),  # a strong one may do with one companion
        ({50: 19.9, 250: 10.1}, False),
        ({100: 25.1}, True),  # and a very strong one with none
        ({100: 24.9}, False),
        ({150: 40.0}, False),  # but neither the fundamental nor its double is missing
        ({150: 40.0, 250: 40.0, 350: 40.0}, False),
    ],
)
def test_three_harmonics_or_a_strong_one_are_hum(heights_db: dict[float, float], hum: bool) -> None:
    assert (lines(heights_db) is not None) is hum


@pytest.mark.parametrize(("moving_db", "hum"), [(2.9, True), (3.1, False)])
def test_hum_holds_its_level_within_3_db(moving_db: float, hum: bool) -> None:
    """Between the low percentile and the median over time; of noise they are 4.9 dB apart."""
    assert (lines({50: 30, 100: 30, 150: 30}, moving_db=moving_db) is not None) is hum


def test_twelve_harmonics_are_looked_at() -> None:
    found = lines({50: 30, 550: 30, 600: 30, 650: 30})
    assert found is not None
    assert found.harmonics == (1, 11, 12)


@pytest.mark.parametrize(("hz", "found"), [(502.0, True), (503.0, False), (498.0, True)])
def test_mains_run_within_a_fifth_of_a_hertz_of_50(hz: float, found: bool) -> None:
    """Of the tenth harmonic 2 Hz, four bins."""
    hum = lines({50: 30, 100: 30, hz: 30})
    assert hum is not None
    assert (10 in hum.harmonics) is found


def test_the_level_is_the_root_of_the_sum_of_squares() -> None:
    found = lines({50: 40, 100: 40, 150: 40})
    assert found is not None
    assert found.level == pytest.approx(np.sqrt(3 * 1e-4), rel=0.01)
    assert found.mains_hz == 50
    assert lines({50: 40, 100: 40, 150: 40}, mains_hz=60) is None


def steady(monkeypatch: pytest.MonkeyPatch, levels_db: list[float]):
    monkeypatch.setattr(steadiness, "_levels_db", lambda *_: np.array(levels_db))
    return level_steadiness(np.zeros(1, np.float32), 48_000)


def test_two_seconds_are_the_least_and_three_frames_at_either_end_are_left_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert steady(monkeypatch, [-20.0] * 13) is None  # 7 of them are left
    found = steady(monkeypatch, [-20.0] * 14)
    assert found is not None
    assert (found.spread_db, found.drift_db, found.low_share, found.snr_db) == (0, 0, 0, None)


@pytest.mark.parametrize(("floor_db", "told"), [(-21.9, False), (-22.1, True)])
def test_ends_2_db_under_the_noise_are_the_floor(
    monkeypatch: pytest.MonkeyPatch, floor_db: float, told: bool
) -> None:
    found = steady(monkeypatch, [floor_db] * 6 + [-20.0] * 20 + [floor_db] * 6)
    assert found is not None
    assert (found.snr_db is not None) is told
    if told:  # Source: powers subtract: 2.1 dB over the floor is noise 2.1 dB down.
        assert found.snr_db == pytest.approx(10 * np.log10(10**0.21 - 1))


def test_reverberation_5_db_down_is_no_more_of_the_noise(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    tail = [-24.9, -25.1, -30.0, -40.0, -40.0, -40.0, -40.0]
    found = steady(monkeypatch, [-40.0] * 6 + [-20.0] * 20 + tail)
    assert found is not None
    # 21 frames of noise, three left out at either end; the last but three is the noise's own.
    assert found.spread_db == 0.0
    more = steady(monkeypatch, [-40.0] * 6 + [-20.0] * 20 + [-24.9] * 4 + tail)
    assert more is not None
    assert more.spread_db > 0.5


@pytest.mark.parametrize(("low_db", "share"), [(-29.9, 0.0), (-30.1, 2 / 14)])
def test_frames_10_db_down_are_gaps(
    monkeypatch: pytest.MonkeyPatch, low_db: float, share: float
) -> None:
    levels = [-20.0] * 20
    levels[8] = levels[9] = low_db
    found = steady(monkeypatch, levels)
    assert found is not None
    assert found.low_share == pytest.approx(share)
    assert found.first_low_s == (2.0 if share else 0.0)  # a quarter of a second a frame


def test_levels_are_those_of_500_hz_to_3_5_khz_in_frames_of_a_quarter_of_a_second() -> None:
    rate = 16_000
    time = np.arange(4 * rate) / rate
    for hz, heard in ((480.0, False), (520.0, True), (3480.0, True), (3520.0, False)):
        tone = 0.5 * np.sin(2 * np.pi * hz * time)
        levels = steadiness._levels_db(tone.astype(np.float32), rate)
        assert levels.size == 16
        assert bool(levels.mean() > 0.0) is heard
