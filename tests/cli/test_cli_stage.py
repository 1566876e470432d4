"""``shaping stage`` and ``shaping check`` as a person meets them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from shaping.cli.main import run

SAMPLES = Path(__file__).resolve().parents[2] / "audio_samples"
STAGE = str(SAMPLES / "stage" / "stage.toml")


def test_new_writes_an_example_that_is_a_stage(tmp_path, capsys):
    path = tmp_path / "sunday.toml"
    assert run(["stage", "new", str(path)]) == 0
    assert "Next: put in your wedges" in capsys.readouterr().out
    assert run(["stage", str(path)]) == 2  # its recordings are not there
    assert "no such file" in capsys.readouterr().err
    assert run(["stage", "new", str(path)]) == 2
    assert "--force" in capsys.readouterr().err


@pytest.mark.slow
def test_a_stage_in_every_form(tmp_path, capsys):
    page, data = tmp_path / "sheet.html", tmp_path / "plan.json"
    assert run(["stage", STAGE, "--html", str(page), "--json", str(data)]) == 0
    out = capsys.readouterr().out
    assert "all sends together may go up" in out
    assert "Before you raise the sends" in out
    assert "“choir”" in out
    assert page.read_text(encoding="utf-8").count('type="checkbox"') >= 12
    assert json.loads(data.read_text(encoding="utf-8"))["schema"] == "shaping.stage-plan/1"


@pytest.mark.slow
def test_what_if(capsys):
    assert run(["stage", STAGE, "--set", "lead: mute"]) == 0
    out = capsys.readouterr().out
    assert "All sends together" in out
    assert "by the changes" in out


def test_mistakes_exit_with_two_and_one_line(capsys):
    assert run(["stage", STAGE, "--set", "laed: mute"]) == 2
    told = capsys.readouterr().err
    assert "did you mean 'lead'" in told
    assert told.count("\n") == 1


@pytest.fixture
def plan(tmp_path):
    path = tmp_path / "plan.json"
    arguments = [str(SAMPLES / "vocal_wedge_noise.flac"), "--json", str(path)]
    reference = str(SAMPLES / "pink_noise_reference.flac")
    assert run(["suggest", *arguments, "--reference", reference]) == 0
    return path


def test_check_tells_what_other_settings_do(plan, capsys):
    capsys.readouterr()
    assert run(["check", str(plan), "--set", "3 off", "--json", "-"]) == 0
    quick = json.loads(capsys.readouterr().out)
    reference = str(SAMPLES / "pink_noise_reference.flac")
    assert run(["check", str(plan), "--set", "3 off", "--json", "-", "--reference", reference]) == 0
    exact = json.loads(capsys.readouterr().out)
    assert exact["exact"]
    assert not quick["exact"]
    assert exact["stable_gain_changed_db"] < exact["stable_gain_planned_db"] - 1
    assert quick["stable_gain_changed_db"] == pytest.approx(
        exact["stable_gain_changed_db"], abs=0.5
    )
    assert run(["check", str(plan), "--set", "9 off"]) == 2
    assert "there is no filter 9" in capsys.readouterr().err
