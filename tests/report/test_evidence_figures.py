"""What the spectrogram, the loop figure and the curve of added gain draw."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from shaping.analysis.findings import CriticalFrequency
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.suggestion import Suggestion
from shaping.report.figures import style
from shaping.report.figures.whole import (
    draw_added_gain,
    draw_loop,
    draw_spectrogram,
    evidence_figure,
)


def by_id(ax, gid):
    return [artist for artist in ax.get_children() if artist.get_gid() == gid]


def test_spectrogram_is_loudest_where_and_when_each_ring_sounds(new_capture, new_rings):
    rings = new_rings(3)
    capture = new_capture(rings)
    ax = draw_spectrogram(Figure().add_subplot(), capture, rings)
    (mesh,) = by_id(ax, "levels")
    levels = mesh.get_array()
    corners = mesh.get_coordinates()
    time_s, hz = corners[0, :, 0], corners[:, 0, 1]
    assert time_s[0] >= 0
    assert time_s[-1] == pytest.approx(10.0, abs=0.1)
    for ring in rings:
        column = np.searchsorted(time_s, ring.onset_s + 0.6) - 1
        row = int(np.argmax(levels[:, column]))
        assert hz[row] / 1.04 <= ring.frequency_hz <= hz[row + 1] * 1.04
        assert levels[row, column] == pytest.approx(20 * np.log10(0.3), abs=1.5)
        quiet = np.searchsorted(time_s, ring.onset_s - 0.5) - 1
        assert levels[row, quiet] < levels[row, column] - 30


def test_spectrogram_boxes_each_ring_for_as_long_as_it_stood_out(new_capture, new_rings):
    rings = new_rings(6)
    ax = draw_spectrogram(Figure().add_subplot(), new_capture(rings), rings)
    boxes = by_id(ax, "ring")
    assert len(boxes) == 6
    for ring, box in zip(rings, boxes, strict=True):
        x, y = box.get_data()
        assert min(y) < ring.frequency_hz < max(y)
        assert min(x) == pytest.approx(ring.onset_s, abs=0.1)
        once_s = ring.duration_s / ring.occurrences
        assert max(x) == pytest.approx(ring.onset_s + once_s, abs=0.1)
        assert (box.get_linestyle() == "-") is (ring.confidence > 0.9)


def test_spectrogram_boxes_every_time_a_ring_stood_out(new_capture, new_rings):
    (ring,) = new_rings(1)
    ring = replace(ring, spells=((1.0, 2.5), (6.0, 6.9)), occurrences=2)
    ax = draw_spectrogram(Figure().add_subplot(), new_capture((ring,)), (ring,))
    spans = [(min(box.get_xdata()), max(box.get_xdata())) for box in by_id(ax, "ring")]
    assert spans == [pytest.approx(spell, abs=0.1) for spell in ring.spells]


@pytest.mark.parametrize("count", [1, 6, 20])
def test_spectrogram_labels_do_not_overlap(new_plan, new_capture, count):
    plan = new_plan(count)
    figure = evidence_figure(Suggestion(plan, (new_capture(plan.rings),)))
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    texts = [t for t in figure.axes[0].texts if t.get_gid() == "ring-label"]
    boxes = sorted((t.get_window_extent() for t in texts), key=lambda box: box.y0)
    assert len(boxes) == min(count, 8)
    assert all(a.y1 <= b.y0 + 1 for a, b in itertools.pairwise(boxes))
    assert all(box.x1 <= figure.bbox.x1 for box in boxes)
    urgent = {
        f"{ring.frequency_hz / 1000:.2f} kHz"
        if ring.frequency_hz > 999.5
        else f"{ring.frequency_hz:.0f} Hz"
        for ring in plan.rings[:8]
    }
    assert {t.get_text() for t in texts} == urgent


def test_spectrogram_of_a_very_short_or_silent_capture(new_capture):
    capture = new_capture((), duration_s=0.02)
    ax = draw_spectrogram(Figure().add_subplot(), capture, ())
    assert ax.get_xlim()[1] == pytest.approx(0.02)
    silent = replace(capture, samples=np.zeros(48_000, np.float32))
    draw_spectrogram(Figure().add_subplot(), silent, ())


def test_loop_draws_before_and_after_only_where_trusted(new_loop):
    loop = new_loop()
    cut = Filter(FilterKind.PEAKING, 2514.0, 5.0, -6.0)
    ax = draw_loop(
        Figure().add_subplot(),
        [loop],
        filters=[cut],
        sample_rate_hz=48_000,
        critical=[CriticalFrequency(2514.0, 8.0)],
    )
    (before,), (after,) = by_id(ax, "before"), by_id(ax, "after")
    hz, level = before.get_data()
    assert np.nanmax(level) == pytest.approx(20 * np.log10(0.4), abs=0.05)
    assert hz[np.nanargmax(level)] == pytest.approx(2514.0, rel=0.01)
    change = after.get_ydata() - level
    assert np.nanmin(change) == pytest.approx(-6.0, abs=0.1)
    gap = (hz > 3005) & (hz < 3895)
    assert gap.any()
    assert np.isnan(level[gap]).all()
    assert not np.isnan(level[(hz > 95) & (hz < 2990)]).any()
    (mark,) = by_id(ax, "critical")
    assert list(mark.get_xdata()) == [2514.0]
    assert mark.get_ydata()[0] == pytest.approx(20 * np.log10(0.4), abs=0.1)
    spans = by_id(ax, "untrusted")
    assert len(spans) == 3  # below, the gap, above
    labels = [text.get_text() for text in ax.get_legend().get_texts()]
    assert labels.count("too noisy to tell") == 1


def test_loop_error_band_is_two_standard_deviations_to_each_side(new_loop):
    loop = new_loop()
    ax = draw_loop(Figure().add_subplot(), [loop], sample_rate_hz=48_000)
    (band,) = by_id(ax, "error")
    points = np.concatenate([path.vertices for path in band.get_paths()])
    near = points[np.abs(points[:, 0] - 1002) < 4]
    assert np.ptp(near[:, 1]) == pytest.approx(4 * 0.6, abs=0.05)
    assert by_id(ax, "after") == []


def test_loop_of_several_captures_spans_them_and_follows_the_highest(new_loop):
    """The second capture lies 6 dB higher below 1 kHz and 6 dB lower above."""
    first = new_loop()
    step = np.where(first.frequency_hz < 1000.0, 2.0, 0.5)
    second = replace(first, response=first.response * step)
    cut = Filter(FilterKind.PEAKING, 2514.0, 5.0, -6.0)
    ax = draw_loop(Figure().add_subplot(), [first, second], filters=[cut], sample_rate_hz=48_000)
    assert by_id(ax, "error") == []
    (band,) = by_id(ax, "spread")
    points = np.concatenate([path.vertices for path in band.get_paths()])
    (before,), (after,) = by_id(ax, "before"), by_id(ax, "after")
    for hz, highest_db in ((500.0, 6.02), (2514.0, 0.0)):
        level = 20 * np.log10(np.abs(first.response[np.argmin(np.abs(first.frequency_hz - hz))]))
        near = points[np.abs(points[:, 0] - hz) < 8, 1]
        assert np.ptp(near) == pytest.approx(6.02, abs=0.3)
        assert np.interp(hz, *before.get_data()) == pytest.approx(level + highest_db, abs=0.1)
    assert np.interp(2514.0, *after.get_data()) == pytest.approx(20 * np.log10(0.4) - 6, abs=0.1)
    labels = [text.get_text() for text in ax.get_legend().get_texts()]
    assert "range of 2 captures" in labels


def test_one_capture_that_can_be_trusted_is_enough(new_loop):
    """What one capture cannot tell another may; captures may differ in length."""
    first = new_loop()
    every = np.arange(0, first.frequency_hz.size, 2)
    short = replace(
        first,
        frequency_hz=first.frequency_hz[every],
        response=first.response[every],
        coherence=first.coherence[every],
        error_db=first.error_db[every],
        trusted=np.ones(every.size, bool),
    )
    ax = draw_loop(Figure().add_subplot(), [first, short], sample_rate_hz=48_000)
    (before,) = by_id(ax, "before")
    hz, level = before.get_data()
    gap = (hz > 3005) & (hz < 3895)
    assert gap.any()
    assert np.isfinite(level[gap]).all()
    assert by_id(ax, "untrusted") == []


def test_added_gain_curve_marks_the_plan():
    gains = [0.0, 1.4, 2.4, 3.1, 3.5]
    ax = draw_added_gain(Figure().add_subplot(), gains, recommended=2)
    (curve,) = by_id(ax, "added-gain")
    np.testing.assert_allclose(curve.get_data(), [range(5), gains])
    (mark,) = by_id(ax, "recommended")
    assert (mark.get_xdata()[0], mark.get_ydata()[0]) == (2, 2.4)
    assert any("+2.4 dB" in text.get_text() for text in ax.texts)
    assert ax.get_ylim()[0] < 0 < 3.5 < ax.get_ylim()[1]


def test_levels_darken_all_the_way():
    """So that a spectrogram reads the same in greyscale."""
    luminance = [
        0.2126 * int(c[1:3], 16) + 0.7152 * int(c[3:5], 16) + 0.0722 * int(c[5:], 16)
        for c in style.QUIET_TO_LOUD
    ]
    assert all(a - b > 10 for a, b in itertools.pairwise(luminance))
