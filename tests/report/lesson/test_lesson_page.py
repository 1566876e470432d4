"""The lesson's page and command, without a browser."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from shaping.capture.audio import read_capture
from shaping.capture.recording import CaptureKind
from shaping.cli.main import run
from shaping.equaliser.limits_file import load_limits
from shaping.report.lesson.own_wedge import own_wedge
from shaping.report.lesson.page import Programme, lesson_page

ROOT = Path(__file__).resolve().parents[3]
BUILT = ROOT / "notebooks" / "lesson.html"
EVIL = '<script>alert(1)</script>"&.flac'


@pytest.fixture(scope="module")
def first_row(samples_folder):
    return [
        read_capture(samples_folder / f"first_row_{what}.flac", kind=CaptureKind.FIRST_ROW)
        for what in ("wedges", "mains")
    ]


@pytest.fixture(scope="module")
def talk(samples_folder):
    return read_capture(samples_folder / "lesson" / "talk.flac", kind=CaptureKind.FIRST_ROW)


@pytest.fixture(scope="module")
def own_page(first_row, talk, new_plan):
    """A page with the recording's name as hostile as names come."""
    own = own_wedge(new_plan(4, loop=True), talk)
    programme = Programme("band", "a band", *first_row)
    return lesson_page([programme], talk, load_limits("parametric-4"), own=own, own_name=EVIL)


def parts(html: str) -> tuple[str, dict]:
    """Return a page without what it carries, and that."""
    opening = '<script type="application/json" id="carried">'
    before, rest = html.split(opening)
    carried, after = rest.split("</script>", 1)
    return before + after, json.loads(carried)


def test_the_content_policy_names_the_one_script_and_the_one_style(own_page):
    shell, _ = parts(own_page)
    (policy,) = re.findall(r'http-equiv="Content-Security-Policy" content="([^"]+)"', shell)
    (script,) = re.findall(r"<script>(.*?)</script>", shell, re.DOTALL)
    (style,) = re.findall(r"<style>(.*?)</style>", shell, re.DOTALL)
    for kind, text in (("script", script), ("style", style)):
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"{kind}-src 'sha256-{digest}'" in policy
    assert policy.startswith("default-src 'none'; img-src data:; ")
    assert "unsafe" not in policy


def test_the_page_asks_for_nothing(own_page):
    shell, _ = parts(own_page)
    links = re.findall(r'(?:src|href|action)="([^"#][^"]*)"', shell)
    assert links == ["data:,"]
    addresses = set(re.findall(r"https?://[\w./-]+", shell))
    assert addresses <= {"http://www.w3.org/2000/svg"}  # a name, not a place
    assert not re.search(r"\b(fetch|XMLHttpRequest|import|localStorage|eval)\b\(?", shell)


def test_names_from_outside_are_escaped(own_page):
    assert "<script>alert" not in own_page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in own_page


def test_what_the_own_wedge_says_is_in_the_page(own_page, new_plan):
    shell, carried = parts(own_page)
    plan = new_plan(4, loop=True)
    assert len(carried["own"]["settings"]) == len(plan.filters)
    assert carried["own"]["added_db"] == plan.loop.added_stable_gain_db
    assert shell.count('aria-checked="true" class="switch"') == len(plan.filters)
    assert "simulated" in shell
    assert f"the plan expects about +{plan.loop.added_stable_gain_db:.1f} dB" in shell


def test_a_plan_that_knows_no_loop_has_no_send_to_raise(first_row, talk, new_plan):
    own = own_wedge(replace(new_plan(2), rings=()), talk)
    programme = Programme("band", "a band", *first_row)
    page = lesson_page([programme], talk, load_limits("parametric-4"), own=own, own_name="a.wav")
    shell, carried = parts(page)
    assert carried["own"]["points"] == []
    assert 'id="send"' not in shell
    assert "does not tell how near the loop is to howling" in shell


def test_a_model_is_called_one_beside_its_number(own_page):
    words = r"0 to 1; <em>a model, not measured</em></dt><dd data-show=.(?:room-)?words"
    assert len(re.findall(words, own_page)) == 2


def test_every_picture_has_a_question_before_it(own_page):
    shell, _ = parts(own_page)
    for figure in ("own", "spectrum", "response", "tone"):
        before = shell.split(f'<figure id="{figure}"')[0]
        assert before.count("Guess first.") > before.count("<figure")
    assert shell.count("Guess first.") == shell.count("<summary>Answer</summary>")


def test_the_built_copy_is_what_the_command_writes(tmp_path):
    assert run(["lesson", str(tmp_path / "lesson.html")]) == 0
    shell, carried = parts((tmp_path / "lesson.html").read_text(encoding="utf-8"))
    built_shell, built = parts(BUILT.read_text(encoding="utf-8"))
    assert built_shell == shell, "build it again: shaping lesson notebooks/lesson.html --force"
    assert built.keys() == carried.keys()
    pairs = zip(built["first_row"]["steps"], carried["first_row"]["steps"], strict=True)
    for shipped, made in pairs:
        assert shipped["settings"] == made["settings"]
        for rate, sos in made["sos"].items():
            np.testing.assert_allclose(shipped["sos"][rate], sos, rtol=1e-9)
    for key, programme in carried["first_row"]["programmes"].items():
        assert built["first_row"]["programmes"][key]["numbers"] == programme["numbers"]
    assert BUILT.stat().st_size <= 4_000_000


def test_a_plan_without_its_recording_is_refused(tmp_path, capsys):
    page = tmp_path / "lesson.html"
    assert run(["lesson", str(page), "--plan", "plan.json"]) == 2
    assert "--plan and --recording" in capsys.readouterr().err
    assert not page.exists()


def test_an_existing_page_is_kept(tmp_path, capsys):
    page = tmp_path / "lesson.html"
    page.write_text("mine", encoding="utf-8")
    assert run(["lesson", str(page)]) == 2
    assert "--force" in capsys.readouterr().err
    assert page.read_text(encoding="utf-8") == "mine"


def test_the_result_as_json(tmp_path, capsys):
    page = tmp_path / "lesson.html"
    assert run(["lesson", str(page), "--json", "-"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told == {
        "path": str(page),
        "bytes": page.stat().st_size,
        "settings": 0,
        "loop_points_hz": [],
    }
