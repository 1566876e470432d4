"""The sheet of a stage: what it says, what it escapes, how it fits."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console

from shaping.report import stage_words
from shaping.report.figures.matrix import matrix_figure
from shaping.report.stage_page import stage_page
from shaping.report.stage_terminal import print_margins, print_stage
from shaping.stage.description.stage_file import load_stage
from shaping.stage.plan_stage import plan_stage, read_stage

SHIPPED = Path(__file__).resolve().parents[2] / "audio_samples" / "stage" / "stage.toml"


@pytest.fixture(scope="module")
def suggestion():
    stage = load_stage(SHIPPED)
    return plan_stage(stage, read_stage(stage))


@pytest.fixture(scope="module")
def page(suggestion):
    return stage_page(suggestion)


def test_the_answer_comes_first_and_every_setting_has_a_box(suggestion, page):
    settings = sum(len(wedge.plan.filters) for wedge in suggestion.plan.wedges)
    assert page.count('type="checkbox"') == settings
    order = ("all sends together may go up", "Dial in", 'id="before"', "What decides")
    places = [page.index(text) for text in order]
    assert places == sorted(places)
    for wedge in suggestion.plan.wedges:
        assert f"<h3>{wedge.name} " in page
        assert f"Why: {wedge.name}" in page


def test_the_page_needs_nothing_from_outside(page):
    assert "<script" not in page
    assert not re.search(r'(?:src|href)="(?!data:|#)', page)


def test_names_from_outside_are_escaped(suggestion):
    plan = suggestion.plan
    evil = '<b onload="x">&'
    stage = replace(plan.stage, mics=(replace(plan.stage.mics[0], name=evil), *plan.stage.mics[1:]))
    sends = tuple(replace(one, mic=evil) for one in plan.sends)
    made = stage_page(replace(suggestion, plan=replace(plan, stage=stage, sends=sends)))
    assert "<b onload" not in made


def test_the_matrix_marks_the_limiting_send_without_colour(suggestion):
    rows = stage_words.matrix(suggestion.plan)
    deciding = [cell for row in rows for cell in row if cell.deciding]
    assert len(deciding) == 1
    assert deciding[0].send
    figure = matrix_figure(rows, width_in=4.6)
    (ax,) = figure.axes
    thick = [patch for patch in ax.patches if patch.get_gid() == "deciding"]
    assert len(thick) == 1
    others = [p for p in ax.patches if p.get_gid() != "deciding"]
    assert thick[0].get_linewidth() > max(p.get_linewidth() for p in others)
    assert "★" in [text.get_text() for text in ax.texts]
    numbers = [text.get_text() for text in ax.texts if text.get_text() != "★"]
    assert len(numbers) == len(rows) * len(rows[0])


def test_the_terminal_says_the_same(suggestion):
    console = Console(width=80, record=True, file=io.StringIO())
    print_stage(suggestion.plan, console)
    text = console.export_text()
    assert "may go up" in text
    assert "Who hears whom" in text
    assert all(len(line) <= 80 for line in text.splitlines())


def test_margins_are_told_against_the_planned_ones(suggestion):
    plan = suggestion.plan
    console = Console(width=80, record=True, file=io.StringIO())
    print_margins(plan, plan, console)
    assert "0.0 dB by the changes" in console.export_text()


def test_a_stage_that_could_howl_is_told_to_come_down(suggestion):
    plan = suggestion.plan
    worse = replace(plan.after, stable_gain_db=-2.4, stable_gain_low_db=-2.5)
    (first, *_) = stage_words.answer(replace(plan, after=worse))
    assert "must come down 2.5 dB" in first
