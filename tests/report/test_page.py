"""The page of a plan: its numbers, its structure, and that nothing from outside becomes markup."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from shaping.analysis.findings import Resonance
from shaping.analysis.first_row.spill import Spill
from shaping.capture import cautions
from shaping.capture.recording import CaptureKind
from shaping.plan.suggestion import Suggestion
from shaping.report.page import plan_page

VOID = {"meta", "link", "input", "br", "hr", "img"}


class Reader(HTMLParser):
    """Checks nesting; gathers elements, text and headings."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.headings: list[int] = []
        self.feed(html)
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open:
            self.text.append(data)

    @property
    def words(self) -> str:
        return " ".join(" ".join(self.text).split())


@pytest.fixture(scope="module")
def page(new_plan, new_capture):
    plan = new_plan(6, loop=True)
    return plan, Reader(plan_page(Suggestion(plan, (new_capture(plan.rings),))))


def test_numbers_on_the_page_are_the_plans(page):
    plan, reader = page
    values = [float(attrs["value"]) for tag, attrs in reader.elements if tag == "data"]
    expected = []
    for planned in plan.filters:
        expected.append(planned.filter.frequency_hz)
        if planned.filter.gain_db is not None:
            expected.append(planned.filter.gain_db)
    assert values == expected + [ring.frequency_hz for ring in plan.rings]


def test_settings_are_read_in_dialling_order_with_reason_and_meaning(page):
    _, reader = page
    at = 0
    for kind, hertz, reason, meaning in (
        ("high-pass", "120 Hz", "Below this the wedge spills", "rumble and boom"),
        ("bell", "250 Hz", "Low mids reach the first rows", "Takes some body out of this wedge"),
        ("bell", "2.51 kHz", "It grew 40 dB/s", "At 2.51 kHz the mic hears the wedge so well"),
        ("bell", "163 Hz", "It grew 40 dB/s", "At 163 Hz the mic hears the wedge so well"),
        ("bell", "631 Hz", "It grew 40 dB/s", "At 631 Hz the mic hears the wedge so well"),
        ("bell", "3.98 kHz", "It grew 40 dB/s", "At 3.98 kHz the mic hears the wedge so well"),
    ):
        at = reader.words.index(f". {kind}", at)
        for part in (hertz, reason, "What this means: ", meaning):
            at = reader.words.index(part, at)
    assert "7. " not in reader.words[reader.words.index("1. high-pass") : at]


def test_everything_a_person_needs_is_there(page):
    plan, reader = page
    for sentence in (
        *cautions.RING_OUT,
        *plan.cautions,
        cautions.EXPOSURE,
        "Q is counted between the points at half the gain in dB",
        "4.2 dB more gain before it howls",
        "3.4 dB less of this wedge",
        "Warning: Hum at 50 Hz: check the cables.",
        "ring at 1.24 kHz (D#6 −6 cents)",
        "possible ring: grew 40 dB/s",
    ):
        assert sentence in reader.words
    # What is dialled in first, and what to mind before the next move right below it.
    last = reader.words.index("6. bell")
    assert last < reader.words.index(cautions.RING_OUT[0]) < reader.words.index("What it buys")


def test_headings_descend_one_at_a_time_from_a_single_h1(page):
    _, reader = page
    assert reader.headings[0] == 1
    assert reader.headings.count(1) == 1
    for before, after in zip(reader.headings, reader.headings[1:], strict=False):
        assert after <= before + 1


def test_figures_speak_and_ids_are_unique(page):
    _, reader = page
    ids = [attrs["id"] for _, attrs in reader.elements if "id" in attrs]
    assert len(ids) == len(set(ids))
    figures = [attrs for tag, attrs in reader.elements if tag == "svg" and "role" in attrs]
    assert len(figures) == 2
    for attrs in figures:
        assert attrs["role"] == "img"
        assert set(attrs["aria-labelledby"].split()) <= set(ids)
    assert "bell −6.0 dB at 2.51 kHz Q 8.6 (1/6 oct)" in reader.words.replace("-6.0", "−6.0")
    uses = [attrs["xlink:href"] for tag, attrs in reader.elements if tag == "use"]
    assert {use.removeprefix("#") for use in uses} <= set(ids)


def test_it_is_self_contained_and_has_no_scripts(page):
    _, reader = page
    assert not [tag for tag, _ in reader.elements if tag in {"script", "iframe", "object"}]
    for tag, attrs in reader.elements:
        for name in ("src", "href", "xlink:href"):
            if attrs.get(name):
                assert attrs[name].startswith(("data:", "#")), (tag, attrs[name][:60])
        assert not [name for name in attrs if name.startswith("on")]


def test_figure_text_is_text_in_the_pages_own_colours(new_plan):
    html = plan_page(Suggestion(new_plan(2)))
    svg = html[html.index("<svg") : html.index("</svg>")]
    assert "2.51 kHz D#7" in svg
    assert "var(--ink)" in svg
    assert not re.search(r"#[0-9a-f]{6}", svg.replace("#000000", ""))


HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(1)>\"'&{{ 7*7 }}"


def test_names_and_sentences_from_outside_are_escaped(new_plan, new_capture, new_limits):
    limits = new_limits(name=HOSTILE, description=HOSTILE)
    plan = new_plan(2, path=f"takes/{HOSTILE}.wav", reason=HOSTILE, limits=limits)
    plan = replace(plan, cautions=(HOSTILE,))
    html = plan_page(Suggestion(plan, (new_capture(plan.rings, path=HOSTILE),)), title=HOSTILE)
    reader = Reader(html)
    assert not [tag for tag, _ in reader.elements if tag in {"script", "img"}]
    assert "49" not in re.sub(r"<svg.*?</svg>", "", html, flags=re.DOTALL).replace("{{ 7*7 }}", "")
    assert reader.words.count("<script>alert(1)</script>") >= 4


@pytest.mark.parametrize("count", [0, 1, 6, 20])
def test_any_number_of_rings_and_a_long_name(new_plan, new_capture, long_name, count):
    plan = new_plan(count, path=long_name)
    reader = Reader(plan_page(Suggestion(plan, (new_capture(plan.rings),))))
    assert len([tag for tag, _ in reader.elements if tag == "svg"]) >= 2
    assert long_name not in reader.words


def test_thinning_alone_without_a_recording(new_plan):
    plan = replace(new_plan(0), captures=())
    reader = Reader(plan_page(Suggestion(plan)))
    assert "Thinning to dial in" in reader.words
    assert "How good the recording is" not in reader.words
    assert "Where a model wedge sends its sound (not measured)" in reader.words
    assert "audience (135°)" in reader.words
    for sentence in cautions.THINNING:
        at = reader.words.index(sentence)
        assert reader.words.index("1. high-pass") < at < reader.words.index("What it buys")
    assert cautions.SAFE_LEVELS in reader.words
    for wrong in ("Rings found", "No rings", "this recording", *cautions.RING_OUT):
        assert wrong not in reader.words


def test_thinning_from_the_first_row_shows_the_spill(new_plan, new_capture):
    plan = new_plan(0)
    captures = tuple(
        replace(plan.captures[0], path=f"{name}.wav", kind=CaptureKind.FIRST_ROW)
        for name in ("wedges", "mains")
    )
    levels = np.linspace(-30.0, -40.0, 9)
    bands = (100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0)
    spill = Spill(bands, levels, levels + 3.0, np.full(9, 3.0), np.full(9, 0.1))
    sounds = [new_capture((), path=capture.path) for capture in captures]
    reader = Reader(
        plan_page(Suggestion(replace(plan, captures=captures), tuple(sounds), spill=spill))
    )
    for text in ("What reaches the first row", "mains alone", "wedges, thinned"):
        assert text in reader.words
    for wrong in ("What was recorded", "No rings", "Rings found", "time in seconds"):
        assert wrong not in reader.words


def test_pink_noise_shows_its_spectrum_and_resonances(new_plan, new_capture):
    plan = new_plan(0)
    plan = replace(
        plan,
        captures=(replace(plan.captures[0], kind=CaptureKind.PINK_NOISE),),
        resonances=(Resonance(2514.0, 8.2, 12.0, 0.4),),
    )
    reader = Reader(plan_page(Suggestion(plan, (new_capture(()),))))
    assert "Resonances found" in reader.words
    assert "8.2 ± 0.4 dB" in reader.words
    for caution in cautions.TEST_SIGNAL:
        assert reader.words.count(caution) == 1
    assert "averaged over the recording" in reader.words


def test_the_loop_and_the_curve_of_added_gain_are_shown(new_plan, new_loop):
    plan = new_plan(3, loop=True)
    assert plan.loop is not None
    plan = replace(plan, loop=replace(plan.loop, added_by_cuts_db=(0.0, 1.5, 2.6, 4.2)))
    reader = Reader(plan_page(Suggestion(plan, loops=(new_loop(),))))
    assert "2 cuts: +2.6 dB" in reader.words
    assert "The loop as measured" in reader.words
    assert "this plan: +4.2 dB" in reader.words
    assert "cannot be told" not in reader.words


def test_what_cannot_be_told_is_said(new_plan):
    said = "How much louder it can go cannot be told from this recording."
    assert said in Reader(plan_page(Suggestion(new_plan(3)))).words
