"""Small changes of the code, one at a time, that a test ought to notice.

The changes are those of cosmic-ray's operators: a number one up or down (one of 20 or more half
as large again or half: 6001 Hz for 6000 is nobody's mistake), an operator or a comparison
replaced, a condition negated, a loop left out, a break for a continue, a caught error not caught.
Of the replacements of one operator only its opposite and its neighbour are taken: ``a << b`` on
floats fails at once and would flatter the figure.

Left out by rule, for no test could or should notice them:

- annotations and ``TYPE_CHECKING`` blocks, which do not run;
- decorators: caches change speed alone, and what makes a record frozen is for the type checker;
- ``raise`` statements, which hold the wording of errors (whether one is raised is the condition's);
- ``strict=`` of ``zip``, a guard for lengths that are equal by construction;
- `Protocol` bodies, and what is marked as code for another platform (``pragma: no cover``);
- stars that unpack or that part parameters, which the operators take for products.

Docstrings and other texts are not changed by any operator.
"""

from __future__ import annotations

import ast
import random
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.operators.number_replacer import NumberReplacer
from cosmic_ray.operators.operator import Operator
from cosmic_ray.plugins import get_operator
from parso.python.tree import Number
from parso.tree import NodeOrLeaf

ROOMS = ("plan", "equaliser", "analysis", "comparison", "rehearsals")

_BINARY = ("Add_Sub", "Sub_Add", "Mul_Div", "Div_Mul", "FloorDiv_Mul", "Mod_Mul", "Pow_Mul")
_MASKS = ("BitOr_BitAnd", "BitAnd_BitOr")
_COMPARISONS = (
    *("Lt_LtE", "Lt_GtE", "LtE_Lt", "LtE_Gt", "Gt_GtE", "Gt_LtE", "GtE_Gt", "GtE_Lt"),
    *("Eq_NotEq", "NotEq_Eq", "Is_IsNot", "IsNot_Is"),
)
OPERATORS = (
    *(f"ReplaceBinaryOperator_{pair}" for pair in (*_BINARY, *_MASKS)),
    *(f"ReplaceComparisonOperator_{pair}" for pair in _COMPARISONS),
    *("ReplaceUnaryOperator_USub_UAdd", "ReplaceUnaryOperator_Delete_Not"),
    *("ReplaceUnaryOperator_Delete_Invert", "AddNot", "ReplaceTrueWithFalse"),
    *("ReplaceFalseWithTrue", "ReplaceAndWithOr", "ReplaceOrWithAnd", "NumberReplacer"),
    *("ReplaceBreakWithContinue", "ReplaceContinueWithBreak", "ExceptionReplacer"),
    "ZeroIterationForLoop",
)

_LARGE = 20

Span = tuple[tuple[int, int], tuple[int, int]]


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change.

    Attributes
    ----------
    path : str
        The module, from the root of the tree.
    operator : str
        Name of the operator.
    occurrence : int
        Which of the places where it fits, counted from 0.
    line : int
        Where.
    """

    path: str
    operator: str
    occurrence: int
    line: int

    @property
    def key(self) -> str:
        """Name it, for a journal."""
        return f"{self.path}:{self.line}:{self.operator}:{self.occurrence}"

    @property
    def room(self) -> str:
        """Return the room it lies in."""
        return self.path.split("/")[1]

    def source(self, root: Path) -> str:
        """Return the changed module."""
        code = (root / self.path).read_text(encoding="utf-8")
        changed = mutate_code(code, _operator(self.operator), self.occurrence)
        assert changed is not None
        return str(changed)

    def change(self, root: Path) -> str:
        """Return the changed lines, before and after."""
        before = (root / self.path).read_text(encoding="utf-8").splitlines()
        after = self.source(root).splitlines()
        pairs = [(a, b) for a, b in zip(before, after, strict=False) if a != b]
        old, new = pairs[0] if pairs else ("", "")
        return f"{old.strip()}  ->  {new.strip()}"


class _Numbers(NumberReplacer):  # type: ignore[misc]
    """Numbers one up or down, large ones half as large again or half."""

    def mutate(self, node: NodeOrLeaf, index: int) -> NodeOrLeaf:
        value = ast.literal_eval(node.value)
        if isinstance(value, complex) or abs(value) < _LARGE:
            return super().mutate(node, index)
        changed = value * (1.5, 0.5)[index]
        changed = round(changed) if isinstance(value, int) else changed
        return Number(f" {changed}", node.start_pos)


def _operator(name: str) -> Operator:
    return _Numbers() if name == "NumberReplacer" else get_operator(f"core/{name}")()


def modules(root: Path) -> list[str]:
    """Return the modules that are changed, from the root of the tree."""
    found = (path for room in ROOMS for path in (root / "shaping" / room).rglob("*.py"))
    return sorted(path.relative_to(root).as_posix() for path in found)


def sample(root: Path, count: int, seed: int, *, word: str = "") -> list[Mutant]:
    """Draw mutants: places evenly, then one of the changes that fit there.

    Parameters
    ----------
    root : Path
        The tree.
    count : int
        How many, or all places if there are fewer.
    seed : int
        The same seed draws the same ones of the same tree.
    word : str
        Only modules whose path holds it.
    """
    places: dict[tuple[str, Span], list[Mutant]] = {}
    for path in modules(root):
        if word in path:
            for span, mutant in _mutants(root, path):
                places.setdefault((path, span), []).append(mutant)
    rng = random.Random(seed)
    chosen = rng.sample(sorted(places), min(count, len(places)))
    return [rng.choice(places[place]) for place in chosen]


def _mutants(root: Path, path: str) -> Iterator[tuple[Span, Mutant]]:
    code = (root / path).read_text(encoding="utf-8")
    tree = ast.parse(code)
    left_out, operations = list(_left_out(tree, code.splitlines())), list(_operations(tree))
    nodes = list(ast_nodes(get_ast(code)))
    for name in OPERATORS:
        operator = _operator(name)
        spans = [span for node in nodes for span in operator.mutation_positions(node)]
        for occurrence, (start, stop) in enumerate(spans):
            if name.startswith("ReplaceBinaryOperator") and not _within(start, stop, operations):
                continue  # a star that unpacks or that parts parameters
            if not _within(start, stop, left_out):
                yield (start, stop), Mutant(path, name, occurrence, start[0])


def _within(start: tuple[int, int], stop: tuple[int, int], spans: list[Span]) -> bool:
    return any(low <= start and stop <= high for low, high in spans)


def _operations(tree: ast.Module) -> Iterator[Span]:
    """Yield where operators of two operands stand: between the two."""
    for node in ast.walk(tree):
        left: ast.expr | None = None
        right: ast.expr | None = None
        if isinstance(node, ast.BinOp):
            left, right = node.left, node.right
        elif isinstance(node, ast.AugAssign):
            left, right = node.target, node.value
        if left is not None and right is not None:
            yield (
                (left.end_lineno or 0, left.end_col_offset or 0),
                (right.lineno, right.col_offset),
            )


def _left_out(tree: ast.Module, lines: list[str]) -> Iterator[Span]:
    for node in ast.walk(tree):
        parts: list[ast.AST | None] = []
        if isinstance(node, ast.If) and "pragma: no cover" in lines[node.lineno - 1]:
            parts.append(node)
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            parts += node.decorator_list
        if isinstance(node, ast.FunctionDef):
            parts.append(node.returns)
        if isinstance(node, ast.arg | ast.AnnAssign):
            parts.append(node.annotation)
        if isinstance(node, ast.keyword) and node.arg == "strict":
            parts.append(node)
        if isinstance(node, ast.Raise):
            parts.append(node)
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            parts.append(node)
        if isinstance(node, ast.ClassDef) and any("Protocol" in ast.unparse(b) for b in node.bases):
            parts.append(node)
        for part in parts:
            if part is not None:
                low = (part.lineno, part.col_offset)  # type: ignore[attr-defined]
                yield low, (part.end_lineno, part.end_col_offset)  # type: ignore[attr-defined]
