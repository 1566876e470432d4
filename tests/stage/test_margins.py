"""Margins of all loops together, against what must hold of any matrix."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shaping.stage.loops.margins import (
    SILENT_DB,
    close_levels,
    entry_loop,
    first_crossing,
    radius_bounds,
    shares,
    worst_levels,
)
from shaping.stage.loops.matrix import PathMatrix, loops
from tests.stage.stage_makers import diffuse_paths, spectra


@given(st.integers(1, 7), st.integers(0, 10_000))
def test_bounds_hold_the_spectral_radius(size, seed):
    rng = np.random.default_rng(seed)
    matrices = rng.exponential(size=(5, size, size)) * (rng.random((5, size, size)) < 0.7)
    radius = np.abs(np.linalg.eigvals(matrices)).max(axis=1)
    low, high = radius_bounds(matrices)
    assert np.all(low <= radius * (1 + 1e-9) + 1e-12)
    assert np.all(high >= radius * (1 - 1e-9) - 1e-12)


@pytest.mark.parametrize("size", [1, 2, 3, 6])
def test_worst_levels_are_those_of_the_spectral_radius(size):
    matrices = np.random.default_rng(size).exponential(size=(400, size, size))
    expected = 20 * np.log10(np.abs(np.linalg.eigvals(matrices)).max(axis=1))
    np.testing.assert_allclose(worst_levels(matrices, reach_db=200.0), expected, atol=1e-9)


@given(st.integers(1, 7), st.integers(0, 10_000))
def test_close_levels_are_those_of_the_spectral_radius(size, seed):
    rng = np.random.default_rng(seed)
    matrices = rng.exponential(size=(5, size, size)) * (rng.random((5, size, size)) < 0.7)
    matrices[:, range(size), range(size)] += 0.05
    radius = np.abs(np.linalg.eigvals(matrices)).max(axis=1)
    np.testing.assert_allclose(close_levels(matrices), 20 * np.log10(radius), atol=0.03)


def test_close_levels_where_eigenvalues_are_equally_large():
    """Round a circle, and in two loops that do not hear each other."""
    ring = np.roll(np.eye(3), 1, axis=0) * 0.5
    apart = np.diag([0.5, 0.5, 0.1])
    found = close_levels(np.stack([ring, apart, np.zeros((3, 3))]))
    np.testing.assert_allclose(found[:2], 20 * np.log10(0.5), atol=0.03)
    assert found[2] == -np.inf


@pytest.mark.parametrize("size", [1, 2, 3, 5])
def test_worst_case_is_never_under_the_in_phase_answer(size):
    for seed in range(5):
        hz, paths = spectra(diffuse_paths(size, size, seed=seed))
        matrices = loops(paths, np.ones((size, size)))
        in_phase = first_crossing(hz, matrices).level_db
        assert worst_levels(np.abs(matrices)).max() >= in_phase - 1e-9


def test_a_crossing_does_not_depend_on_which_side_the_loop_is_cut():
    """P E S and E S P have the same eigenvalues."""
    hz, paths = spectra(diffuse_paths(3, 2, seed=1))
    sends = np.array([[1.0, 0.5, 0.0], [0.3, 0.0, 0.8]])
    at_mics = np.einsum("nmw,wk->nmk", paths, sends)
    one, other = first_crossing(hz, loops(paths, sends)), first_crossing(hz, at_mics)
    assert one.level_db == pytest.approx(other.level_db, abs=1e-9)
    assert one.frequency_hz == pytest.approx(other.frequency_hz, abs=1e-6)


def test_nothing_howls_where_every_send_is_muted():
    hz, paths = spectra(diffuse_paths(2, 2, seed=2))
    found = first_crossing(hz, loops(paths, np.zeros((2, 2))))
    assert found.level_db == SILENT_DB
    assert np.isnan(found.frequency_hz)


@pytest.mark.parametrize("worst", [False, True])
def test_one_send_raised_by_its_headroom_brings_the_whole_to_the_edge(worst):
    """The rank-one answer, against the eigenvalues of the whole with that send raised."""
    hz, paths = spectra(diffuse_paths(3, 3, seed=3))
    sends = 0.1 * np.random.default_rng(3).exponential(size=(3, 3))
    given_ = np.abs(paths) if worst else paths
    matrices = loops(given_, sends)
    part = sends[1, 2] * given_[:, 2, :]
    loop = entry_loop(matrices, 1, part)
    if worst:
        factor = 1 / loop.max()
    else:
        factor = 10 ** (-first_crossing(hz, loop[:, None, None]).level_db / 20)
    raised = sends.copy()
    raised[1, 2] *= factor
    whole = loops(given_, raised)
    top = worst_levels(whole).max() if worst else first_crossing(hz, whole).level_db
    assert factor > 1
    assert top == pytest.approx(0.0, abs=0.02 if not worst else 1e-9)


def test_a_send_cannot_help_where_the_rest_howls_alone():
    matrices = np.array([[[1.2, 0.1], [0.1, 0.3]]])
    assert np.isinf(entry_loop(matrices, 1, matrices[:, 1, :])).all()


@pytest.mark.parametrize("size", [1, 2, 4])
def test_shares_are_what_raising_an_entry_does(size):
    matrix = np.random.default_rng(size).exponential(size=(size, size))
    value, share = shares(matrix)
    assert share.sum() == pytest.approx(1.0)
    for i in range(size):
        for j in range(size):
            raised = matrix.copy()
            raised[i, j] *= 1 + 1e-6
            change = np.abs(np.linalg.eigvals(raised)).max() / abs(value) - 1
            assert change == pytest.approx(share[i, j].real * 1e-6, rel=1e-3, abs=1e-12)


def test_a_path_matrix_gives_its_delays_back():
    hz = np.arange(10.0)
    ones = np.ones((10, 1, 2))
    matrix = PathMatrix("", hz, ones + 0j, 0 * ones, ones > 0, np.array([0, 0.01]))
    np.testing.assert_allclose(matrix.delayed()[:, 0, 1], np.exp(-2j * np.pi * hz * 0.01))
    np.testing.assert_allclose(matrix.delayed()[:, 0, 0], 1.0)
