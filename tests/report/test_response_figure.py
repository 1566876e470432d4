"""What the response figure draws: curves, ticks, marks, labels that never overlap."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from scipy import signal

from shaping.filters.bands import NOMINAL_HZ
from shaping.plan.plan import Purpose
from shaping.report.figures import style
from shaping.report.figures.response import draw_response
from shaping.report.figures.whole import response_figure

RATE_HZ = 48_000


def lines(ax, gid):
    return [line for line in ax.lines if line.get_gid() == gid]


def texts(ax, gid):
    return [text for text in ax.texts if text.get_gid() == gid]


@pytest.fixture
def drawn(new_plan):
    plan = new_plan(6)
    figure = response_figure(plan)
    return plan, figure.axes[0]


def test_total_curve_is_the_product_of_closed_form_bells_and_high_pass(drawn):
    """Against analogue prototypes, below 3 kHz, where the bilinear mapping hardly bends them."""
    plan, ax = drawn
    (total,) = lines(ax, "total")
    hz, got = total.get_data()
    low = hz < 3000
    expected = np.zeros(low.sum())
    for planned in plan.filters:
        f = planned.filter
        x = hz[low] / f.frequency_hz
        if f.order is not None:
            expected += -10 * np.log10(1 + x ** (-2.0 * f.order))
        else:
            a, u = 10 ** (f.gain_db / 40), f.q * (x - 1 / x)
            expected += 10 * np.log10((u**2 + a**2) / (u**2 + 1 / a**2))
    np.testing.assert_allclose(got[low], expected, atol=0.1)


def test_each_filter_has_its_own_curve_in_the_colour_of_its_purpose(drawn):
    plan, ax = drawn
    for number, planned in enumerate(plan.filters, 1):
        (line,) = lines(ax, f"filter-{number}")
        thinning = planned.purpose is Purpose.THINNING
        assert line.get_color() == (style.LIGHT.thinning if thinning else style.LIGHT.feedback)
        assert (line.get_linestyle() == "--") is thinning
        if planned.filter.gain_db is not None:
            hz, db = line.get_data()
            assert db.min() == pytest.approx(planned.filter.gain_db, abs=0.02)
            assert hz[db.argmin()] == pytest.approx(planned.filter.frequency_hz, rel=1e-9)


def test_ticks_are_the_nominal_third_octaves(drawn):
    _, ax = drawn
    low, high = ax.get_xlim()
    ticks = sorted({*ax.get_xticks(), *ax.get_xticks(minor=True)})
    assert ticks == [hz for hz in NOMINAL_HZ if low <= hz <= high]
    labels = [tick.get_text() for tick in ax.get_xticklabels()]
    assert labels == ["31.5", "63", "125", "250", "500", "1k", "2k", "4k", "8k", "16k"]
    assert ax.get_xscale() == "log"


def test_rings_are_marked_on_the_curve_and_labelled_with_hertz_and_note(drawn):
    _, ax = drawn
    (sure,), (possible,) = lines(ax, "ring"), lines(ax, "possible ring")
    assert sorted(sure.get_xdata()) == [163.4, 1240.0, 2514.0, 3980.0]
    assert sorted(possible.get_xdata()) == [631.0, 5210.0]
    (total,) = lines(ax, "total")
    np.testing.assert_allclose(
        sure.get_ydata(), np.interp(sure.get_xdata(), *total.get_data()), atol=1e-9
    )
    # Nearest notes in equal temperament, A4 = 440 Hz (ISO 16): D#7 is 2489.0 Hz, E3 164.8 Hz ...
    assert {text.get_text() for text in texts(ax, "mark-label")} == {
        "2.51 kHz D#7",
        "163 Hz E3",
        "631 Hz D#5",
        "3.98 kHz B7",
        "1.24 kHz D#6",
        "5.21 kHz E8",
    }
    assert sure.get_markerfacecolor() != possible.get_markerfacecolor()


@pytest.mark.parametrize("count", [0, 1, 6, 20, 60])
def test_labels_overlap_neither_each_other_nor_the_edge(new_plan, count):
    plan = new_plan(count)
    figure = response_figure(plan)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    ax = figure.axes[0]
    boxes = sorted(
        (text.get_window_extent(canvas.get_renderer()) for text in texts(ax, "mark-label")),
        key=lambda box: box.x0,
    )
    if count <= 20:  # every third ring is only possible, and five of those are shown
        assert len(boxes) == {0: 0, 1: 1, 6: 6, 20: 14 + 5}[count]
    for left, right in itertools.pairwise(boxes):
        assert left.x1 <= right.x0 + 0.5
    for box in boxes:
        assert box.x0 >= 0
        assert box.x1 <= figure.bbox.x1
        assert box.y1 <= figure.bbox.y1
        assert box.y0 >= ax.bbox.y1


def test_rings_that_cannot_be_labelled_are_counted(new_plan):
    figure = response_figure(new_plan(60))
    labels = [text.get_text() for text in texts(figure.axes[0], "mark-label")]
    marked = 40 + 5  # all that are certain, and the most likely of the possible ones
    assert labels[-1] == f"and {marked - (len(labels) - 1)} more"


def test_every_cut_is_inside_the_axes(new_plan):
    plan = new_plan(20)
    ax = response_figure(plan).axes[0]
    bottom, top = ax.get_ylim()
    (total,) = lines(ax, "total")
    hz, db = total.get_data()
    assert bottom < db[hz > 130].min()
    assert top > db.max()


def test_it_takes_and_returns_axes_at_a_low_sample_rate(new_plan):
    ax = Figure().add_subplot()
    assert draw_response(ax, new_plan(1), 16_000) is ax
    assert ax.get_xlim()[1] < 8_000


def test_a_plan_without_filters_draws_a_flat_line(new_plan):
    ax = response_figure(new_plan(0, thinning=False)).axes[0]
    (total,) = lines(ax, "total")
    assert np.ptp(total.get_ydata()) == 0.0


def test_a_notch_reaches_the_bottom_and_no_further(new_plan):
    from dataclasses import replace

    from shaping.filters.kinds import Filter, FilterKind

    plan = new_plan(1)
    notch = replace(plan.filters[-1], filter=Filter(FilterKind.NOTCH, 2514.0, 20.0))
    ax = response_figure(replace(plan, filters=(notch,))).axes[0]
    assert -40 <= ax.get_ylim()[0] <= -24
    (total,) = lines(ax, "total")
    hz, db = total.get_data()
    # The -3 dB points of a notch lie f0/Q apart (cookbook); scipy's iirnotch agrees on that.
    b, a = signal.iirnotch(2514.0, 20.0, fs=RATE_HZ)
    _, h = signal.freqz(b, a, worN=hz, fs=RATE_HZ)
    beside = np.abs(hz / 2514.0 - 1) > 0.01
    np.testing.assert_allclose(db[beside], 20 * np.log10(np.abs(h[beside])), atol=0.1)
