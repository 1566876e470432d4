"""The picture of spill against intelligibility shows the figures it was given."""

from __future__ import annotations

import numpy as np

from shaping.plan.thinning.spill_cost import SpillCost
from shaping.report.figures.spill_cost import spill_cost_figure

THINNED = (SpillCost("none", 0.0, 0.5), SpillCost("light", -2.0, 0.49))
DOWN = (SpillCost("0 dB down", 0.0, 0.5), SpillCost("12 dB down", -12.0, 0.2))


def drawn(figure):
    return {line.get_gid(): line for line in figure.axes[0].get_lines()}


def test_lines_show_the_costs_and_all_fit():
    figure = spill_cost_figure(THINNED, DOWN, SpillCost("yours", 1.5, 0.52))
    lines = drawn(figure)
    assert set(lines) == {"thinned", "turned-down", "own"}
    np.testing.assert_allclose(lines["thinned"].get_xydata(), [[0.0, 0.5], [2.0, 0.49]])
    np.testing.assert_allclose(lines["turned-down"].get_xydata(), [[0.0, 0.5], [12.0, 0.2]])
    np.testing.assert_allclose(lines["own"].get_xydata(), [[-1.5, 0.52]])
    low, high = figure.axes[0].get_xlim()
    assert low < -1.5
    assert high > 12.0


def test_names_stand_beside_their_points():
    ax = spill_cost_figure(THINNED, DOWN).axes[0]
    assert "own" not in {line.get_gid() for line in ax.get_lines()}
    assert {text.get_text(): text.xy for text in ax.texts} == {
        "none": (0.0, 0.5),
        "light": (2.0, 0.49),
    }
