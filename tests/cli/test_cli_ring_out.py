"""Working step by step from ring-outs, on the command line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from shaping.cli import main as program

SAMPLES = Path(__file__).resolve().parents[2] / "audio_samples"
TRUTH = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture
def suggest(capsys):
    def run(*arguments: str, code: int = 0) -> str:
        assert program.run(["suggest", *arguments]) == code
        printed = capsys.readouterr()
        return printed.err if code else printed.out

    return run


def test_the_mic_that_rings_is_found_among_all_channels(suggest):
    path = str(SAMPLES / "stage_tracks_ring_out.flac")
    plan = json.loads(suggest(path, "--thin", "none", "--json", "-"))
    assert plan["captures"][0]["channel"] == 2
    (truth,) = TRUTH["stage_tracks_ring_out.flac"]["channels"]["2"]["rings"]
    assert plan["rings"][0]["frequency_hz"] == pytest.approx(truth["frequency_hz"], rel=0.001)


def test_a_second_ring_out_builds_on_what_was_in_place(suggest):
    typed = TRUTH["stage_in_place_ring_out.flac"]["in_place"]
    path = str(SAMPLES / "stage_in_place_ring_out.flac")
    plan = json.loads(suggest(path, "--in-place", typed, "--json", "-"))
    reasons = [one["reason"] for one in plan["filters"] if one["purpose"] == "feedback"]
    assert any(reason.startswith("new: ring at 3.40 kHz") for reason in reasons)
    assert not all(reason.startswith("new") for reason in reasons)


def test_a_margin_is_what_the_plan_aims_at_and_the_next_step_is_said(suggest):
    output = suggest(str(SAMPLES / "vocal_wedge_ring_out.flac"), "--margin", "1")
    words = " ".join(output.split())
    assert "Next: dial this in" in words
    assert "more gain before it howls" in words


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--in-place", "louder please"), "is no filter"),
        (("--in-place", "absent.json"), "no such plan"),
        (("--margin", "-3"), "margin"),
        (("--kind", "pink-noise", "--in-place", "545 -6"), "--in-place"),
    ],
)
def test_what_makes_no_sense_is_refused_in_one_line(suggest, arguments, said):
    output = suggest(str(SAMPLES / "vocal_wedge_ring_out.flac"), *arguments, code=2)
    assert said in output
