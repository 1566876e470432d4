"""The names that scripts import from ``shaping`` itself."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

import shaping

ROOT = Path(__file__).resolve().parents[2]


def test_every_name_is_there_and_at_home():
    assert sorted(shaping.__all__) == shaping.__all__
    assert set(shaping.__all__) <= set(dir(shaping))
    for name in shaping.__all__:
        thing = getattr(shaping, name)
        assert thing.__name__ == name
        assert thing.__doc__


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
