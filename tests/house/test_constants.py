"""A public constant's name stands for one value: nobody has to ask which of two rooms is meant.

What begins with an underscore belongs to its module, so no other may import it.
"""

from __future__ import annotations

import ast
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = sorted((ROOT / "shaping").rglob("*.py"))


def constants(path: Path) -> Iterator[tuple[str, str]]:
    """Yield name and value, as source, of each constant at the top of a module."""
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign):
            targets, value = node.targets, node.value
        elif isinstance(node, ast.AnnAssign) and node.value is not None:
            targets, value = [node.target], node.value
        else:
            continue
        if isinstance(targets[0], ast.Tuple) and isinstance(value, ast.Tuple):
            pairs = list(zip(targets[0].elts, value.elts, strict=True))
        else:
            pairs = [(target, value) for target in targets]
        for target, value in pairs:
            if isinstance(target, ast.Name) and target.id.isupper():
                yield target.id, ast.unparse(value)


def test_no_public_constant_has_two_values() -> None:
    values: dict[str, dict[str, str]] = defaultdict(dict)
    for path in PACKAGE:
        for name, value in constants(path):
            if not name.startswith("_"):
                values[name][str(path.relative_to(ROOT))] = value
    assert len(values) > 50
    two = {name: places for name, places in values.items() if len(set(places.values())) > 1}
    assert two == {}


def test_nothing_private_is_imported() -> None:
    taken = [
        f"{path.relative_to(ROOT)}: {alias.name} of {node.module}"
        for path in PACKAGE
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("shaping")
        for alias in node.names
        if alias.name.startswith("_") and not alias.name.startswith("__")
    ]
    assert taken == []
