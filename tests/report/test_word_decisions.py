"""When numbers become words: comparisons, checks and places, on both sides of each boundary."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest
from rich.console import Console

from shaping.capture.recording import CaptureKind
from shaping.comparison.changes import BandChange
from shaping.comparison.compare import Comparison
from shaping.comparison.diagnosis import Diagnosis, Explanation, Mistake
from shaping.plan.plan import CaptureSummary
from shaping.report.compare_terminal import _missed, print_comparison
from shaping.report.gains_text import _send_texts
from shaping.text.quantities import octaves_text
from tests.plan.loop.test_loop_planner_decisions import loop


@pytest.mark.parametrize(
    ("measured_db", "promised_db", "error_db", "told"),
    [
        (-4.4, -3.0, 0.1, ""),
        (-4.6, -3.0, 0.1, "-1.6 dB"),
        (1.6, None, 0.1, "+1.6 dB"),
        (-4.9, -3.0, 1.0, ""),  # twice the error where that is more
        (-5.1, -3.0, 1.0, "-2.1 dB"),
    ],
)
def test_a_band_that_misses_1_5_db_is_told(
    measured_db: float, promised_db: float | None, error_db: float, told: str
) -> None:
    assert _missed(BandChange(1000.0, measured_db, promised_db, error_db)) == told


def told_against_the_plan(new_plan, level_db: float, misfit_db: float, *, out: bool) -> str:
    plan = new_plan(3)
    noise = CaptureSummary("a.wav", 48_000, 1, 30.0, CaptureKind.PINK_NOISE, ())
    why = (Explanation(Mistake.OUT, 3, None, None, 4.1, 0.3, Mistake.GAIN, 1.2),) if out else ()
    found = Comparison(
        before=noise,
        after=replace(noise, path="b.wav"),
        plan=plan,
        rings=(),
        change=None,
        bands=(),
        gain=None,
        diagnosis=Diagnosis(level_db, 0.4, misfit_db, 0.4, why),
        next_step="Listen.",
    )
    out_text = io.StringIO()
    print_comparison(found, Console(file=out_text, width=100))
    return " ".join(out_text.getvalue().split())


@pytest.mark.parametrize(("level_db", "told"), [(0.9, False), (-0.9, False), (-1.1, True)])
def test_one_db_of_everything_is_a_gain_that_was_touched(new_plan, level_db, told) -> None:
    said = told_against_the_plan(new_plan, level_db, 0.3, out=False)
    assert ("Everything came back" in said) is told


@pytest.mark.parametrize(
    ("misfit_db", "out", "fits"), [(1.4, False, True), (1.6, False, False), (1.4, True, False)]
)
def test_settings_that_miss_less_than_1_5_db_do_what_the_plan_said(
    new_plan, misfit_db, out, fits
) -> None:
    said = told_against_the_plan(new_plan, 0.0, misfit_db, out=out)
    assert ("The settings do what the plan said." in said) is fits


@pytest.mark.parametrize(("places", "more"), [(1, True), (2, True), (3, False)])
def test_from_three_places_on_nobody_is_asked_for_more(places: int, more: bool) -> None:
    summary = loop(
        stable_gain_by_capture_db=(-10.0,) * places,
        stable_gain_after_unseen_db=-9.0,
        send_db=-15.0,
        margin_db=6.0,
    )
    said = " ".join(_send_texts(summary))
    assert ("measure three to five places" in said) is more


@pytest.mark.parametrize(
    ("octaves", "told"), [(0.1666 * 1.029, "1/6 oct"), (0.1666 * 1.032, "0.17 oct")]
)
def test_a_fraction_within_3_percent_is_told_as_one(octaves: float, told: str) -> None:
    assert octaves_text(octaves) == told
