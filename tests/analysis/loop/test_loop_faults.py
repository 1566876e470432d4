"""Every cause of a bad measurement by itself, each named and no other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from shaping.analysis.findings import LoopResponse
from shaping.analysis.loop import changes, compression, live_mic, reach
from shaping.analysis.loop.faults import MeasurementFault, reach_faults
from shaping.analysis.loop.promise import gain_interval, withheld
from shaping.analysis.loop.response import estimate_loop_response
from shaping.analysis.loop.traces import Traces
from shaping.errors import CaptureError
from tests.analysis.loop.loop_makers import RATE, diffuse_path, pink_noise, recorded

LOW_RATE = 12_000.0
Floats = NDArray[np.float64]


def _traces(change: Callable[[Floats], Floats] = lambda played: played, **kw: float) -> Traces:
    """Return six seconds at the low rate; `change` is done to what is played."""
    rng = np.random.default_rng(5)
    played = pink_noise(6, rng, rate=int(LOW_RATE)).astype(float)
    path = 0.3 * rng.standard_normal(1200) * np.exp(-np.arange(1200) / 200)
    path[0] += 1.0
    sent = change(played)
    heard = signal.oaconvolve(sent, path)[: played.size]
    gain = float(np.dot(sent, played) / np.dot(played, played))
    straight = gain * signal.oaconvolve(played, path)[: played.size]
    noise = 0.01 * rng.standard_normal(played.size) * heard.std() * kw.get("noise", 10.0)
    return Traces(LOW_RATE, played, heard + noise, heard + noise - straight)


def _clipped(played: Floats) -> Floats:
    return np.asarray(np.clip(played, -0.12, 0.12))


def _compressed(played: Floats) -> Floats:
    level = signal.lfilter([0.005], [1, -0.995], played**2)
    return np.asarray(played * (0.003 + level) ** -0.25)


def test_what_turns_loud_down_is_compression_and_what_is_straight_is_not() -> None:
    assert compression.bend(_traces()) < 0.5 * compression.LEAST_BEND
    assert compression.bend(_traces(_clipped)) > 2 * compression.LEAST_BEND
    assert compression.bend(_traces(_compressed)) > 2 * compression.LEAST_BEND


def test_what_turns_loud_up_is_no_compression() -> None:
    expanded = compression.bend(_traces(lambda played: played * (0.5 + (played / 0.1) ** 2)))
    assert expanded < compression.LEAST_BEND


def test_a_path_that_stays_differs_from_block_to_block_by_chance_alone() -> None:
    change = changes.path_change(_traces())
    assert change.over_chance < 0.5 * (1 + changes.CHANGED_OVER_CHANCE)


def test_a_gain_that_moves_is_told_from_a_path_that_moves() -> None:
    ridden = changes.path_change(_traces(lambda x: x * np.linspace(0.8, 1.2, x.size)))
    assert ridden.over_chance > 2 * changes.CHANGED_OVER_CHANCE
    assert ridden.gain_db > changes.LEAST_CHANGE_DB > ridden.shape_db
    share = np.linspace(0, 1, int(6 * LOW_RATE))
    moved = changes.path_change(_traces(lambda x: x * (1 - share) + share * np.roll(x, 30)))
    assert moved.shape_db > changes.LEAST_CHANGE_DB
    assert moved.shape_db > moved.gain_db


def test_lost_samples_are_found_where_they_were_lost() -> None:
    whole = _traces()
    assert not np.any(np.abs(changes.jumps_s(whole)) > changes.LEAST_SHIFT_S)
    heard = np.delete(whole.heard, slice(30_000, 30_012))
    lost = replace(whole, played=whole.played[: heard.size], heard=heard)
    jumps = changes.jumps_s(lost)
    assert jumps.sum() == pytest.approx(-0.001, abs=1e-4)
    assert np.sum(np.abs(jumps) > changes.LEAST_SHIFT_S) <= 2


def test_a_live_loop_leaves_a_copy_of_the_path_and_a_reflection_does_not() -> None:
    path = diffuse_path(np.random.default_rng(6), t60_s=0.5, direct=1.0)[RATE // 100 :]
    echo = 0.3 * np.concatenate([np.zeros(500), [path[0]], np.zeros(path.size)])
    still = np.concatenate([np.zeros(100), path, np.zeros(echo.size)])
    reflected = still.copy()
    reflected[100 : 100 + echo.size] += echo
    assert live_mic.copy_in_path(still, 100, sample_rate_hz=RATE)[0] < live_mic.LIVE_COPY
    assert live_mic.copy_in_path(reflected, 100, sample_rate_hz=RATE)[0] < live_mic.LIVE_COPY
    spectrum = np.fft.rfft(still, 2**17)
    trip = np.exp(-2j * np.pi * np.arange(spectrum.size) * (600 - 100) / 2**17)
    gain = 0.5 / np.abs(spectrum).max()
    live = np.fft.irfft(spectrum / (1 - gain * spectrum * trip), 2**17)[: 2 * still.size]
    copy, delay_s = live_mic.copy_in_path(live, 100, sample_rate_hz=RATE)
    assert copy > live_mic.LIVE_COPY
    assert delay_s == pytest.approx(0.0125, abs=2e-4)


@pytest.mark.parametrize(("t60_s", "enough"), [(0.4, True), (3.0, False)])
def test_a_response_must_have_died_away_where_it_ends(t60_s: float, *, enough: bool) -> None:
    rng = np.random.default_rng(7)
    decay = np.exp(-6.91 * np.arange(RATE // 2) / (t60_s * RATE))
    impulse = 1e-4 * rng.standard_normal(4000 + RATE // 2)
    impulse[4000:] += rng.standard_normal(RATE // 2) * decay
    fall_db = reach.fall_db(impulse, 4000, sample_rate_hz=RATE)
    assert (fall_db >= reach.LEAST_FALL_DB) is enough
    assert not np.isfinite(fall_db) or fall_db == pytest.approx(30 / t60_s, rel=0.15)


def test_bands_that_were_not_heard_are_named() -> None:
    frequency_hz = np.arange(0, 20_000, 1.0)
    level_db = np.where(frequency_hz < 280, -60.0, -10.0)
    trusted = np.ones(frequency_hz.size, bool)
    low, high = reach.measured_bands(frequency_hz, level_db, trusted)[0]
    assert low == pytest.approx(280, rel=0.13)
    assert high == pytest.approx(20_000, rel=0.13)
    (note,) = reach_faults(((low, high),))
    assert note.code == MeasurementFault.NOT_REACHED
    assert "Nothing below 2" in note.message
    assert reach_faults(((100.0, 10_000.0),)) == []
    assert reach.gaps(((100.0, 500.0), (900.0, 9000.0))) == ((500.0, 900.0),)
    assert reach.measured_bands(frequency_hz, level_db, ~trusted) == ()


def test_swapped_files_are_refused_by_name() -> None:
    rng = np.random.default_rng(8)
    reference = pink_noise(12, rng)
    capture = recorded(reference, diffuse_path(rng), rng)
    with pytest.raises(CaptureError, match="look swapped"):
        estimate_loop_response(
            reference[: capture.size], capture, capture_rate_hz=RATE, reference_rate_hz=RATE
        )


def test_clocks_too_far_apart_are_told_from_another_file() -> None:
    rng = np.random.default_rng(9)
    reference = pink_noise(8, rng)
    capture = recorded(reference, diffuse_path(rng), rng)
    with pytest.raises(CaptureError, match=r"0\.919 times as fast|1\.088 times as fast"):
        estimate_loop_response(
            signal.resample_poly(capture, 147, 160).astype(np.float32),
            reference,
            capture_rate_hz=RATE,
            reference_rate_hz=RATE,
        )


def _response(level_db: Floats, *, sd: float, played: NDArray[np.bool_]) -> LoopResponse:
    """Return a response whose complex estimate has this standard deviation."""
    frequency_hz = np.arange(level_db.size) * 0.5
    rng = np.random.default_rng(10)
    size = 10 ** (level_db / 20)
    noise = sd / np.sqrt(2) * (rng.standard_normal(size.size) + 1j * rng.standard_normal(size.size))
    return LoopResponse(
        frequency_hz=frequency_hz,
        response=size + noise,
        coherence=np.ones(size.size),
        error_db=np.full(size.size, 1.0),
        variance=np.full(size.size, sd**2),
        excited=played,
        trusted=played & (level_db > -30),
        delay_s=0.01,
        clock_ppm=0.0,
        coherence_median=1.0,
    )


def test_the_interval_holds_the_truth_where_the_highest_of_many_is_high_by_luck() -> None:
    level_db = np.full(4000, -60.0)
    level_db[100::100] = -6.0
    response = _response(level_db, sd=0.03, played=np.ones(4000, bool))
    found = gain_interval(response)
    raw_db = -20 * np.log10(np.abs(response.response).max())
    assert raw_db < found.estimate_db
    assert abs(found.estimate_db - 6.0) < abs(raw_db - 6.0)
    assert found.low_db <= 6.0 <= found.high_db


def test_a_played_frequency_that_is_not_trusted_counts_with_what_it_may_be() -> None:
    level_db = np.full(4000, -10.0)
    level_db[2000:] = -60.0
    played = np.ones(4000, bool)
    sure = gain_interval(_response(level_db, sd=0.01, played=played)).low_db
    unsure = _response(level_db, sd=0.01, played=played)
    variance = unsure.variance.copy()
    variance[3000] = 0.5
    loud = gain_interval(replace(unsure, variance=variance)).low_db
    assert loud == pytest.approx(-20 * np.log10(np.sqrt(-np.log(0.05) * 0.5)), abs=0.2)
    assert loud < sure


def test_a_promise_is_withheld_with_a_named_fault_and_not_with_mere_noise() -> None:
    plain = _response(np.zeros(100), sd=0.01, played=np.ones(100, bool))
    short = reach_faults(((400.0, 10_000.0),))
    assert not withheld(plain)
    assert withheld(replace(plain, quality=tuple(short)))
