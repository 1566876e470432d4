"""A comparison as a picture and as terminal text."""

from __future__ import annotations

import io
import itertools
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from rich.console import Console

from shaping.capture.recording import CaptureKind
from shaping.comparison.changes import BandChange, Fate, GainChange, RingChange
from shaping.comparison.compare import Comparison
from shaping.comparison.diagnosis import Diagnosis, Explanation, Mistake
from shaping.comparison.measured_change import change_of_loops
from shaping.errors import ParameterError
from shaping.report.compare_terminal import print_comparison
from shaping.report.figures.comparison import comparison_figure


def by_id(ax, gid):
    return [artist for artist in ax.get_children() if artist.get_gid() == gid]


@pytest.fixture
def compared(new_plan, new_loop):
    """A path that came back 6 dB lower throughout, where the plan promised its own shape."""
    plan = new_plan(4)
    before = new_loop()
    after = replace(before, response=before.response * 0.5)
    explanation = Explanation(Mistake.OUT, 3, None, None, 4.1, 0.3, Mistake.GAIN, 1.2)
    noise = replace(plan.captures[0], kind=CaptureKind.PINK_NOISE)
    return Comparison(
        before=noise,
        after=replace(noise, path="takes/after.wav"),
        plan=plan,
        rings=(),
        change=change_of_loops(before, after),
        bands=(BandChange(1000.0, -0.2, -0.1, 0.2), BandChange(2500.0, 0.1, -5.0, 0.2)),
        gain=GainChange(-4.0, -2.9, -1.8),
        diagnosis=Diagnosis(-6.0, 0.4, 2.2, 0.4, (explanation,)),
        next_step="Switch setting 3 in.",
    )


def test_figure_draws_measured_against_promised(compared):
    figure = comparison_figure(compared)
    (ax,) = figure.axes
    (measured,), (promised,) = by_id(ax, "measured"), by_id(ax, "promised")
    np.testing.assert_allclose(measured.get_ydata(), -6.02 + 6.0, atol=0.01)
    hz, db = promised.get_data()
    assert db[np.argmin(np.abs(hz - 2514))] == pytest.approx(-5.7, abs=0.6)
    numbers = {text.get_text(): text for text in by_id(ax, "setting-number")}
    assert set(numbers) == {"1", "2", "3", "4", "5", "6"}
    assert [n for n, text in numbers.items() if text.get_bbox_patch() is not None] == ["3"]
    FigureCanvasAgg(figure).draw()
    boxes = sorted((t.get_window_extent() for t in numbers.values()), key=lambda box: box.x0)
    assert all(a.x1 <= b.x0 for a, b in itertools.pairwise(boxes))


def test_ring_outs_have_no_picture(compared):
    with pytest.raises(ParameterError, match="no change of response"):
        comparison_figure(replace(compared, change=None))


def shown(comparison, width=80):
    out = io.StringIO()
    print_comparison(comparison, Console(file=out, width=width))
    return out.getvalue()


@pytest.mark.parametrize("width", [60, 80, 120])
def test_terminal_tells_bands_gain_mistake_and_step(compared, width):
    text = shown(compared, width)
    assert max(map(len, text.splitlines())) <= width
    flat = " ".join(text.split())
    assert "1.1 dB more gain before it howls: -4.0 dB before, -2.9 dB after" in flat
    assert "The plan promised -1.8 dB after" in flat
    assert "2500 Hz +0.1 dB -5.0 dB +5.1 dB" in flat
    assert "1000 Hz -0.2 dB -0.1 dB 2500" in flat  # nothing missed worth a figure
    assert "Setting 3 (2.51 kHz) seems to be bypassed" in flat
    assert "Everything came back 6.0 dB less" in flat
    assert flat.index("Switch setting 3 in.") > flat.index("The next step")
    assert "a hand on the fader" in flat


def test_terminal_tells_the_fate_of_each_ring(compared, new_plan, new_rings):
    one, two, three = new_rings(3)
    plan = new_plan(3)
    ring_out = plan.captures[0]
    text = shown(
        replace(
            compared,
            before=ring_out,
            after=ring_out,
            plan=plan,
            rings=(
                RingChange(Fate.REMAINS, one, one, -6.0),
                RingChange(Fate.NEW, None, two, 0.0),
                RingChange(Fate.GONE, three, None, -4.5),
            ),
        ),
        120,
    )
    flat = " ".join(text.split())
    # Notes in equal temperament, A4 = 440 Hz: D#7 is 2489.0 Hz, E3 164.8 Hz, D#5 622.3 Hz.
    for row in (
        "2.51 kHz (D#7 +17 cents) still there ring, grew 40 dB/s ring, grew 40 dB/s -6.0 dB",
        "163 Hz (E3 -15 cents) new - ring, rang on, fell 35 dB/s 0.0 dB",
        "631 Hz (D#5 +24 cents) gone possible ring, grew 40 dB/s - -4.5 dB",
    ):
        assert row in flat
    assert "only if the send went as high as before" in flat
    assert "Against the plan" not in flat
