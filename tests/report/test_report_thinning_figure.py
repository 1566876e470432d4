from dataclasses import replace

import numpy as np
import pytest

from shaping.analysis.first_row.spill import Spill
from shaping.capture.recording import CaptureKind
from shaping.equaliser.limits_file import load_limits
from shaping.plan.plan import CaptureSummary
from shaping.plan.suggestion import Suggestion
from shaping.plan.thinning.planner import thin
from shaping.report.figures.whole import plan_figure, save_figure

BANDS = (100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0)


PLAN = thin(load_limits("parametric-4"), amount="medium").plan
MEASURED = replace(
    PLAN,
    captures=tuple(
        CaptureSummary(f"{name}.wav", 48_000, 1, 15.0, CaptureKind.FIRST_ROW, ())
        for name in ("wedges", "mains")
    ),
)


@pytest.fixture
def spill():
    wedges = np.linspace(-30, -40, 9)
    mains = np.full(9, -28.0)
    return Spill(BANDS, wedges, mains, mains - wedges, np.full(9, 0.1))


def by_id(figure):
    below = figure.axes[1]
    return {drawn.get_gid(): drawn for drawn in below.get_children() if drawn.get_gid()}


def test_spill_is_drawn_relative_to_the_mains_with_the_effect_of_the_plan(spill):
    drawn = by_id(plan_figure(Suggestion(MEASURED, spill=spill)))
    assert set(drawn) == {"mains", "wedges", "wedges-thinned"}
    np.testing.assert_allclose(drawn["mains"].get_data().values, 0.0)
    np.testing.assert_allclose(drawn["wedges"].get_data().values, spill.wedges_db + 28.0)
    change = drawn["wedges-thinned"].get_data().values - drawn["wedges"].get_data().values
    # Medium thinning is a bell of -4.5 dB at 250 Hz and a high-pass at 120 Hz.
    assert change[BANDS.index(250.0)] == pytest.approx(-4.7, abs=0.2)
    assert change[BANDS.index(125.0)] == pytest.approx(-3.9, abs=0.3)
    edges = drawn["mains"].get_data().edges
    np.testing.assert_allclose(edges, 10 ** (np.arange(19.5, 29) / 10), rtol=1e-9)


def test_without_filters_there_are_two_lines(spill):
    plan = replace(MEASURED, filters=())
    assert set(by_id(plan_figure(Suggestion(plan, spill=spill)))) == {"mains", "wedges"}


def behind_db(hz):
    """Level 135 degrees off the axis of a 12-inch piston in a box 0.4 m wide, relative to the axis.

    Source: Beranek, Acoustics, 1954 (from memory): a piston's directivity is 2 J1(x) / x, here as
    the integral over its strips; and full space behind against half space in front from 115 Hz
    over the width in metres. The piston stays as narrow as a horn of 90 degrees, and no box shades
    by more than 25 dB.
    """
    x = np.minimum(2 * np.pi * hz * 0.127 / 343.2, 2.2151 / np.sin(np.pi / 4))
    strip = (np.arange(4000) + 0.5) / 4000
    piston = 4 / np.pi * np.mean(np.sqrt(1 - strip**2) * np.cos(np.outer(x, strip)), axis=1)
    u = 1j * hz * 0.4 / (np.sqrt(2) * 115)
    box = (1 + (1 - np.sqrt(0.5)) * u) / (1 + 2 * u)
    return np.maximum(20 * np.log10(np.abs(piston * box)), -25.0)


def test_directivity_is_that_of_the_model():
    figure = plan_figure(Suggestion(PLAN))
    drawn = by_id(figure)
    assert set(drawn) == {"audience", "angle-45", "angle-90", "angle-180"}
    x, y = drawn["audience"].get_data()
    np.testing.assert_allclose(y, behind_db(x), atol=0.05)
    assert x[0] < 100 < 5000 < x[-1]
    texts = [text.get_text() for text in figure.texts]
    assert any("not measured" in text for text in texts)
    assert "total" in {drawn.get_gid() for drawn in figure.axes[0].get_children()}


def test_figure_can_be_saved(spill, tmp_path):
    save_figure(plan_figure(Suggestion(MEASURED, spill=spill)), tmp_path / "spill.png")
    assert (tmp_path / "spill.png").stat().st_size > 10_000
