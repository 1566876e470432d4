"""Straight lines in level against numpy's own least squares."""

import numpy as np
import pytest

from shaping.analysis.ring_out.lines import fit_lines, sliding_lines, steepest_straight


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
    level = 20 * np.log10(np.exp(5 * time))
    slope, deviation = fit_lines(level[None], np.ones((1, 40), np.bool_), 0.01)
    assert slope == pytest.approx(5 * 20 / np.log(10))
    assert deviation == pytest.approx(0.0, abs=1e-6)


def test_lines_of_parts_of_rows_equal_polyfit():
    """Source: numpy.polyfit, an independent least-squares fit."""
    level = np.cumsum(np.random.default_rng(5).standard_normal((4, 30)), axis=1) - 50
    low, high = np.array([0, 3, 10, 25]), np.array([29, 20, 14, 29])
    place = np.arange(30)
    inside = (place >= low[:, None]) & (place <= high[:, None])
    slope, deviation = fit_lines(level, inside, 0.02)
    for row in range(4):
        run = level[row, low[row] : high[row] + 1]
        time = 0.02 * np.arange(run.size)
        expected, offset = np.polyfit(time, run, 1)
        assert slope[row] == pytest.approx(expected, abs=1e-8)
        off = run - expected * time - offset
        assert deviation[row] == pytest.approx(np.sqrt(np.mean(off**2)), abs=1e-8)


def test_steepest_straight_leaves_floor_and_ceiling_out():
    rise = np.concatenate([np.full(20, -80.0), -80 + 2.0 * np.arange(31), np.full(15, -20.0)])
    later = np.concatenate([np.full(8, -80.0), rise[:-8]])
    first, last = steepest_straight(np.stack([rise, later, -60 + 1.0 * np.arange(66)]), 0.015)
    assert first == pytest.approx([20, 28, 0], abs=2)
    assert last == pytest.approx([50, 58, 65], abs=2)
