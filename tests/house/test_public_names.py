"""The names that scripts import from ``shaping`` itself."""

from __future__ import annotations

import dataclasses
import inspect
import re
import subprocess
import sys
from pathlib import Path

import pytest

import shaping
from tests.house.api_pages import build

ROOT = Path(__file__).resolve().parents[2]


def test_every_name_is_there_and_at_home():
    assert sorted(shaping.__all__) == shaping.__all__
    assert set(shaping.__all__) <= set(dir(shaping))
    for name in shaping.__all__:
        thing = getattr(shaping, name)
        assert thing.__name__ == name
        assert thing.__doc__


@pytest.mark.parametrize("name", shaping.__all__)
def test_every_name_tells_shapes_units_errors_and_an_example(name):
    """Records list their attributes; verbs their parameters, result and an example that runs."""
    thing = getattr(shaping, name)
    text = thing.__doc__
    if not inspect.isclass(thing):
        sections = ["Parameters", "Examples", ">>> "]
        if inspect.signature(thing).return_annotation not in (None, "None"):
            sections.append("Returns")
        assert [one for one in sections if one not in text] == []
    elif dataclasses.is_dataclass(thing):
        listed = re.findall(r"^([\w, ]+) : ", inspect.cleandoc(text), re.MULTILINE)
        told = {name for names in listed for name in names.split(", ")}
        assert {field.name for field in dataclasses.fields(thing)} <= told


def test_the_api_pages_build_without_a_warning(tmp_path):
    build(tmp_path)
    page = (tmp_path / "shaping.html").read_text(encoding="utf-8")
    assert [name for name in shaping.__all__ if f'id="{name}"' not in page] == []


def test_other_names_are_not():
    with pytest.raises(AttributeError, match="no attribute 'sugest'"):
        shaping.sugest  # noqa: B018


def test_importing_it_loads_nothing_of_weight():
    loaded = "import sys, shaping; print([m for m in ('numpy', 'scipy') if m in sys.modules])"
    done = subprocess.run(
        [sys.executable, "-c", loaded], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert done.stdout.strip() == "[]"


def test_the_example_of_the_readme_runs(monkeypatch):
    monkeypatch.chdir(ROOT)
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"```python\n(.*?)```", readme, re.DOTALL)
    names: dict[str, object] = {}
    exec(compile(example, "README.md", "exec"), names)
    assert names["plan"].filters
    used = set(re.findall(r"shaping\.(\w+)", example))
    assert used <= set(shaping.__all__)
