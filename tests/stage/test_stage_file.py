"""Stage files: what is read, and that every mistake is told with its line and a remedy."""

from __future__ import annotations

import json
import tomllib
from importlib import resources

import pytest
from jsonschema import Draft202012Validator

from shaping.errors import StageError
from shaping.stage.description.stage_file import EXAMPLE, load_stage, stage_from_toml


def test_the_example_is_a_stage(tmp_path):
    stage = stage_from_toml(EXAMPLE, folder=tmp_path)
    assert [wedge.name for wedge in stage.wedges] == ["vocal left", "side fill"]
    assert stage.send_matrix[0, 0] == pytest.approx(10 ** (-6 / 20))
    assert stage.send_matrix[1, 0] == 0.0  # not listed, so muted
    assert stage.takes[0].file == str(tmp_path / "noise_vocal_left.wav")
    assert stage.takes[0].channels == {"lead": 1, "choir": 2}
    assert stage.places[0].angle_deg == 150


@pytest.mark.parametrize(
    ("wrong", "right", "told"),
    [
        ('mic = "laed"\nwedge', 'mic = "lead"\nwedge', r"line 30: .*'laed'; did you mean 'lead'\?"),
        ('gain_db = "x"', "gain_db = -6.0", r"line 32: gain_db of send 1 .* not 'x'"),
        ('"grafic"', '"graphic-31"', r"line 17: .*grafic: no such limits; name a preset"),
        ('use = "vocl" ', 'use = "vocal" ', r"line 11: use of wedge 1 must be one of vocal"),
        ("[[sned]] ", "[[send]] ", r"sned is not a known key; did you mean send\?"),
        ("choir = 1 }", "choir = 2 }", r"line 43: two mics cannot be on one channel"),
        ("angle_deg = 250", "angle_deg = 150", r"line 57: angle_deg of place 1 .* 0 and 180"),
        ('name = "lead"', 'name = "choir"', r"line 26: there are two mics named 'lead'"),
        (
            'wedge = "side"',
            'wedge = "side fill"',
            r"no wedge named 'side'; did you mean 'side fill'",
        ),
        ('in_place = "545 -6"', '# in_place = "hp 100, 545 -6 q8"', r"line 13: .*is no filter"),
        ('schema = "shaping.stage/2"', 'schema = "shaping.stage/1"', r"schema .*shaping.stage/1"),
    ],
)
def test_mistakes_are_told_with_line_and_remedy(tmp_path, wrong, right, told):
    text = EXAMPLE.replace(right, wrong, 1)
    assert text != EXAMPLE
    with pytest.raises(StageError, match=told):
        stage_from_toml(text, folder=tmp_path)


def test_a_send_listed_twice_is_refused(tmp_path):
    again = '\n[[send]]\nmic = "lead"\nwedge = "vocal left"\n'
    with pytest.raises(StageError, match="listed twice; keep one"):
        stage_from_toml(EXAMPLE + again, folder=tmp_path)


def test_no_such_file_says_how_to_make_one(tmp_path):
    with pytest.raises(StageError, match="shaping stage new FILE"):
        load_stage(tmp_path / "none.toml")


def test_the_file_is_named(tmp_path):
    path = tmp_path / "sunday.toml"
    path.write_text("[[wedge]\n", encoding="utf-8")
    with pytest.raises(StageError, match=r"sunday\.toml: line 1: not valid TOML"):
        load_stage(path)


def test_the_example_fits_the_published_schema():
    """The judge is an implementation of JSON Schema that this project did not write."""
    place = resources.files("shaping.stage.description") / "stage.schema.json"
    schema = json.loads(place.read_text(encoding="utf-8"))
    Draft202012Validator(schema).validate(tomllib.loads(EXAMPLE))
