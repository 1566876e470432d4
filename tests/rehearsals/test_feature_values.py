"""Measures of one tone on power spectra written by hand, so that each has one right answer."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.rehearsals.features import Features, measure
from shaping.rehearsals.frames import Grid

GRID = Grid(sample_rate_hz=10_000, length=1000, hop=200, first_bin=10, stop_bin=411)
"""Bins of 10 Hz from 100 Hz, a frame every 20 ms, the middle of the first at 50 ms."""

PLACE = 90  # 1 kHz
FRAMES = 200
FIRST, LAST = 100, 180  # rows in which the tone has peaks


def power_of(
    level_db: np.ndarray, *, floor_db: float = -90.0, rest_db: object = -90.0
) -> np.ndarray:
    """Return spectra of a tone at one bin, a floor in all, and something else at bin 300."""
    power = np.full((FRAMES, 401), 10 ** (floor_db / 10))
    power[:, PLACE] = 10 ** (level_db / 10)
    power[:, 300] += 10 ** (np.broadcast_to(np.asarray(rest_db, float), FRAMES) / 10)
    return power.astype(np.float32)


def howl_db() -> np.ndarray:
    """50 dB/s (1 dB a frame) from -80 dB at row 90 up to -20 dB at row 150, then level."""
    return np.clip(-80.0 + (np.arange(FRAMES) - 90), -80.0, -20.0)


def measured(
    level_db: np.ndarray | None = None,
    power: np.ndarray | None = None,
    *,
    first: int = FIRST,
    last: int = LAST,
    swing: float = 0.0,
    glide: float = 0.0,
) -> Features:
    level = howl_db() if level_db is None else level_db
    power = power_of(level) if power is None else power
    frame = np.arange(first, last + 1) + 1000
    steps = np.arange(frame.size)
    position = PLACE + swing * (-1.0) ** steps + glide * steps
    return measure(
        frame,
        position.astype(np.float32),
        level[first : last + 1].astype(np.float32),
        power,
        power.sum(axis=1),
        1000,
        GRID,
    )


def howl() -> Features:
    return measured()


def test_frequency_level_and_time() -> None:
    found = howl()
    assert found.frequency_hz == pytest.approx(1000.0)
    assert found.peak_dbfs == -20.0
    # Within 20 dB of the top from row 130 to 180, within 6 dB from row 144.
    assert found.start_s == pytest.approx(0.05 + 1130 * 0.02)
    assert found.duration_s == pytest.approx(51 * 0.02)
    assert found.steady_s == pytest.approx(37 * 0.02)


def test_the_rise_is_a_straight_line_of_50_db_a_second() -> None:
    found = howl()
    assert found.growth_db_per_s == pytest.approx(50.0, abs=0.1)
    assert found.bend_db == pytest.approx(0.0, abs=0.01)
    assert found.curve_db == pytest.approx(0.0, abs=0.01)
    # From 25 dB below the top, or rather the last row at or below it, to 2 dB below the top.
    assert found.rise_db == pytest.approx(23.5, abs=0.6)
    assert found.rise_s == pytest.approx(14.0 / 50.0, abs=0.01)
    assert found.straight_db == pytest.approx(54.0, abs=0.2)  # 55 frames, the longest line
    assert found.straight_s == pytest.approx(55 * 0.02)
    assert found.straight_db_per_s == pytest.approx(50.0, abs=0.1)


def test_the_plateau_is_level() -> None:
    found = howl()
    assert found.plateau_slope_db_per_s == pytest.approx(0.7, abs=0.8)  # two dB of rise are in it
    assert found.plateau_ripple_db < 0.4
    falling = howl_db() - np.maximum(np.arange(FRAMES) - 150, 0) * 0.1
    fell = measured(falling)
    assert fell.plateau_slope_db_per_s == pytest.approx(-4.3, abs=0.3)


def test_a_swell_bends_where_a_howl_does_not() -> None:
    """A rise by the square root of time is ahead of its chord in the middle."""
    rows = np.arange(FRAMES)
    level = np.clip(-35.0 + 15.0 * np.sqrt(np.clip((rows - 100) / 50, 0, 1)), -80.0, -20.0)
    level[:100] = -80.0
    found = measured(level)
    assert found.curve_db > 1.5
    assert found.bend_db > 0.3


def test_it_stands_off_its_neighbours_and_dominates_the_rest() -> None:
    level = howl_db()
    power = power_of(level, floor_db=-60.0, rest_db=-40.0)
    found = measured(level, power)
    assert found.stand_off_db == pytest.approx(40.0, abs=0.3)
    # 400 bins of floor and the other tone, over the 1.5 by which a Hann window spreads a sine.
    rest_db = 10 * np.log10((394 * 10**-6.0 + 10**-4.0) / 1.5)
    assert found.dominance_db == pytest.approx(-20.0 - rest_db, abs=0.3)
    assert found.best_dominance_db == pytest.approx(-20.0 - rest_db, abs=0.3)


def test_it_is_louder_than_the_second_before_at_its_place() -> None:
    assert howl().over_before_db == pytest.approx(25.5, abs=0.6)  # at its foot
    level = howl_db()
    level[60:80] = -30.0  # another tone there, within a second before the first peak
    found = measured(level)
    assert found.over_before_db == pytest.approx(10.0, abs=0.1)
    early = howl_db()
    early[30:49] = -30.0  # more than a second before
    found = measured(early)
    assert found.over_before_db > 20.0


@pytest.mark.parametrize(
    ("hz", "harmonic_db", "partner_db"),
    [
        (2000.0, -15.0, -60.0),
        (3000.0, -15.0, -60.0),
        (4000.0, -15.0, -60.0),
        (500.0, -60.0, -15.0),
        (330.0, -60.0, -15.0),
        (670.0, -60.0, -15.0),
        (1500.0, -60.0, -15.0),
        (1250.0, -60.0, -60.0),
    ],
)
def test_its_family_is_heard(hz: float, harmonic_db: float, partner_db: float) -> None:
    level = howl_db()
    power = power_of(level)
    power[:, round(hz / 10) - 10] = power[:, PLACE] * 10**-1.5
    found = measured(level, power)
    assert found.harmonic_db == pytest.approx(harmonic_db, abs=0.6)
    assert found.partner_db == pytest.approx(partner_db, abs=0.6)
    # What rises along is a sibling: by 11 dB from the middle of rows 8 to 4 before the entry to
    # row 5 after it; from 6 to 18 dB it counts more and more.
    assert found.siblings == pytest.approx((11 - 6) / 12 if hz != 1250.0 else 0.0, abs=0.01)


def test_a_partner_that_was_there_before_is_no_sibling() -> None:
    level = howl_db()
    power = power_of(level)
    power[:, 190] = 10**-3.5
    found = measured(level, power)
    assert found.harmonic_db == pytest.approx(-15.0, abs=0.7)
    assert found.siblings == 0.0


def test_a_stroke_is_what_rises_along_and_a_hold_what_falls_away() -> None:
    level = howl_db()
    fall_db = 10 * np.log10((10**-4 + 394e-9) / (10**-6 + 394e-9))  # the floor sounds with it
    entry = 138  # the row at which it is within 12 dB of its top
    struck = measured(level, power_of(level, rest_db=np.where(np.arange(FRAMES) < entry, -60, -40)))
    assert struck.stroke_db == pytest.approx(fall_db, abs=0.05)
    calm = measured(level, power_of(level, rest_db=-40.0))
    assert calm.stroke_db == pytest.approx(0.0, abs=0.1)
    held = measured(level, power_of(level, rest_db=np.where(np.arange(FRAMES) < 160, -40, -60)))
    assert held.hold_db == pytest.approx(fall_db, abs=0.05)
    assert calm.hold_db == pytest.approx(0.0, abs=0.1)


def test_pitch_wanders_and_drifts_in_cents() -> None:
    """A bin of 10 Hz at 1 kHz is 17.3 cents."""
    cents = 1200 * np.log2(1010 / 1000) * 1.005
    wavering = measured(swing=0.2)
    assert wavering.wander_cents == pytest.approx(0.2 * cents, rel=0.03)
    assert wavering.drift_cents < 0.5
    gliding = measured(glide=0.01)
    # 37 loud frames.
    assert gliding.drift_cents == pytest.approx(0.36 * cents, rel=0.05)
    assert gliding.wander_cents < 0.05


def test_one_other_tone_does_not_hide_a_howl_two_do() -> None:
    """Floor: 394 bins of -90 dB, and 1.5 for the window: -65.8 dB."""
    level = howl_db()
    one = power_of(level, rest_db=-10.0)
    assert measured(level, one).dominance_db == pytest.approx(-20 + 10 + 1.8, abs=0.1)
    assert measured(level, one).second_dominance_db == pytest.approx(-20 + 65.8, abs=0.2)
    two = one.copy()
    two[:, 200] = 10**-1.5
    assert measured(level, two).second_dominance_db == pytest.approx(-20 + 15 + 1.8, abs=0.1)


def test_a_stroke_rises_over_the_whole_band_another_howl_in_one_place() -> None:
    level = howl_db()
    late = np.arange(FRAMES) >= 138
    another = measured(level, power_of(level, rest_db=np.where(late, -20, -60)))
    assert another.stroke_db > 30
    assert another.spread_stroke_db == pytest.approx(0.0, abs=0.6)  # one bin of a hundred
    wide = power_of(level)
    wide[late] += 1e-7
    # From 12 frames of which some lie before the stroke: as much as the whole band rises.
    assert measured(level, wide).spread_stroke_db == pytest.approx(20.0, abs=0.3)


def test_a_staircase_stands_still_where_growth_does_not() -> None:
    """Both rise by 1 dB a frame over all frames before the plateau, one of them 6 dB at a time."""
    rise = np.arange(FRAMES) - 150
    even, stairs = (np.minimum(-20.0 + level, -20.0) for level in (rise, 6 * (rise // 6)))
    assert measured(even, power_of(even, floor_db=-200)).line_flat == 0.0
    assert measured(stairs, power_of(stairs, floor_db=-200)).line_flat > 0.7
