"""Stable gain on loops of a few points, worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.analysis.findings import CriticalFrequency, LoopResponse
from shaping.analysis.loop.stability import (
    StableGain,
    critical_frequencies,
    in_phase_interval,
    may_be_own_delay,
    stable_gain,
    worst_of,
)


def loop(
    level_db: object,
    *,
    hz: object = None,
    delay_s: float = 0.01,
    phase: object = 0.0,
    trusted: object = True,
    error_db: object = 0.1,
) -> LoopResponse:
    level = np.asarray(level_db, float)
    frequency_hz = np.arange(level.size) * 10.0 if hz is None else np.asarray(hz, float)
    return LoopResponse(
        frequency_hz=frequency_hz,
        response=10 ** (level / 20) * np.exp(1j * np.asarray(phase)),
        coherence=np.ones(level.size),
        error_db=np.broadcast_to(np.asarray(error_db, float), level.shape).copy(),
        variance=np.zeros(level.size),
        excited=np.ones(level.size, bool),
        trusted=np.broadcast_to(np.asarray(trusted), level.shape).copy(),
        delay_s=delay_s,
        clock_ppm=0.0,
        coherence_median=1.0,
    )


@pytest.mark.parametrize(
    ("level_db", "top_db"),
    [
        # Three points of -10 - (x - x0)^2: the parabola's top is -10 wherever between the points.
        ([-60, -11.44, -10.04, -10.64, -60], -10.0),
        ([-60, -10.64, -10.04, -11.44, -60], -10.0),
        ([-60, -12.0, -10.0, -12.0, -60], -10.0),
        ([-10.0, -12.0, -60.0], -10.0),  # at the edge of what was measured the point itself
        ([-60.0, -12.0, -10.0], -10.0),
        ([-60, -10.0, -10.0, -60], -3.75),  # a flat top between two points: 50 / 8 above them
    ],
)
def test_the_worst_case_is_the_top_of_the_parabola_through_the_highest(
    level_db: list[float], top_db: float
) -> None:
    assert stable_gain(loop(level_db)).worst_case_db == pytest.approx(-top_db, abs=1e-9)


def test_no_parabola_reaches_over_what_is_not_trusted() -> None:
    level = [-60, -11.44, -10.04, -10.64, -60]
    trusted = [True, True, True, False, True]
    assert stable_gain(loop(level, trusted=trusted)).worst_case_db == pytest.approx(10.04)
    trusted = [True, False, True, True, True]
    assert stable_gain(loop(level, trusted=trusted)).worst_case_db == pytest.approx(10.04)


def test_the_error_is_that_of_the_highest_point() -> None:
    gain = stable_gain(loop([-60, -20, -10, -20, -60], error_db=[1, 2, 3, 4, 5]))
    assert gain.error_db == 3.0


def test_in_phase_is_read_where_the_imaginary_part_crosses_zero() -> None:
    """Crossings by hand: from 0.1 + 0.3i to 0.3 - 0.1i the real part is 0.25 at three quarters."""
    response = np.array([0.1 + 0.3j, 0.3 - 0.1j, -0.9 - 0.1j, -0.9 + 0.1j])
    made = loop(20 * np.log10(np.abs(response)), phase=np.angle(response), delay_s=1e-9)
    assert in_phase_interval(made, same_start=True)[0] == pytest.approx(
        -20 * np.log10(0.25), abs=1e-3
    )


def test_the_measured_delay_turns_the_phase_back() -> None:
    """At 25 Hz and 10 ms the delay is a quarter turn: i becomes 1 and the crossing lies there."""
    hz = [24.0, 25.0, 26.0]
    made = loop([-20.0, -20.0, -20.0], hz=hz, phase=np.pi / 2, delay_s=0.01)
    assert in_phase_interval(made, same_start=True)[0] == pytest.approx(20.0, abs=0.05)
    opposite = loop([-20.0, -20.0, -20.0], hz=hz, phase=-np.pi / 2, delay_s=0.01)
    assert (
        in_phase_interval(opposite, same_start=True)[0] == 300.0
    )  # never in phase: as good as silent


def test_crossings_on_the_negative_side_and_far_below_the_top_do_not_count() -> None:
    response = np.array([-0.9 - 0.1j, -0.9 + 0.1j, 0.05 + 0.05j, 0.05 - 0.05j])
    made = loop(20 * np.log10(np.abs(response)), phase=np.angle(response), delay_s=1e-9)
    # From -0.9 + 0.1i to 0.05 + 0.05i no crossing; the last one, at 0.05, lies 22 dB down.
    assert in_phase_interval(made, same_start=True)[0] == 300.0


def test_critical_peaks_are_separate_prominent_and_in_order() -> None:
    hz = 1000 * 2 ** (np.arange(200) / 96)
    level = np.full(200, -40.0)
    for place, height in ((20, 15.0), (23, 14.0), (24, 3.0), (60, 20.0), (100, 0.9), (140, 1.1)):
        level[place] += height
    found = critical_frequencies(hz, level)
    # 23 is 1/32 octave from 20: the same peak; 100 stands less than 1 dB out.
    assert [c.frequency_hz for c in found] == pytest.approx([hz[60], hz[20], hz[140]])
    level[24] = -26.5  # a 24th of an octave from 20 is another peak
    level[23] = -40.0
    assert len(critical_frequencies(hz, level)) == 4
    assert [c.frequency_hz for c in critical_frequencies(hz, level, count=2)] == pytest.approx(
        [hz[60], hz[20]]
    )


def test_at_most_twelve_critical_peaks_and_none_where_nothing_was_measured() -> None:
    hz = 100 * 2 ** (np.arange(200) / 24)
    level = np.where(np.arange(200) % 8 == 4, -20.0, -40.0)
    assert len(critical_frequencies(hz, level)) == 12
    assert critical_frequencies(hz, np.full(200, -np.inf)) == ()


def test_the_edge_of_the_band_can_be_the_highest() -> None:
    found = critical_frequencies(np.array([100.0, 200.0, 300.0]), np.array([-5.0, -10.0, -20.0]))
    assert [c.frequency_hz for c in found] == [100.0]
    assert found[0].gain_db == 5.0


def gain(worst: float, *peaks: tuple[float, float], error: float = 0) -> StableGain:
    return StableGain(worst, error, tuple(CriticalFrequency(hz, db) for hz, db in peaks))


def test_of_several_captures_the_least_counts_and_peaks_merge() -> None:
    one = gain(10.0, (1000.0, 10.0), (3000.0, 15.0), error=0.1)
    other = gain(11.0, (1010.0, 11.0), (500.0, 12.0), error=0.2)
    worst = worst_of([other, one])
    assert (worst.worst_case_db, worst.error_db) == (10.0, 0.1)
    assert [c.frequency_hz for c in worst.critical] == [1000.0, 500.0, 3000.0]


@pytest.mark.parametrize(("hz", "count"), [(1029.2, 1), (1029.4, 2)])
def test_peaks_within_a_24th_of_an_octave_are_one(hz: float, count: int) -> None:
    worst = worst_of([gain(1.0, (1000.0, 1.0)), gain(2.0, (hz, 2.0))])
    assert len(worst.critical) == count


def test_twelve_peaks_are_kept_of_all() -> None:
    peaks = [(100.0 * 1.2**n, float(n)) for n in range(15)]
    assert len(worst_of([gain(0.0, *peaks)]).critical) == 12


@pytest.mark.parametrize(
    ("delay_s", "may"), [(0.0, False), (1e-4, True), (0.1, True), (0.101, False), (-0.01, False)]
)
def test_what_may_be_a_loops_own_delay(delay_s, may):
    assert may_be_own_delay(delay_s) == may
