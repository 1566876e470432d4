# ruff: noqa: F811
"""The sheet of a stage in a real browser: phone, desktop, dark, paper."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from shaping.report.stage_page import stage_page
from shaping.stage.description.stage_file import load_stage
from shaping.stage.plan_stage import plan_stage, read_stage
from tests.report.test_page_browser import VIEWS, browser, printed, show  # noqa: F401

pytestmark = pytest.mark.browser

SHIPPED = Path(__file__).resolve().parents[2] / "audio_samples" / "stage" / "stage.toml"


@pytest.fixture(scope="module")
def suggestion():
    stage = load_stage(SHIPPED)
    return plan_stage(stage, read_stage(stage))


@pytest.fixture(scope="module")
def sheet(suggestion):
    return stage_page(suggestion)


@pytest.mark.parametrize(("width", "scheme"), VIEWS)
def test_the_sheet_reads_well(sheet, suggestion, show, width, scheme):
    found = show(sheet, width, scheme)
    assert found["faults"] == []
    assert found["dark"] is (scheme == "dark")
    expected = [
        planned.filter.frequency_hz
        for wedge in suggestion.plan.wedges
        for planned in wedge.plan.filters
    ]
    assert [value for value, _ in found["values"]] == expected


def test_the_sheet_prints_on_one_side_and_evidence_behind_it(
    sheet,
    suggestion,
    show,
    browser,
    tmp_path,
):
    show(sheet, 1280, "dark")
    sides, text = printed(browser, tmp_path / "sheet.pdf")
    front, *behind = text.split("\f")
    assert sides <= 2 + len(suggestion.plan.wedges)
    assert "Never play a test signal into headphones" in " ".join(front.split())
    for wedge in suggestion.plan.wedges:
        assert wedge.name in front
        assert any(f"Why: {wedge.name}" in side for side in behind)


def test_long_names_do_not_break_it(suggestion, show):
    plan = suggestion.plan
    long_name = "the wedge of the second singer from the left, near the piano"
    wedges = (replace(plan.wedges[0], name=long_name), *plan.wedges[1:])
    stage_wedges = (replace(plan.stage.wedges[0], name=long_name), *plan.stage.wedges[1:])
    stage = replace(plan.stage, wedges=stage_wedges)
    own = {**suggestion.wedges, long_name: suggestion.wedges[plan.wedges[0].name]}
    made = replace(suggestion, plan=replace(plan, wedges=wedges, stage=stage), wedges=own)
    assert show(stage_page(made), 390, "light")["faults"] == []
