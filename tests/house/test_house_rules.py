"""Rules that hold for the whole house."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
EXTERNAL = sorted((ROOT / "tests" / "external").glob("test_*.py"))
SOURCE = re.compile(r"^\s*Source: \S", re.MULTILINE)


def checks(path: Path) -> list[tuple[str, str]]:
    """Return name and docstring (with the module's) of each test in a file."""
    module = ast.parse(path.read_text(encoding="utf-8"))
    return [
        (node.name, ast.get_docstring(node) or "")
        for node in ast.walk(module)
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
    ]


def test_there_are_checks_against_the_outside():
    assert sum(len(checks(path)) for path in EXTERNAL) > 20


@pytest.mark.parametrize("path", EXTERNAL, ids=lambda path: path.stem)
def test_every_check_against_the_outside_names_its_source(path):
    without = [name for name, text in checks(path) if not SOURCE.search(text)]
    assert without == []


def test_the_package_starts_without_matplotlib():
    loaded = "import sys, shaping, shaping.plan.suggest; print('matplotlib' in sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", loaded], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert done.stdout.strip() == "False"


def test_nothing_lies_at_the_top_that_was_not_asked_for():
    tracked = subprocess.run(
        ["git", "ls-files"], capture_output=True, text=True, cwd=ROOT, check=False
    )
    if tracked.returncode:
        pytest.skip("not a git checkout")
    top = {line.split("/")[0] for line in tracked.stdout.splitlines()}
    visible = {name for name in top if not name.startswith(".")}
    assert visible == {
        "README.md",
        "DEVELOPERS.md",
        "LICENSE",
        "pyproject.toml",
        "shaping",
        "tests",
        "audio_samples",
        "notebooks",
    }


def test_no_module_outgrows_its_room():
    """About 400 lines is two rooms."""
    long = {
        str(path.relative_to(ROOT)): lines
        for path in (ROOT / "shaping").rglob("*.py")
        if (lines := len(path.read_text(encoding="utf-8").splitlines())) > 420
    }
    assert long == {}


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "audio_samples/README.md"])
def test_every_link_leads_to_a_file(name):
    page = ROOT / name
    links = re.findall(r"\]\(([^)#:]+)\)", page.read_text(encoding="utf-8"))
    assert [link for link in links if not (page.parent / link).exists()] == []
