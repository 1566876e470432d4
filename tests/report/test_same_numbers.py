"""One ring has one number, wherever a person meets it; and a wedge one name."""

from __future__ import annotations

import io
import json
import re

import pytest
from click.testing import CliRunner
from rich.console import Console

from shaping import CaptureKind, load_limits, plan_from_json, plan_to_json, read_capture, suggest
from shaping.cli.suggest_command import command
from shaping.report import words
from shaping.report.figures.whole import plan_figure
from shaping.report.page import plan_page
from shaping.report.terminal import print_plan
from shaping.text.frequency import frequency_text, hertz_text


@pytest.fixture(scope="module")
def suggestion(samples_folder):
    path = samples_folder / "vocal_wedge_ring_out.flac"
    return suggest([read_capture(path, kind=CaptureKind.RING_OUT)], load_limits("parametric-4"))


def test_a_ring_has_the_same_number_in_terminal_page_picture_and_json(suggestion):
    console = Console(file=io.StringIO(), width=100, record=True)
    print_plan(suggestion, console)
    terminal = console.export_text()
    page = plan_page(suggestion)
    told = re.sub(r"<[^>]*>", " ", page)
    drawn = {text.get_text() for ax in plan_figure(suggestion).axes for text in ax.texts}
    written = json.loads(plan_to_json(suggestion.plan))
    for ring, kept in zip(suggestion.plan.rings, written["rings"], strict=True):
        hertz = hertz_text(ring.frequency_hz)
        assert frequency_text(ring.frequency_hz) in terminal
        assert told.count(hertz) >= 3  # why, picture, table
        assert any(hertz in text for text in drawn)
        assert hertz_text(kept["frequency_hz"]) == hertz
        assert words.finding_text(ring).endswith(frequency_text(ring.frequency_hz))


def test_a_wedge_has_the_name_it_was_given_everywhere(samples_folder, tmp_path):
    page, plan = tmp_path / "plan.html", tmp_path / "plan.json"
    source = str(samples_folder / "vocal_wedge_ring_out.flac")
    asked = [source, "--name", "Wedge 2 & <i>", "--html", str(page), "--json", str(plan)]
    done = CliRunner().invoke(command, asked, catch_exceptions=False)
    assert done.output.startswith("Wedge 2 & <i>\n")
    html = page.read_text("utf-8")
    assert "<title>Wedge 2 &amp; &lt;i&gt;: settings to dial in</title>" in html
    assert "<h1>Wedge 2 &amp; &lt;i&gt;: settings to dial in</h1>" in html
    text = plan.read_text("utf-8")
    assert plan_from_json(text).name == "Wedge 2 & <i>"
    assert plan_to_json(plan_from_json(text)) == text
