"""The closed loop against the physics of feedback: growth, ringing, ripple, stability."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

from shaping.simulation import truth
from shaping.simulation.closed_loop import Stage, run

RATE = 48_000


def delay_loop(delay_s: float) -> Stage:
    """A loop that is nothing but a delay, in a silent room, with headroom to spare."""
    path = np.zeros(round(delay_s * RATE) + 1)
    path[-1] = 1.0
    return Stage(RATE, path, wedge_limit=1e6, noise_dbfs=-400.0)


def random_loop(seed: int) -> Stage:
    """A delay, a strong arrival and a decaying tail."""
    rng = np.random.default_rng(seed)
    delay = int(rng.integers(150, 600))
    tail = 0.06 * rng.standard_normal(6_000) * 10 ** (-3 * np.arange(6_000) / 7_000)
    tail[0] = rng.uniform(0.5, 1.0)
    sos = signal.butter(2, [150, 9_000], "bandpass", fs=RATE, output="sos")
    path = np.concatenate([np.zeros(delay), signal.sosfilt(sos, tail)])
    return Stage(RATE, path, wedge_limit=1e3, noise_dbfs=-90.0)


def slope_db_per_s(samples: np.ndarray, delay_s: float) -> float:
    """Slope of the level, one value per trip round the loop."""
    trip = round(delay_s * RATE)
    level = [np.abs(samples[k : k + trip]).max() for k in range(trip, samples.size - trip, trip)]
    level_db = 20 * np.log10(np.array(level))
    return float(np.polyfit(np.arange(level_db.size) * trip / RATE, level_db, 1)[0])


@pytest.mark.parametrize(
    ("excess_db", "delay_s", "growth_db_per_s"),
    [
        (0.5, 0.010, 50.0),
        (0.5, 0.100, 5.0),
        (3.0, 0.010, 300.0),
        (1.0, 0.003, 333.3),
        (1.0, 0.005, 200.0),
        (1.0, 0.020, 50.0),
    ],
)
def test_howl_grows_by_excess_gain_over_loop_delay(excess_db, delay_s, growth_db_per_s):
    """A howl grows in dB at excess gain over loop delay, in the samples and from the poles.

    Source: trade article of 2006 on acoustic feedback (0.5 dB at 10 ms = 50 dB/s, at 100 ms =
    5 dB/s); the other rows by hand from the same law.
    """
    stage = delay_loop(delay_s)
    click = np.zeros(round(40 / growth_db_per_s * RATE) + 4 * round(delay_s * RATE))
    click[10] = 1e-3
    heard = run(stage, click, gain_db=excess_db)
    assert slope_db_per_s(heard, delay_s) == pytest.approx(growth_db_per_s, rel=0.01)
    growing = truth.unstable_modes(stage, excess_db)
    assert growing[0].growth_db_per_s == pytest.approx(growth_db_per_s, rel=1e-3)


@pytest.mark.parametrize(("margin_db", "t60_s"), [(1.0, 0.30), (3.0, 0.10), (6.0, 0.05)])
def test_ring_below_threshold_lasts_sixty_delays_over_margin(margin_db, t60_s):
    """Below threshold the same law is decay: T60 = 60 delay / margin, for a delay of 5 ms.

    Source: the growth law read backwards, by hand; margins and times as in a table worked out
    from it.
    """
    stage = delay_loop(0.005)
    click = np.zeros(round(1.2 * t60_s * RATE))
    click[10] = 0.5
    heard = run(stage, click, gain_db=-margin_db)
    assert -60 / slope_db_per_s(heard, 0.005) == pytest.approx(t60_s, rel=0.02)
    mode = truth.modes(stage, -margin_db, margin_db=2 * margin_db)[0]
    assert -60 / mode.growth_db_per_s == pytest.approx(t60_s, rel=0.02)


@pytest.mark.parametrize(
    ("margin_db", "peak_db", "ripple_db"),
    [(1, 19.3, 24.8), (3, 10.7, 15.3), (6, 6.0, 9.6), (10, 3.3, 5.7), (12, 2.5, 4.5)],
)
def test_closed_loop_ripple_against_margin(margin_db, peak_db, ripple_db):
    """Short of howling the loop colours the sound: peaks -20 log(1-r), dips -20 log(1+r).

    Source: technical article giving +6.0 and -3.5 dB at a margin of 6 dB; the other rows by the
    same closed form, r = 10^(-margin/20).
    """
    stage = delay_loop(0.004)
    click = np.zeros(RATE)
    click[0] = 0.25
    response = np.abs(np.fft.rfft(run(stage, click, gain_db=-float(margin_db)))) / 0.25
    top, bottom = 20 * math.log10(response.max()), 20 * math.log10(response.min())
    assert top == pytest.approx(peak_db, abs=0.06)
    assert top - bottom == pytest.approx(ripple_db, abs=0.06)


def test_candidate_frequencies_are_spaced_by_one_over_the_delay():
    """A pure delay can howl every 1/delay: 2 ms gives 500 Hz, 10 ms gives 100 Hz.

    Source: trade article of 2006 on acoustic feedback.
    """
    for delay_s, spacing_hz in ((0.002, 500.0), (0.010, 100.0)):
        growing = truth.unstable_modes(delay_loop(delay_s), 0.5)
        frequency_hz = np.sort([mode.frequency_hz for mode in growing])
        np.testing.assert_allclose(np.diff(frequency_hz[:20]), spacing_hz, rtol=1e-6)


@pytest.mark.parametrize("seed", range(6))
def test_nyquist_limit_is_where_the_samples_turn_unstable(seed):
    """0.3 dB below the Nyquist limit everything dies away, 0.3 dB above it grows.

    Source: H. Nyquist, "Regeneration theory", Bell System Technical Journal 11, 126-147, 1932.
    """
    stage = replace(random_loop(seed), noise_dbfs=-400.0)
    limit_db = truth.stable_gain_db(stage)
    click = np.zeros(4 * RATE)
    click[100] = 0.01
    for offset_db, grows in ((-0.3, False), (0.3, True)):
        heard = run(stage, click, gain_db=limit_db + offset_db)
        early = np.sqrt(np.mean(heard[2 * RATE : 5 * RATE // 2] ** 2))
        late = np.sqrt(np.mean(heard[7 * RATE // 2 :] ** 2))
        assert (late > early) == grows


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("excess_db", [-0.5, 0.5, 2.0, 6.0])
def test_unstable_poles_are_as_many_as_encirclements(seed, excess_db):
    """Poles found one by one agree with the number of turns of the Nyquist curve.

    Source: H. Nyquist, "Regeneration theory", 1932, by the principle of the argument: another way
    to the same number.
    """
    stage = random_loop(seed)
    gain_db = truth.stable_gain_db(stage) + excess_db
    assert len(truth.unstable_modes(stage, gain_db)) == truth.encirclements(stage, gain_db)


def test_ring_in_the_samples_has_the_frequency_and_growth_of_the_fastest_pole():
    """The fastest pole of a dispersive loop is what one hears: its hertz and its dB per second.

    Source: linear systems theory (a transient tends to its fastest mode); the samples never see
    the pole computation.
    """
    stage = random_loop(3)
    gain_db = truth.stable_gain_db(stage) + 0.8
    fastest = truth.unstable_modes(stage, gain_db)[0]
    duration_s = 110 / fastest.growth_db_per_s
    heard = run(stage, np.zeros(round(duration_s * RATE)), gain_db=gain_db, seed=1)
    late = heard[-round(0.25 * heard.size) :]
    phase = np.unwrap(np.angle(signal.hilbert(late)))
    middle = slice(late.size // 8, -late.size // 8)
    time_s = np.arange(late.size)[middle] / RATE
    turns = np.polyfit(time_s, phase[middle], 1)[0] / (2 * np.pi)
    level_db = 20 * np.log10(np.abs(signal.hilbert(late)))[middle]
    assert turns == pytest.approx(fastest.frequency_hz, rel=2e-4)
    assert np.polyfit(time_s, level_db, 1)[0] == pytest.approx(fastest.growth_db_per_s, rel=0.03)
