"""Limits make sense or are refused in one plain sentence."""

from __future__ import annotations

import os
from dataclasses import fields, replace
from pathlib import Path

import pytest

from shaping.equaliser.limits import Limits
from shaping.equaliser.limits_file import (
    MAX_FILE_BYTES,
    limits_from_dict,
    limits_to_dict,
    load_limits,
    preset_names,
)
from shaping.errors import LimitsError
from shaping.filters.kinds import FilterKind
from shaping.filters.width import QConvention

USER_FILE = """
# The monitor desk of Quillhaven Hall: two bells per send and a switchable low cut.
description = "Monitor sends at Quillhaven Hall"
bands = 2
steps_per_octave = 12
min_frequency_hz = 63
max_frequency_hz = 8000
min_gain_db = -12
max_gain_db = 6
gain_step_db = 1.5
min_q = 0.5
max_q = 6
q_step = 0.5
q_convention = "3db-from-bottom"
high_pass_min_hz = 80
high_pass_max_hz = 80
high_pass_orders = [3]
"""


def write(folder: Path, text: str, name: str = "monitor-desk.toml") -> str:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_users_file_is_read_as_written(tmp_path: Path) -> None:
    assert load_limits(write(tmp_path, USER_FILE)) == Limits(
        name="monitor-desk",
        description="Monitor sends at Quillhaven Hall",
        bands=2,
        kinds=(FilterKind.PEAKING,),
        grid_hz=None,
        steps_per_octave=12,
        min_frequency_hz=63.0,
        max_frequency_hz=8000.0,
        min_gain_db=-12.0,
        max_gain_db=6.0,
        gain_step_db=1.5,
        min_q=0.5,
        max_q=6.0,
        q_step=0.5,
        q_convention=QConvention.THREE_DB_FROM_BOTTOM,
        high_pass_min_hz=80.0,
        high_pass_max_hz=80.0,
        high_pass_orders=(3,),
    )


def test_shortest_file_gets_the_documented_defaults(tmp_path: Path) -> None:
    text = "bands = 3\nmin_gain_db = -12\nmin_q = 0.5\nmax_q = 8\n"
    limits = load_limits(write(tmp_path, text))
    assert limits.kinds == (FilterKind.PEAKING,)
    assert (limits.min_frequency_hz, limits.max_frequency_hz) == (20.0, 20_000.0)
    assert (limits.max_gain_db, limits.gain_step_db, limits.q_step) == (0.0, 0.0, 0.0)
    assert limits.q_convention is QConvention.COOKBOOK
    assert not limits.has_high_pass


def test_presets_are_the_five_general_ones() -> None:
    assert set(preset_names()) == {
        "free",
        "graphic-31",
        "narrow-notch",
        "parametric-4",
        "parametric-6",
    }


@pytest.mark.parametrize("name", preset_names())
def test_preset_has_its_name_a_description_and_survives_a_dictionary(name: str) -> None:
    limits = load_limits(name)
    assert limits.name == name
    assert limits.description
    values = limits_to_dict(limits)
    assert set(values) == {field.name for field in fields(Limits)}
    assert limits_from_dict(values, name="other") == limits


def test_presets_differ_where_their_names_say_so() -> None:
    assert load_limits("parametric-4").bands == 4
    assert load_limits("parametric-6").bands == 6
    assert load_limits("graphic-31").bands == len(load_limits("graphic-31").grid_hz or ()) == 31
    assert load_limits("narrow-notch").band_kind is FilterKind.NOTCH
    free = load_limits("free")
    assert (free.gain_step_db, free.q_step, free.steps_per_octave) == (0.0, 0.0, None)


BASE = {"bands": "3", "min_gain_db": "-12", "min_q": "0.5", "max_q": "8"}


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"bands": "-1"}, r"line 1: bands must be a whole number between 0 and 64 \(.*\), not -1"),
        ({"bands": "65"}, r"line 1: bands must be a whole number between 0 and 64 \(.*\), not 65"),
        ({"bands": "2.5"}, r"bands must be a whole number .*, not 2\.5"),
        ({"bands": "true"}, r"bands must be a whole number .*, not True"),
        ({"bands": "'four'"}, r"bands must be a whole number .*, not 'four'"),
        ({"bands": None}, r"bands is missing; it must be a whole number"),
        ({"min_q": None}, r"min_q is missing"),
        ({"min_gain_db": None}, r"min_gain_db is missing; say how far"),
        ({"min_gain_db": "0"}, r"line 2: min_gain_db must lie below 0"),
        ({"min_gain_db": "-90"}, r"min_gain_db must be a number between -60 and 0, not -90"),
        ({"max_gain_db": "-1"}, r"max_gain_db must be a number between 0 and 60, not -1"),
        ({"gain_step_db": "13"}, r"gain_step_db must lie between 0 and 12, not 13"),
        ({"gain_step_db": "nan"}, r"gain_step_db must be a number between 0 and 60 .*, not nan"),
        ({"min_q": "9"}, r"line 4: max_q must lie between 9 and 1000, not 8"),
        ({"min_q": "0"}, r"line 3: min_q must be a number between 0\.05 and 1000 .*, not 0"),
        ({"q_step": "-0.1"}, r"q_step must be a number between 0 and 1000 .*, not -0\.1"),
        ({"q_convention": "'mine'"}, r"q_convention must be one of cookbook, .*, not 'mine'"),
        ({"kinds": "[]"}, r"kinds must name peaking, notch or both"),
        ({"kinds": "['low-shelf']"}, r"kinds must be one of notch, peaking, not 'low-shelf'"),
        ({"kinds": "['peaking', 'peaking']"}, r"kinds must name each kind once"),
        ({"kinds": "'peaking'"}, r"kinds must be a list"),
        ({"kinds": "['bell']"}, r"kinds must be one of"),
        ({"kinds": "[['peaking']]"}, r"kinds must be one of"),
        ({"grid_hz": "[100, 50]"}, r"grid_hz must rise"),
        ({"grid_hz": "[100, 100]"}, r"grid_hz must rise"),
        ({"grid_hz": "[]"}, r"grid_hz must name between 1 and 64 centres, not 0"),
        ({"grid_hz": "'octave'"}, r"grid_hz must be a list .*third-octave"),
        ({"grid_hz": "[1, 100]"}, r"grid_hz must be a number between 10 and 40000, not 1"),
        (
            {"grid_hz": "[50, 100]", "min_frequency_hz": "60"},
            r"grid_hz must lie between 60 and 100, not 50",
        ),
        ({"grid_hz": "[50, 100]", "steps_per_octave": "3"}, r"either grid_hz or steps_per_octave"),
        (
            {"steps_per_octave": "0"},
            r"steps_per_octave must be a whole number between 1 and 192 .*, not 0",
        ),
        (
            {"min_frequency_hz": "5"},
            r"min_frequency_hz must be a number between 10 and 40000, not 5",
        ),
        (
            {"min_frequency_hz": "900", "max_frequency_hz": "800"},
            r"max_frequency_hz must lie between 900 and 40000, not 800",
        ),
        (
            {"max_frequency_hz": "inf"},
            r"max_frequency_hz must be a number between 10 and 40000, not inf",
        ),
        ({"high_pass_min_hz": "80"}, r"line 5: .* belong together"),
        ({"high_pass_orders": "[2]"}, r"belong together"),
        (
            {"high_pass_min_hz": "80", "high_pass_max_hz": "60", "high_pass_orders": "[2]"},
            r"high_pass_max_hz must lie between 80 and 2000, not 60",
        ),
        (
            {"high_pass_min_hz": "80", "high_pass_max_hz": "90", "high_pass_orders": "[9]"},
            r"high_pass_orders must be a whole number between 1 and 8 .*, not 9",
        ),
        (
            {"high_pass_min_hz": "80", "high_pass_max_hz": "90", "high_pass_orders": "[2, 2]"},
            r"high_pass_orders must name each order once",
        ),
        ({"band": "3"}, r"line 5: band is not a known key; did you mean bands\?"),
        ({"name": "'mine'"}, r"line 5: name is not a known key; the keys are description, bands"),
        ({"description": "'''two\nlines'''"}, r"description must be one line"),
        ({"description": "5"}, r"description must be text .*\(one line for people\)"),
    ],
)
def test_limits_that_make_no_sense_are_refused_by_name_range_and_value(
    tmp_path: Path, change: dict[str, str | None], message: str
) -> None:
    values = {**BASE, **change}
    text = "\n".join(f"{key} = {value}" for key, value in values.items() if value is not None)
    with pytest.raises(LimitsError, match=message) as caught:
        load_limits(write(tmp_path, text))
    assert str(caught.value).startswith(str(tmp_path))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("content", [b"\xff\xfe\x00bands", b"bands = ", b"[" * 5000, b"\x00"])
def test_files_that_are_no_toml_are_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "broken.toml"
    path.write_bytes(content)
    with pytest.raises(LimitsError, match=r"not valid TOML|not a text file"):
        load_limits(str(path))


def test_huge_file_is_refused_without_reading_it_all(tmp_path: Path) -> None:
    path = tmp_path / "huge.toml"
    with path.open("wb") as stream:
        stream.truncate(MAX_FILE_BYTES * 1000)  # sparse
    with pytest.raises(LimitsError, match=r"larger than 64 kB"):
        load_limits(str(path))


def test_missing_files_folders_and_devices_are_refused(tmp_path: Path) -> None:
    with pytest.raises(LimitsError, match=r"no such limits; name a preset \(free, graphic-31"):
        load_limits(str(tmp_path / "none.toml"))
    with pytest.raises(LimitsError, match="not a file"):
        load_limits(str(tmp_path))
    fifo = tmp_path / "fifo"
    os.mkfifo(fifo)
    with pytest.raises(LimitsError, match="not a file"):
        load_limits(str(fifo))
    with pytest.raises(LimitsError, match=r"no such limits|cannot be read"):
        load_limits("a\0b")
    with pytest.raises(LimitsError, match=r"no such limits|cannot be read"):
        load_limits("x" * 5000)


def test_limits_cannot_be_changed_into_nonsense() -> None:
    with pytest.raises(LimitsError, match="bands must lie between"):
        replace(load_limits("free"), bands=1000)
