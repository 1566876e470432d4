"""Margins of many loops at once, against other ways to the same answer."""

from __future__ import annotations

import control
import numpy as np
import pytest

from shaping.analysis.findings import LoopResponse
from shaping.analysis.loop.stability import in_phase_interval, stable_gain
from shaping.simulation.multi_loop import (
    MultiStage,
    encirclements,
    growth_db_per_s,
    turning_gain_db,
)
from shaping.stage.loops.margins import first_crossing, worst_levels
from shaping.stage.loops.matrix import loops
from tests.stage.stage_makers import RATE, diffuse_paths, spectra


def single(hz: np.ndarray, response: np.ndarray) -> LoopResponse:
    """Return one path as the single-loop analysis takes it; its delay is as good as none."""
    return LoopResponse(
        hz,
        response,
        np.ones(hz.size),
        np.zeros(hz.size),
        variance=np.zeros(hz.size),
        excited=np.ones(hz.size, bool),
        trusted=np.ones(hz.size, bool),
        delay_s=1e-15,
        clock_ppm=0.0,
        coherence_median=1.0,
    )


def test_one_mic_in_one_wedge_is_the_single_loop():
    """Source: the single-loop analysis of this package (Nyquist 1932), which others tested."""
    for seed in range(4):
        hz, paths = spectra(diffuse_paths(1, 1, seed=seed))
        path = single(hz, paths[:, 0, 0])
        alone = stable_gain(path)
        in_phase_db, _ = in_phase_interval(path, same_start=True)
        matrices = loops(paths, np.ones((1, 1)))
        assert first_crossing(hz, matrices).level_db == pytest.approx(-in_phase_db, abs=1e-9)
        # The single loop's top is that of a parabola through the highest point.
        assert worst_levels(np.abs(matrices)).max() == pytest.approx(
            -alone.critical[0].gain_db, abs=0.02
        )


def test_uncoupled_loops_are_the_worst_single_loop():
    """Source: the single-loop analysis of this package (Nyquist 1932), which others tested."""
    hz, paths = spectra(diffuse_paths(4, 4, seed=5))
    paths = paths * np.eye(4) * np.array([0.5, 1.0, 0.9, 0.7])
    alone = [in_phase_interval(single(hz, paths[:, i, i]), same_start=True)[0] for i in range(4)]
    together = first_crossing(hz, loops(paths, np.eye(4)))
    assert -together.level_db == pytest.approx(min(alone), abs=1e-9)


@pytest.mark.parametrize(("mics", "wedges"), [(1, 1), (2, 2), (3, 2), (2, 4), (6, 4)])
def test_the_determinant_starts_to_turn_where_an_eigenvalue_crosses(mics, wedges):
    """Two independent routines: turns of det(I - P E S), and crossings of eigenvalues.

    Source: A. G. J. MacFarlane, I. Postlethwaite, Int. J. Control 25(1), 1977, generalised
    Nyquist criterion: both count the same unstable modes.
    """
    paths = diffuse_paths(mics, wedges, seed=10 * mics + wedges)
    sends = np.random.default_rng(mics).uniform(0.2, 1.0, (wedges, mics))
    hz, spectrum = spectra(paths, oversampling=16)
    edge_db = -first_crossing(hz, loops(spectrum, sends)).level_db
    stage = MultiStage(RATE, paths, sends)
    assert encirclements(stage, edge_db - 0.02) == 0
    assert encirclements(stage, edge_db + 0.02) >= 1


@pytest.mark.parametrize(("mics", "wedges"), [(2, 2), (3, 2), (2, 3)])
def test_the_time_domain_turns_at_the_predicted_gain(mics, wedges):
    """Source: direct simulation of the closed loops, sample by sample."""
    paths = diffuse_paths(mics, wedges, seed=mics)
    sends = np.random.default_rng(wedges).uniform(0.2, 1.0, (wedges, mics))
    hz, spectrum = spectra(paths)
    edge_db = -first_crossing(hz, loops(spectrum, sends)).level_db
    stage = MultiStage(RATE, paths, sends)
    assert turning_gain_db(stage, edge_db, duration_s=3.0) == pytest.approx(edge_db, abs=0.1)
    assert growth_db_per_s(stage, edge_db - 1.0, duration_s=2.0) < 0


@pytest.mark.parametrize("seed", range(5))
def test_poles_of_a_rational_system_reach_the_unit_circle_at_the_predicted_gain(seed):
    """Source: python-control, closed-loop poles of a 2 x 2 discrete system in state space."""
    rng = np.random.default_rng(seed)
    size = 8
    a = rng.standard_normal((size, size))
    a *= 0.93 / np.abs(np.linalg.eigvals(a)).max()
    system = control.ss(a, rng.standard_normal((size, 2)), rng.standard_normal((2, size)), 0, True)
    turn = np.linspace(-0.01, np.pi + 0.01, 40_000)  # across both ends, where all is real
    response = np.moveaxis(system(np.exp(1j * turn)), 2, 0)
    edge = 10 ** (-first_crossing(turn, response).level_db / 20)

    def radius(gain: float) -> float:
        closed = control.feedback(system, gain * control.ss([], [], [], np.eye(2), True), sign=1)
        return float(np.abs(closed.poles()).max())

    assert radius(edge * 0.999) < 1 < radius(edge * 1.001)


def test_doubling_the_open_mics_costs_three_decibels_on_average():
    """All mics into one wedge, equal sends, equal levels, independent paths: 10 log N.

    Source: the number-of-open-microphones rule of sound reinforcement handbooks (from memory);
    common practice says 3 dB per doubling.
    """
    found = {}
    for mics in (1, 4, 16):
        edges = []
        for seed in range(12):
            hz, paths = spectra(diffuse_paths(mics, 1, seed=100 + seed))
            edges.append(-first_crossing(hz, loops(paths, np.ones((1, mics)))).level_db)
        found[mics] = np.mean(edges)
    assert found[1] - found[4] == pytest.approx(10 * np.log10(4), abs=1.0)
    assert found[4] - found[16] == pytest.approx(10 * np.log10(4), abs=1.0)
