"""From samples to measurements: what is put into a pack is what comes out of the measuring."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

from shaping.analysis.feeds.findings import Pack
from shaping.analysis.feeds.line_up import find_place
from shaping.analysis.feeds.measure import Signal, measure_pack, place_of_take
from shaping.analysis.feeds.played import FEEDS_LEVEL_DBFS, feeds_signal, stretches
from shaping.analysis.feeds.steps import dynamics_of
from shaping.errors import CaptureError

RATE = 48_000
SIGNAL = Signal(RATE, FEEDS_LEVEL_DBFS)
PACK = Pack("one", "one.wav", (1, 2), False, "take")
BEFORE = 20_000


@pytest.fixture(scope="module")
def played():
    return np.pad(feeds_signal(), ((BEFORE, 9_000), (0, 0)))


@pytest.fixture
def hiss(played):
    return np.random.default_rng(4).standard_normal(played.shape) * 10 ** (-100 / 20)


def measured(samples, rate=RATE):
    return measure_pack(PACK, np.asarray(samples, np.float32), rate, SIGNAL)


def part(kind):
    (one,) = (one for one in stretches() if one.kind == kind)
    return one


def test_gains_sides_delay_and_polarity(played, hiss):
    matrix = np.array([[0.5, 0.02], [0.01, -0.25]])
    heard = np.roll(played, 96, axis=0) @ matrix.T + hiss
    heard[:, 1] = np.roll(heard[:, 1], 24)
    found = measured(heard)
    left, right = found.outputs
    assert found.place.offset_s + left.delay_s == pytest.approx((BEFORE + 96) / RATE, abs=5e-6)
    assert right.delay_s - left.delay_s == pytest.approx(24 / RATE, abs=5e-6)
    assert (left.main, right.main) == ("left", "right")
    assert (left.signs["left"], right.signs["right"]) == (1, -1)
    for out, row in zip(found.outputs, matrix, strict=True):
        for side, gain in zip(("left", "right"), row, strict=True):
            assert out.from_db[side] == pytest.approx(20 * math.log10(abs(gain)), abs=0.05)
    assert left.level_db == pytest.approx(20 * math.log10(0.5), abs=0.02)
    assert left.distortion_db < -60
    assert left.dynamics.knee_db is None
    assert left.dropouts_s == ()


def test_another_clock_and_another_rate(played):
    """The recorder counts 44100 to the second, 120 parts per million fast."""
    slow = signal.resample_poly(played.astype(np.float64), 147, 160, axis=0)
    wanted = round(len(slow) * (1 + 120e-6))
    heard = signal.resample(slow, wanted, axis=0)
    found = measured(heard, 44_100)
    assert found.place.clock_ppm == pytest.approx(1e6 * (wanted / len(slow) - 1), abs=0.5)
    for out in found.outputs:
        assert out.level_db == pytest.approx(0.0, abs=0.05)
        assert out.distortion_db < -50


def test_a_pack_below_the_ident_is_found_by_its_companions(played):
    rng = np.random.default_rng(5)
    heard = played * 10 ** (-75 / 20) + rng.standard_normal(played.shape) * 10 ** (-84 / 20)
    alone = measured(heard)
    assert alone.place is None
    companion = replace(measured(played), pack=replace(PACK, name="other"))
    place = place_of_take([alone, companion], alone)
    found = measure_pack(PACK, heard.astype(np.float32), RATE, SIGNAL, place=place)
    assert found.outputs[0].level_db == pytest.approx(-75.0, abs=1.0)
    assert place_of_take([alone], alone) is None


def test_noise_and_music_are_not_the_signal(played):
    rng = np.random.default_rng(6)
    time = np.arange(len(played)) / RATE
    tones = np.sin(2 * np.pi * 440 * time) * (time % 0.5 < 0.3)
    for heard in (rng.standard_normal(played.shape), np.stack([tones, tones], axis=1)):
        assert find_place(heard.astype(np.float32), RATE, signal_rate_hz=RATE) is None


def test_one_ident_lost_leaves_nothing_and_one_burst_lost_does_no_harm(played):
    bursts = [one for one in stretches() if one.kind == "burst"]
    heard = played.copy()
    heard[BEFORE + bursts[0].start : BEFORE + bursts[0].start + bursts[0].size] = 0
    place = find_place(heard, RATE, signal_rate_hz=RATE)
    assert place.offset_s == pytest.approx(BEFORE / RATE, abs=2e-5)
    heard[: BEFORE + bursts[2].start + bursts[2].size] = 0
    assert find_place(heard, RATE, signal_rate_hz=RATE) is None


def test_clipping_distorts_as_theory_has_it_and_is_no_limiter(played, hiss):
    """Gaussian noise clipped at c times its rms.

    Source: J. J. Bussgang, 1952: the output is the input times erf(c / sqrt 2), and a rest that is
    not correlated with it; the power of the output follows by integration (from memory).
    """
    c = 1.5
    at = c * 10 ** (FEEDS_LEVEL_DBFS / 20)
    out = measured(np.clip(played, -at, at) + hiss).outputs[0]
    gain = math.erf(c / math.sqrt(2))
    density = math.exp(-c * c / 2) / math.sqrt(2 * math.pi)
    power = gain - 2 * c * density + c * c * (1 - gain)
    expected_db = 10 * math.log10(power / gain**2 - 1)
    assert out.distortion_db == pytest.approx(expected_db, abs=1.5)
    assert out.dynamics.loss_db < 0.5
    assert out.level_db == pytest.approx(0.0, abs=0.3)


@pytest.mark.parametrize("length_s", [0.008, 0.2])
def test_a_dropout_is_found_where_it_is(played, hiss, length_s):
    at = BEFORE + part("hold").start + 60_000
    heard = played.copy()
    heard[at : at + round(length_s * RATE)] = 0
    for out in measured(heard + hiss).outputs:
        assert len(out.dropouts_s) == 1
        assert out.dropouts_s[0] == pytest.approx((at - BEFORE) / RATE, abs=0.02)


def test_hum_and_noise_in_the_pause(played):
    """A-weighting is 0 dB at 1 kHz and -30.3 dB at 50 Hz. Source: IEC 61672-1, table."""
    time = np.arange(len(played)) / RATE
    rms = 10 ** (-70 / 20)
    hum = sum(np.sin(2 * np.pi * 50.02 * k * time) for k in (1, 2, 3)) * rms * math.sqrt(2 / 3)
    tone = np.sin(2 * np.pi * 1_000 * time) * 10 ** (-60 / 20) * math.sqrt(2)
    heard = played + np.stack([hum, tone], axis=1)
    left, right = measured(heard).outputs
    assert (left.quiet.mains_hz, right.quiet.mains_hz) == (50, None)
    assert left.quiet.hum_dbfs == pytest.approx(-70.0, abs=0.5)
    assert left.quiet.noise_dbfs < -95
    assert right.quiet.noise_dbfs == pytest.approx(-60.0, abs=0.2)


@pytest.mark.parametrize(
    ("part_of_it", "told"), [("late", "begins after"), ("early", "ends before")]
)
def test_a_recording_of_a_part_of_the_signal_is_refused(played, part_of_it, told):
    heard = played[BEFORE + 60_000 :] if part_of_it == "late" else played[:-60_000]
    with pytest.raises(CaptureError, match=told):
        find_place(heard, RATE, signal_rate_hz=RATE)


@pytest.mark.parametrize("seed", range(4))
def test_one_loud_moment_in_a_silent_pack_is_no_part_of_the_signal(played, seed):
    """A knock on a mic, over hardly any noise, is as high over the rms of all as a burst is."""
    rng = np.random.default_rng(seed)
    heard = 1e-6 * rng.standard_normal((len(played), 1)).astype(np.float32)
    at = int(rng.choice([RATE, len(played) - RATE]))
    heard[at : at + 240, 0] += 0.1 * rng.standard_normal(240) * np.exp(-np.arange(240) / 24)
    assert find_place(heard, RATE, signal_rate_hz=RATE) is None


LEVELS = np.array([-30.0, -20.0, -12.0, -9.0, -6.0, -3.0, 0.0, 3.0, 6.0])
CLEAN = np.full(LEVELS.size, -np.inf)
SURE = np.full(LEVELS.size, 0.02)


@pytest.mark.parametrize(("knee", "ratio"), [(-10.0, 3.0), (-4.0, math.inf), (-20.0, 2.0)])
def test_steps_give_back_knee_and_ratio(knee, ratio):
    held = -np.maximum(LEVELS - knee, 0) * (1 - 1 / ratio)
    found = dynamics_of(held - held[6], SURE, CLEAN)
    assert found.knee_db == pytest.approx(knee, abs=0.5)
    assert found.loss_db == pytest.approx(-held[6], abs=0.3)
    assert found.linear_db == pytest.approx(-held[6], abs=0.2)
    assert (found.ratio >= 8) is (ratio >= 8)


def test_steps_that_noise_hides_say_nothing():
    noisy = np.full(LEVELS.size, 1.5)
    found = dynamics_of(-np.maximum(LEVELS, 0), noisy, CLEAN)
    assert (found.loss_db, found.knee_db) == (0.0, None)
