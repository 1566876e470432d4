"""What people read of in-ear feeds, from records: words, terminal, figure, page."""

from __future__ import annotations

import io
import math
from dataclasses import replace

import numpy as np
import pytest
from rich.console import Console

from shaping.analysis.feeds.measure import Signal
from shaping.analysis.feeds.outputs import RESPONSE_BANDS_HZ
from shaping.analysis.feeds.steps import Dynamics
from shaping.analysis.feeds.thresholds import Thresholds
from shaping.analysis.feeds.verdict.judge import judge
from shaping.report.feeds import words
from shaping.report.feeds.figure import feeds_figure
from shaping.report.feeds.page import feeds_page
from shaping.report.feeds.terminal import print_feeds
from tests.analysis.feeds.feeds_makers import LEFT, NOTHING, RIGHT, known_state, louder, pack

SIGNAL = Signal(48_000, -24.0)
BOTH = (LEFT, RIGHT)


def report_of(measures, *, known=None):
    feeds = judge(measures, Thresholds(), known=known)
    return words.FeedsReport(
        feeds, Thresholds(), "feeds.wav", SIGNAL, "good.json" if known else None
    )


@pytest.fixture(scope="module")
def report():
    bands = np.zeros(len(RESPONSE_BANDS_HZ))
    bands[3] = -8.0
    guard = Dynamics(0.0, 2.0, -2.0, math.inf)
    return report_of(
        [
            pack("lead vocal"),
            pack("keys", (RIGHT, LEFT)),
            pack("drums", louder(BOTH, -48.0)),
            pack("<b>bass</b>", (LEFT, NOTHING)),
            pack("gone", ()),
            pack("choir", tuple(replace(one, bands_db=bands) for one in BOTH)),
            pack("guitar", tuple(replace(one, dynamics=guard) for one in BOTH)),
            pack("speaker", (LEFT,), mono=True),
        ]
    )


def printed(report, width):
    console = Console(file=io.StringIO(), width=width)
    print_feeds(report, console)
    return console.file.getvalue()


def test_the_answer_comes_first(report):
    assert words.title(report) == "5 of 8 in-ear feeds fail"
    assert words.title(report_of([pack("a"), pack("b")])) == "All 2 in-ear feeds are sound"
    assert words.title(report_of([pack("a", ())])) == "1 in-ear feed: silent"
    assert words.title(report_of([pack("a")])) == "1 in-ear feed: sound"


@pytest.mark.parametrize("width", [50, 80, 120])
def test_the_terminal_fits_and_loses_nothing(report, width):
    text = printed(report, width)
    assert max(len(line) for line in text.splitlines()) <= width
    flat = " ".join(text.split())
    for told in ("gone", "silent", "right side dead", "-48.0 dB", "sides swapped", "uneven"):
        assert told in flat
    assert flat.index("gone") < flat.index("drums") < flat.index("lead vocal")
    assert "Do: Swap the two sides" in flat
    assert "guitar: A limiter works from 2 dB below" in flat
    assert "whether an earpiece seals" in flat
    assert "Take every pack off the ears first" in flat


def test_what_cannot_be_told_goes_with_what_was_recorded(report):
    assert words.ONE_CHANNEL in words.limits_of_this(report)
    two = words.limits_of_this(report_of([pack("a"), pack("b", take="b.wav")]))
    assert words.TWO in two
    assert words.APART in two
    alone = words.limits_of_this(report_of([pack("a")]))
    assert words.ALONE in alone
    assert words.SAME_GAIN not in alone
    known = report_of([pack("a")], known={"a": known_state()})
    assert words.ALONE not in words.limits_of_this(known)


def test_the_page_escapes_names_and_says_what_each_ear_gets(report):
    page = feeds_page(report)
    assert "<b>bass</b>" not in page
    assert "&lt;b&gt;bass&lt;/b&gt;" in page
    assert "left ear gets right, right ear gets left" in page
    assert "left ear gets left, right ear gets nothing" in page
    assert page.count("<svg") == 2
    assert "level: 3 dB" in page
    assert feeds_page(report) == page


def test_a_change_since_last_is_shown_where_it_is_known():
    known = {name: known_state() for name in "abc"}
    report = report_of([pack("a", louder(BOTH, -6.0)), pack("b"), pack("c")], known=known)
    assert "Since last" in printed(report, 100)
    assert "6.0 dB since the last good state" in feeds_page(report)
    assert "Since last" not in printed(report_of([pack("a"), pack("b")]), 100)


def test_the_figure_marks_every_ear_at_its_level(report):
    levels, responses = feeds_figure(report).axes
    marks = {line.get_gid(): line.get_xdata()[0] for line in levels.lines if line.get_gid()}
    names = [one.name for one in report.feeds]
    drums = names.index("drums")
    assert marks[f"level-{drums}-left"] == pytest.approx(-48.0)
    assert f"level-{names.index('gone')}-left" not in marks
    texts = [text.get_text() for text in levels.texts]
    assert texts == [words.verdict_text(one) for one in report.feeds]
    labels = [text.get_text() for text in responses.get_legend().get_texts()]
    assert labels == ["choir", "the others"] or labels == ["the others", "choir"]
