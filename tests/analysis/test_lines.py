"""Straight lines in level against numpy's own least squares."""

import numpy as np
import pytest

from shaping.analysis.lines import fit_line, sliding_lines, steepest_straight


def test_every_sliding_line_equals_polyfit():
    """Source: numpy.polyfit, an independent least-squares fit."""
    level = np.cumsum(np.random.default_rng(2).standard_normal((3, 50)), axis=1) - 60
    hop_s, length = 0.015, 11
    lines = sliding_lines(level, hop_s, length)
    time = np.arange(length) * hop_s
    for row in range(3):
        for start in range(40):
            run = level[row, start : start + length]
            slope, offset = np.polyfit(time, run, 1)
            deviation = np.sqrt(np.mean((run - slope * time - offset) ** 2))
            assert lines.slope_db_per_s[row, start] == pytest.approx(slope, abs=1e-8)
            assert lines.deviation_db[row, start] == pytest.approx(deviation, abs=1e-6)


def test_exponential_growth_is_a_straight_line():
    time = np.arange(40) * 0.01
    slope, deviation = fit_line(20 * np.log10(np.exp(5 * time)), 0.01)
    assert slope == pytest.approx(5 * 20 / np.log(10))
    assert deviation == pytest.approx(0.0, abs=1e-6)


def test_steepest_straight_leaves_floor_and_ceiling_out():
    level = np.concatenate([np.full(20, -80.0), -80 + 2.0 * np.arange(31), np.full(15, -20.0)])
    first, last = steepest_straight(level, 0.015)
    assert first == pytest.approx(20, abs=2)
    assert last == pytest.approx(50, abs=2)
