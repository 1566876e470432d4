"""Whatever somebody wrote is read, or refused in one line that says where and what instead."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import Meta, Struct

from shaping.errors import LimitsError
from shaping.reading.form import Form, from_json, from_toml, read_text
from shaping.reading.toml_lines import line_of


class Send(Struct, kw_only=True, frozen=True, forbid_unknown_fields=True):
    """A table that is written many times."""

    mic: Annotated[str, Meta(min_length=1, max_length=60)]
    gain_db: Annotated[float, Meta(ge=-60, le=20)] = 0.0


class Bell(Struct, frozen=True, tag_field="kind", tag="bell", forbid_unknown_fields=True):
    """One of two tables told apart by a tag."""

    q: float


class Cut(Struct, frozen=True, tag_field="kind", tag="cut"):
    """The other one."""

    order: int


class Sheet(Struct, kw_only=True, frozen=True, forbid_unknown_fields=True):
    """A form with every kind of key there is."""

    schema: Literal["sheet/1"]
    send: Annotated[tuple[Send, ...], Meta(max_length=3)] = ()
    channels: dict[str, Annotated[int, Meta(ge=1)]] = {}
    filters: Annotated[tuple[Bell | Cut, ...], Meta(min_length=1)] = (Bell(1.0),)
    span_hz: tuple[float, float] | Literal["all"] | None = None


FORM = Form("sheet", Sheet, LimitsError, 2048, lambda: "write one")

SHEET = """\
# What is open tonight.
schema = "sheet/1"
span_hz = [
  100,
  4000,
]

[channels]
lead = 1
choir = 2

[[send]]
mic = "lead"
gain_db = -6.0

[[send]]
mic = "choir"

[[filters]]
kind = "bell"
q = 2
"""


def refusal(text: str, *, syntax: str = "toml") -> str:
    with pytest.raises(LimitsError) as caught:
        (from_toml if syntax == "toml" else from_json)(text, FORM)
    assert str(caught.value).isprintable()
    return str(caught.value)


def test_a_sheet_is_read_as_written() -> None:
    sheet = from_toml(SHEET, FORM)
    assert sheet.span_hz == (100.0, 4000.0)
    assert sheet.send == (Send(mic="lead", gain_db=-6.0), Send(mic="choir"))
    assert sheet.channels == {"lead": 1, "choir": 2}
    assert sheet.filters == (Bell(2.0),)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("gain_db = -6.0", "gain_db = 99", "line 14: gain_db of send 1 must be a number between"),
        ("gain_db = -6.0", "gain_bd = 1", "line 14: gain_bd of send 1 is not a known key; did you"),
        ("gain_db = -6.0", "x = 1", "line 14: x of send 1 is not a known key; the keys are mic, "),
        ('mic = "choir"\n', "", "line 16: mic of send 2 is missing; it must be text of 1 to 60"),
        ('mic = "choir"', 'mic = ""', "line 17: mic of send 2 must be text of 1 to 60 characters"),
        ("choir = 2", "choir = 0", "line 10: channels.choir must be a whole number of at least 1"),
        ("choir = 2", 'choir = "b"', "line 10: channels.choir must be a whole number"),
        (
            "q = 2",
            "q = 2\norder = 1",
            "line 22: order of filters 1 is not a known key; the keys are q",
        ),
        (
            'kind = "bell"\n',
            "",
            "line 19: kind of filters 1 is missing; it must be one of bell, cut",
        ),
        ('"bell"', '"hum"', "line 20: kind of filters 1 must be one of bell, cut, not 'hum'"),
        ("q = 2", 'q = "2"', "line 21: q of filters 1 must be a number, not '2'"),
        ("  4000,\n", "", 'line 3: span_hz must be a list of 2 values or the word "all", not'),
        ("  4000,", "  true,", "line 3: span_hz must be a number, not True"),
        ('"sheet/1"', '"sheet/2"', "line 2: schema must be sheet/1, not 'sheet/2'"),
        ('"sheet/1"', "sheet/1", "line 2: not valid TOML: invalid value at column 10 of"),
        ("[[send]]", "[send]", "line 16: not valid TOML"),
        ('schema = "sheet/1"\n', "", "schema is missing; it must be sheet/1"),
    ],
)
def test_a_mistake_in_toml_is_told_with_its_line(old: str, new: str, told: str) -> None:
    assert refusal(SHEET.replace(old, new, 1)).startswith(told)
    windows = SHEET.replace(old, new, 1).replace("\n", "\r\n")
    assert refusal(windows).startswith(told)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('{"schema": "sheet/1", "send": [{"mic": 5}]}', "send[0].mic must be text of 1 to 60"),
        ('{"schema": "sheet/1", "filters": []}', "filters must hold at least 1 of them, not 0"),
        ('{"schema": "sheet/1", "send": [{}, {}, {}, {}]}', "send holds more than 3 items"),
        ('{"schema": null}', "schema is missing; it must be sheet/1"),
        ('{"schema": "\\ud800"}', r"schema must be sheet/1, not '\\ud800'"),
        ('{"schema": "sheet/1",\n\n oh}', "line 3: not valid JSON: expecting property name"),
        ('{"schema": "sheet/1", "a\\n\\ud800": 1}', r"a \ud800 is not a known key; the keys are"),
        ("[1e999]", "sheet must be an object with keys, not [inf]"),
        ("7" * 2049, "larger than 2 kB, so it holds no sheet"),
        ('{"schema": "sheet/1", "channels": {"a": 1, "b` - at `$.x": 0}}', "channels.b` - at `$.x"),
        ('{"b` - at `$.x": 0}', "sheet does not fit"),
    ],
)
def test_a_mistake_in_json_is_told_with_its_place(text: str, told: str) -> None:
    assert refusal(text, syntax="json").startswith(told)


@pytest.mark.parametrize("deep", [900, 100_000])
def test_what_is_nested_deeply_is_refused(deep: int) -> None:
    wide = replace(FORM, max_bytes=10**6)
    with pytest.raises(LimitsError, match=r"^(nested too deeply|sheet must be|not valid JSON)"):
        from_json("[" * deep + "]" * deep, wide)


def test_null_counts_as_left_out_and_whole_floats_are_whole() -> None:
    text = '{"schema": "sheet/1", "send": null, "channels": {"a": 2.0, "b": null}, "span_hz": null}'
    sheet = from_json(text, FORM)
    assert sheet == Sheet(schema="sheet/1", channels={"a": 2})
    assert isinstance(sheet.channels["a"], int)


@given(
    st.lists(st.sampled_from(["# note", "", "a{} = 1", "b{} = [\n1,\n\n2]", 's{} = """\n[x]\n"""']))
)
def test_every_key_is_found_on_the_line_it_was_written_on(kinds: list[str]) -> None:
    text = "\n".join(kind.format(number) for number, kind in enumerate(kinds))
    lines = text.split("\n")
    for key in tomllib.loads(text):
        found = line_of(text, (key,))
        assert found is not None
        assert lines[found - 1].startswith(f"{key} = ")


def test_a_value_over_very_many_lines_takes_no_time_to_give_up_on() -> None:
    assert line_of("a = [\n" + "1,\n" * 5000 + "]\nb = 1\n", ("b",)) in (None, 5003)


def test_files_are_bounded_and_named(tmp_path: Path) -> None:
    good = tmp_path / "sheet.toml"
    good.write_text("\ufeffschema = 'sheet/1'", encoding="utf-8")
    assert from_toml(read_text(good, FORM), FORM).schema == "sheet/1"
    for content, told in [(b"\xff", "not a text file in UTF-8"), (b" " * 2049, "larger than 2 kB")]:
        good.write_bytes(content)
        with pytest.raises(LimitsError, match=f"^{good}: {told}"):
            read_text(good, FORM)
    with pytest.raises(LimitsError, match="no such sheet; write one"):
        read_text(tmp_path / "none", FORM)
    with pytest.raises(LimitsError, match="not a file; write one"):
        read_text(tmp_path, FORM)
    with pytest.raises(LimitsError, match=r"two\\nlines: no such sheet"):
        read_text("two\nlines", FORM)
    with pytest.raises(LimitsError, match=r"no such sheet|cannot be read"):
        read_text("a\0b", FORM)
