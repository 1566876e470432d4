from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from shaping.simulation import truth
from shaping.simulation.closed_loop import Stage, run
from shaping.simulation.planting import plant_peaks, planted
from shaping.simulation.ring_out import Engineer, cuts_sos, ring_out

RATE = 16_000


@pytest.fixture(scope="module")
def stage() -> Stage:
    """A small reverberant loop with two planted rings."""
    rng = np.random.default_rng(3)
    taps = np.arange(3_000)
    path = np.zeros(130 + taps.size)
    path[130:] = 0.02 * rng.standard_normal(taps.size) * 10 ** (-3 * taps / 4_000)
    path[130] = 0.3
    peaks = plant_peaks(
        path,
        sample_rate_hz=RATE,
        spacing_db=(0.0, 0.8),
        q=(8.0, 8.0),
        clearance_db=3.5,
        band_hz=(250.0, 4_000.0),
        rng=rng,
    )
    return Stage(RATE, planted(path, peaks, sample_rate_hz=RATE), noise_dbfs=-70.0)


def test_planted_places_howl_first_and_in_order(stage):
    rng = np.random.default_rng(3)
    taps = np.arange(3_000)
    path = np.zeros(130 + taps.size)
    path[130:] = 0.02 * rng.standard_normal(taps.size) * 10 ** (-3 * taps / 4_000)
    path[130] = 0.3
    spacing_db = (0.0, 1.0, 2.0)
    peaks = plant_peaks(
        path,
        sample_rate_hz=RATE,
        spacing_db=spacing_db,
        q=(8.0, 8.0, 8.0),
        clearance_db=3.0,
        band_hz=(250.0, 4_000.0),
        rng=rng,
    )
    made = Stage(RATE, planted(path, peaks, sample_rate_hz=RATE))
    found_hz, level_db = truth.in_phase_points(*truth.open_loop(made))
    octaves = np.abs(np.log2(found_hz[:, None] / [p.frequency_hz for p in peaks]))
    tops = [level_db[octaves[:, k] < 0.2].max() for k in range(3)]
    rest = level_db[octaves.min(axis=1) > 0.25].max()
    np.testing.assert_allclose(np.subtract(tops[0], tops), spacing_db, atol=0.2)
    assert tops[-1] - rest == pytest.approx(3.0, abs=0.3)


def test_rings_in_the_samples_are_where_the_truth_says(stage):
    result = ring_out(stage, np.zeros(14 * RATE), Engineer(rings=2), seed=1)
    assert len({ring.episode for ring in result.clear_rings}) == 2
    for ring in result.clear_rings:
        stop = round(ring.end_s * RATE)
        span = result.samples[stop - RATE // 4 : stop]
        spectrum = np.abs(np.fft.rfft(span * np.hanning(span.size), 16 * span.size))
        near = np.abs(np.arange(spectrum.size) * RATE / 16 / span.size - ring.frequency_hz)
        loud = np.where(near < 30, spectrum, 0)
        peak_hz = np.argmax(loud) * RATE / 16 / span.size
        assert peak_hz == pytest.approx(ring.frequency_hz, rel=2e-3)
        assert 0.2 < ring.excess_db <= 3.0
        assert ring.onset_s < ring.end_s


def test_growth_in_the_truth_is_the_growth_in_the_samples(stage):
    """Held at one gain, the level rises as the truth's pole says."""
    gain_db = truth.stable_gain_db(stage) + 0.7
    mode = truth.unstable_modes(stage, gain_db)[0]
    heard = run(stage, np.zeros(round(70 / mode.growth_db_per_s * RATE)), gain_db=gain_db)
    late = heard[heard.size // 2 :]
    level_db = 10 * np.log10(np.mean(late[: late.size // 320 * 320].reshape(-1, 320) ** 2, axis=1))
    slope = np.polyfit(np.arange(level_db.size) * 320 / RATE, level_db, 1)[0]
    assert slope == pytest.approx(mode.growth_db_per_s, rel=0.05)


def test_engineers_cuts_silence_the_rings_they_are_for(stage):
    result = ring_out(stage, np.zeros(14 * RATE), Engineer(rings=2), seed=1)
    first_gain_db = result.clear_rings[0].gain_db
    sos = cuts_sos(result.cuts, sample_rate_hz=RATE)
    assert truth.stable_gain_db(stage) < first_gain_db
    before = truth.stable_gain_db(stage)
    assert truth.stable_gain_db(stage, eq_sos=sos) > before + 0.5


def test_without_rings_to_find_nothing_rings(stage):
    result = ring_out(stage, np.zeros(5 * RATE), Engineer(rings=0, ramp_db_per_s=3.0), seed=1)
    assert result.rings == ()
    assert result.howl_gain_db is None
    assert result.gain_db.max() <= truth.stable_gain_db(stage) - 1.9


def test_held_ring_clips_and_says_so(stage):
    loud = replace(stage, path=8 * stage.path, wedge_limit=0.8)
    patient = Engineer(rings=1, hold_s=1.5, heard_dbfs=-30.0)
    result = ring_out(loud, np.zeros(12 * RATE), patient, seed=1)
    assert result.clipped
    assert np.abs(result.samples).max() <= 1.0


def test_same_seed_same_ring_out(stage):
    one = ring_out(stage, np.zeros(4 * RATE), Engineer(rings=1), seed=5)
    two = ring_out(stage, np.zeros(4 * RATE), Engineer(rings=1), seed=5)
    np.testing.assert_array_equal(one.samples, two.samples)
    assert one.rings == two.rings
    other = ring_out(stage, np.zeros(4 * RATE), Engineer(rings=1), seed=6)
    assert not np.array_equal(one.samples, other.samples)
