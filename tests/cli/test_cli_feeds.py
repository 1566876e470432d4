"""``shaping feeds`` and ``shaping signal feeds`` as a person meets them."""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
import soundfile
from jsonschema import Draft202012Validator

from shaping.analysis.feeds.files.packs_file import load_packs
from shaping.analysis.feeds.thresholds import Thresholds
from shaping.cli.main import run
from tests.reading.test_published_schemas import closed

PACKS = Path(__file__).resolve().parents[2] / "audio_samples" / "packs"
RECORDING = str(PACKS / "packs.flac")
NAMES = str(PACKS / "packs.toml")
SCHEMA = resources.files("shaping") / "analysis" / "feeds" / "files" / "feeds.schema.json"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("feeds")
    assert run(["signal", "feeds", str(made / "feeds.wav"), "--json", str(made / "s.json")]) == 0
    return made


@pytest.fixture(scope="module")
def judged(folder):
    """The shipped packs in every form, and what is kept of them."""
    code = run(
        [
            *("feeds", RECORDING, "--reference", str(folder / "feeds.wav"), "--names", NAMES),
            *("--json", str(folder / "f.json"), "--html", str(folder / "f.html")),
            *("--plot", str(folder / "f.png")),
            *("--known", str(folder / "good.json"), "--save-known"),
        ]
    )
    return code, json.loads((folder / "f.json").read_text(encoding="utf-8"))


def test_the_signal_says_how_to_use_it(folder, capsys):
    assert run(["signal", "feeds", str(folder / "again.wav"), "--level", "-30"]) == 0
    told = capsys.readouterr().out
    assert "Take every pack off the ears first" in told
    assert "shaping feeds RECORDING... --reference" in told
    facts = json.loads((folder / "s.json").read_text(encoding="utf-8"))
    assert (facts["kind"], facts["level_dbfs"], facts["loudest_dbfs"]) == ("feeds", -24.0, -18.0)
    assert run(["signal", "feeds", str(folder / "no.wav"), "--duration", "9"]) == 2
    assert "always the same" in capsys.readouterr().err


def test_the_shipped_packs_give_their_two_faults(judged):
    code, result = judged
    assert code == 3
    verdicts = {one["name"]: one["verdict"] for one in result["feeds"]}
    assert [(one["name"], one["verdict"]) for one in result["feeds"]][:2] == [
        ("drums", "low"),
        ("keys", "swapped"),
    ]
    assert set(verdicts.values()) == {"low", "swapped", "sound"}
    levels = {one["name"]: one["level_db"] for one in result["feeds"]}
    assert levels["drums"] == pytest.approx(-47.9, abs=0.5)


def test_the_result_fits_its_schema_and_every_key_is_named(judged):
    schema = json.loads(SCHEMA.read_text(encoding="utf-8"))
    schema["$defs"] = {
        name: part if name == "thresholds" else closed(part)
        for name, part in schema["$defs"].items()
    }
    Draft202012Validator(schema).validate(judged[1])


def test_page_and_figure_are_written(judged, folder):
    page = (folder / "f.html").read_text(encoding="utf-8")
    assert "2 of 6 in-ear feeds fail" in page
    assert "left ear gets right, right ear gets left" in page
    assert page.count("<svg") == 2
    assert (folder / "f.png").read_bytes().startswith(b"\x89PNG")


def test_only_what_is_sound_is_kept(judged, folder):
    kept = json.loads((folder / "good.json").read_text(encoding="utf-8"))
    assert {one["name"] for one in kept["feeds"]} == {"lead vocal", "bass", "choir", "speaker"}


def test_new_writes_an_example_whose_thresholds_are_the_starting_points(tmp_path, capsys):
    path = tmp_path / "packs.toml"
    assert run(["feeds", "new", str(path)]) == 0
    form = load_packs(str(path))
    assert form.thresholds == Thresholds()
    assert [one.name for one in form.pack] == ["lead vocal", "bass"]
    assert run(["feeds", "new", str(path)]) == 2
    assert "--force" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ((), "--reference"),
        (("--reference", RECORDING), "not the test signal of feeds"),
        (("--reference", "WAV", "--save-known"), "--known FILE"),
        (("--reference", "WAV", "--known", "none.json"), "no such result of feeds"),
        (("--reference", "WAV", "--names", "none.toml"), "shaping feeds new FILE"),
        (("--reference", "WAV", RECORDING), "named twice"),
    ],
)
def test_mistakes_exit_with_two_and_one_line(folder, capsys, words, told):
    given = [str(folder / "feeds.wav") if one == "WAV" else one for one in words]
    assert run(["feeds", RECORDING, *given]) == 2
    error = capsys.readouterr().err
    assert told in error
    assert error.count("\n") == 1


@pytest.mark.parametrize(
    ("channels", "seconds", "rate", "told"),
    [(2, 5, 48_000, "too short"), (3, 30, 48_000, "do not make pairs"), (2, 30, 16_000, "too low")],
)
def test_recordings_that_cannot_answer_are_refused(folder, capsys, channels, seconds, rate, told):
    path = folder / f"{channels}_{seconds}_{rate}.wav"
    soundfile.write(path, np.zeros((seconds * rate, channels), np.int16), rate)
    assert run(["feeds", str(path), "--reference", str(folder / "feeds.wav")]) == 2
    assert told in capsys.readouterr().err
