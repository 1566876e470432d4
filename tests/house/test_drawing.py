"""The drawing of the house in DEVELOPERS.md is the tree as it is."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def drawn() -> list[str]:
    """Return the rooms of the package as drawn, with their floor: ``plan``, ``plan/loop`` ..."""
    (drawing,) = re.findall(r"```\n(shaping/\n.*?)```", GUIDE, re.DOTALL)
    rooms, above = [], ""
    for line in drawing.splitlines()[1:]:
        if not line.startswith("  "):
            break
        name = line.split()[0].rstrip("/")
        if line.startswith("    "):
            rooms.append(f"{above}/{name}")
        else:
            above = name
            rooms.append(name)
    return rooms


def built() -> set[str]:
    """Return the rooms of the package in the tree."""
    package = ROOT / "shaping"
    folders = {str(path.parent.relative_to(package)) for path in package.rglob("__init__.py")}
    modules = {path.name for path in package.glob("*.py") if not path.name.startswith("__")}
    return (folders | modules) - {"."}


def test_every_room_is_drawn_and_no_other():
    assert len(drawn()) == len(set(drawn()))
    assert set(drawn()) == built()


def test_the_drawing_is_in_the_order_of_the_layers():
    """A room imports only rooms above it, as `pyproject.toml` has them from the top down."""
    text = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    (layers,) = re.findall(r"layers = \[\n(.*?)\]", text, re.DOTALL)
    order = re.findall(r"shaping\.(\w+)", layers)[::-1]
    rooms = [name.removesuffix(".py") for name in drawn() if "/" not in name]
    assert [name for name in rooms if name in order] == order


def test_every_module_that_the_guide_names_is_there():
    named = re.findall(r"`((?:\w+/)+\w+\.(?:py|md|toml))`", GUIDE)
    assert len(named) > 10
    missing = [
        one for one in named if not any((base / one).exists() for base in (ROOT, ROOT / "shaping"))
    ]
    assert missing == []


def test_no_folder_is_more_than_one_floor():
    """About 15 files; presets and templates are no modules."""
    crowded = {
        str(folder.relative_to(ROOT)): len(list(folder.glob("*.py")))
        for folder in (ROOT / "shaping").rglob("*")
        if folder.is_dir() and len(list(folder.glob("*.py"))) > 17
    }
    assert crowded == {}
