"""What is measured of one tone, on tones whose growth, drift and company are known."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.rehearsals.detector import Detector
from shaping.rehearsals.features import Features
from shaping.rehearsals.first_look import LEAST, MEASURES, MOST, look, possible
from shaping.rehearsals.frame_peaks import FramePeaks
from shaping.rehearsals.frames import grid_for
from shaping.rehearsals.model import seen_growing

RATE = 48_000
T = np.arange(5 * RATE) / RATE


def measured(samples: np.ndarray, near_hz: float) -> Features:
    """Return the measures of the strongest tone near a frequency."""
    seen: list[Features] = []

    class Watched(Detector):
        def _worth(self, looks):
            return possible(looks)

        def _measured(self, track, known):
            seen.append(self._features(track))
            return None

    detector = Watched(RATE)
    detector.feed(np.asarray(samples, np.float32))
    detector.finish()
    return max(
        (f for f in seen if abs(f.frequency_hz / near_hz - 1) < 0.02), key=lambda f: f.peak_dbfs
    )


def noise(level: float = 1e-4) -> np.ndarray:
    return level * np.random.default_rng(3).standard_normal(T.size)


def grown(db_per_s: float, *, until_s: float = 3.0, floor_db: float = -60.0) -> np.ndarray:
    """Level of a tone that grows out of nothing along a line until `until_s`."""
    level_db = np.clip((T - until_s) * db_per_s, floor_db, 0.0)
    return 0.2 * 10 ** (level_db / 20) * (T < 4.5)


@pytest.mark.parametrize("db_per_s", [20.0, 60.0, 150.0, 300.0])
def test_growth_is_measured_as_it_was(db_per_s):
    f = measured(grown(db_per_s) * np.sin(2 * np.pi * 1_234 * T) + noise(), 1_234)
    assert f.straight_db_per_s == pytest.approx(db_per_s, rel=0.15)
    assert f.line_db_per_s == pytest.approx(db_per_s, rel=0.15)
    assert f.straight_db > 12
    assert seen_growing(f)


def test_a_fade_along_a_line_of_amplitude_bends_in_decibels():
    fade = np.clip(T - 1.5, 0, 1) * (T < 4)
    f = measured(0.2 * fade * np.sin(2 * np.pi * 1_000 * T) + noise(), 1_000)
    assert f.straight_curve_db > 0.6
    howl = measured(grown(40) * np.sin(2 * np.pi * 1_000 * T) + noise(), 1_000)
    assert abs(howl.straight_curve_db) < 0.4


def test_a_tone_turned_up_click_by_click_jumps():
    clicks = np.clip(np.floor((T - 1) / 0.25), 0, 6) * 5 - 30
    f = measured(0.2 * 10 ** (clicks / 20) * np.sin(2 * np.pi * 1_000 * T) + noise(), 1_000)
    howl = measured(grown(20) * np.sin(2 * np.pi * 1_000 * T) + noise(), 1_000)
    assert f.line_jump > 3 or f.line_db < 8
    assert howl.line_jump < 2


@pytest.mark.parametrize("attack_s", [0.001, 0.01])
def test_a_sudden_onset_is_not_growth(attack_s):
    level = np.clip((T - 2) / attack_s, 0, 1) * (T < 4)
    f = measured(0.2 * level * np.sin(2 * np.pi * 1_000 * T) + noise(), 1_000)
    assert not seen_growing(f)


def test_a_tone_that_was_always_there_was_not_seen_growing():
    f = measured(0.2 * np.sin(2 * np.pi * 1_000 * T) + noise(), 1_000)
    assert not seen_growing(f)


def test_a_drifting_howl_keeps_its_level_and_does_not_tremble():
    """12 cents within a second at 3 kHz are nearly two bins: the line follows them."""
    cents = np.clip((T - 2.5) * 12, 0, 24)
    phase = 2 * np.pi * np.cumsum(3_000 * 2 ** (cents / 1200)) / RATE
    f = measured(grown(60) * np.sin(phase) + noise(), 3_000)
    assert f.plateau_ripple_db < 0.5
    assert f.tremble_bins < 0.02
    assert f.drift_cents == pytest.approx(18, abs=6)


def test_vibrato_trembles():
    phase = 2 * np.pi * 1_500 * T + 1_500 * 0.003 / 5.5 * np.sin(2 * np.pi * 5.5 * T)
    f = measured(grown(60) * np.sin(phase) + noise(), 1_500)
    assert f.tremble_bins > 0.05


def test_harmonics_and_scale_are_seen():
    tone = sum(np.sin(2 * np.pi * 440 * k * T) / k for k in (1, 2, 3))
    f = measured(grown(60) * tone + noise(), 440)
    assert f.harmonic_db == pytest.approx(-6.0, abs=1.5)  # between bins a line reads lower
    assert f.off_scale_cents < 1
    off = measured(grown(60) * np.sin(2 * np.pi * 440 * 2 ** (0.5 / 12) * T) + noise(), 453)
    assert off.off_scale_cents == pytest.approx(50, abs=1)
    assert off.harmonic_db < -40


@pytest.mark.parametrize("hertz", [85.0, 100.0, 140.0])
def test_low_tones_are_measured_at_their_own_place(hertz):
    f = measured(grown(60) * np.sin(2 * np.pi * hertz * T) + noise(), hertz)
    assert f.peak_dbfs == pytest.approx(20 * np.log10(0.2), abs=0.5)
    assert f.stand_off_db > 25


def test_the_quick_look_sees_a_tone_as_it_is():
    grid = grid_for(RATE)
    power = np.full((40, grid.stop_bin - grid.first_bin), 1e-8, np.float32)
    column = 200
    power[:, column] = 1e-2
    power[:, column - 1 : column + 2 : 2] = 2.5e-3
    bin_number = column + grid.first_bin
    power[:, 2 * bin_number - grid.first_bin] = 1e-3
    n = 30
    peaks = FramePeaks(
        np.arange(5, 5 + n),
        np.full(n, column),
        np.full(n, column, np.float32) + np.tile([0.1, -0.1], n // 2).astype(np.float32),
        np.full(n, -20, np.float32),
    )
    (seen,) = look(peaks, np.zeros(1, np.int64), power, power.sum(axis=1), 0, grid)
    found = dict(zip(MEASURES, seen, strict=True))
    assert found["loud_frames"] == n
    assert found["tremble_bins"] == pytest.approx(0.2, rel=0.05)
    assert found["stand_off_db"] == pytest.approx(60, abs=0.5)
    assert found["harmonic_db"] == pytest.approx(-10, abs=0.1)
    assert found["partner_db"] < -50
    assert np.all(seen >= LEAST)
    assert np.all(seen <= MOST)
