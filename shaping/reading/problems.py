"""What does not fit a form, told to people: where, what was wanted, what stands there.

`msgspec` finds the first thing that does not fit and names its place; the words are made here from
the form's own types at that place, so that a bound is told with the number it is checked against.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, TypeGuard

import msgspec
from msgspec import inspect

from shaping.text.names import briefly, on_one_line

Path = tuple[str | int, ...]

_PLACE = re.compile(r" - at `\$([^`]*)`$")
_STEP = re.compile(r"\.(?P<key>[^.\[\]]+)|\[(?P<index>\d+)\]|\[\.\.\.\]")
_MISSING = re.compile(r"^Object missing required field `(.+?)`")
_UNKNOWN = "Object contains unknown field"
_MOST_KEYS_TOLD = 24  # a choice: more keys than a person reads


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that does not fit.

    Attributes
    ----------
    path : tuple of str and int
        Keys, and places in lists (from 0).
    says : str
        What is wrong with it, after its name: ``must be true or false, not 5``.
    """

    path: Path
    says: str


def problem_of(complaint: str, value: Any, record: type) -> Problem:
    """Return what is wrong with a value that `msgspec` refused.

    Parameters
    ----------
    complaint : str
        What `msgspec.ValidationError` said.
    value : object
        The plain value that was refused.
    record : type
        The type it was to be converted to.
    """
    try:
        return _explained(complaint, value, record)
    except (LookupError, TypeError, AttributeError, StopIteration):
        # Only a key that imitates a complaint leads here.
        return Problem((), f"does not fit ({on_one_line(complaint)})")


def _explained(complaint: str, value: Any, record: type) -> Problem:
    path = _place(complaint, value, record)
    kind = _type_at(inspect.type_info(record), value, path)
    found = _value_at(value, path)
    chosen = _chosen(kind, found) if isinstance(found, dict | list) else kind
    if missing := _MISSING.match(complaint):
        wants = wanted(_step_into(chosen, missing[1]))
        return Problem((*path, missing[1]), f"is missing; it must be {wants}")
    if complaint.startswith(_UNKNOWN) and isinstance(chosen, inspect.StructType):
        keys = [field.encode_name for field in chosen.fields]
        unknown = next(key for key in found if key not in keys and key != chosen.tag_field)
        return Problem((*path, unknown), f"is not a known key; {_nearest(unknown, keys)}")
    if isinstance(found, list):
        least, most = getattr(chosen, "min_length", None), getattr(chosen, "max_length", None)
        if most is not None and len(found) > most:
            return Problem(path, f"holds more than {most} items")
        if least is not None and len(found) < least:
            return Problem(path, f"must hold at least {least} of them, not {len(found)}")
    return Problem(path, f"must be {wanted(kind)}, not {briefly(found)}")


def wanted(kind: inspect.Type) -> str:
    """Return in plain words what a type accepts.

    >>> wanted(inspect.FloatType(ge=0, le=1)), wanted(inspect.LiteralType(("a", "b")))
    ('a number between 0 and 1', 'one of a, b')
    """
    match kind:
        case inspect.Metadata(type=inner, extra_json_schema=extra):
            told = wanted(inner)
            meaning = (extra or {}).get("description")
            return f"{told} ({meaning})" if meaning else told
        case inspect.UnionType(types=types):
            return _either(types)
        case inspect.FloatType():
            return f"a number{_range(kind)}"
        case inspect.IntType():
            return f"a whole number{_range(kind)}"
        case inspect.BoolType():
            return "true or false"
        case inspect.StrType(min_length=least, max_length=most):
            return f"text{_length(least, most)}"
        case inspect.EnumType(cls=choices):
            return _one_of([choice.value for choice in choices])
        case inspect.LiteralType(values=values):
            return _one_of(values)
        case inspect.TupleType(item_types=items):
            return f"a list of {len(items)} values"
        case inspect.VarTupleType(item_type=item) | inspect.ListType(item_type=item):
            return f"a list of numbers{_range(item)}" if _is_number(item) else "a list"
        case inspect.StructType() | inspect.DictType():
            return "an object with keys"
    return "something else"


def _one_of(values: Any) -> str:
    told = ", ".join(str(value) for value in values)
    return told if len(values) == 1 else f"one of {told}"


def _is_number(kind: inspect.Type) -> TypeGuard[inspect.FloatType | inspect.IntType]:
    return isinstance(kind, inspect.FloatType | inspect.IntType)


def _length(least: int | None, most: int | None) -> str:
    if most is None:
        return " that is not empty" if least else ""
    return f" of {least} to {most} characters" if least else f" of at most {most} characters"


def _range(kind: inspect.FloatType | inspect.IntType) -> str:
    low, high = kind.ge, kind.le
    if low is not None and high is not None:
        return f" between {low:g} and {high:g}"
    if low is not None:
        return f" of at least {low:g}"
    return "" if high is None else f" of at most {high:g}"


def _tags(union: inspect.UnionType) -> list[str]:
    return [str(one.tag) for one in union.types if isinstance(one, inspect.StructType)]


def _either(types: tuple[inspect.Type, ...]) -> str:
    """Return what a union accepts, without null: a key that is null counts as left out."""
    told = [one for one in types if not isinstance(one, inspect.NoneType)]
    if any(isinstance(one, inspect.StructType) for one in told):
        return "an object with keys"
    words = [
        f'the word "{one.values[0]}"'
        if isinstance(one, inspect.LiteralType) and len(one.values) == 1
        else wanted(one)
        for one in told
    ]
    return " or ".join(words)


def _nearest(unknown: str, keys: list[str]) -> str:
    import difflib  # only here: an import less for whoever makes no mistake

    close = difflib.get_close_matches(unknown, keys, n=1)
    if close:
        return f"did you mean {close[0]}?"
    return f"the keys are {', '.join(keys[:_MOST_KEYS_TOLD])}"


def _place(complaint: str, value: Any, record: type) -> Path:
    found = _PLACE.search(complaint)
    steps: list[str | int] = []
    for step in _STEP.finditer(found[1]) if found else ():
        if step["key"] is not None:
            steps.append(step["key"])
        elif step["index"] is not None:
            steps.append(int(step["index"]))
        else:
            steps.append(_failing_key(value, tuple(steps), record, complaint))
    return tuple(steps)


def _failing_key(value: Any, path: Path, record: type, complaint: str) -> str:
    """Return the key of a free table that brings on a complaint, which does not name it."""
    table: dict[str, Any] = _value_at(value, path)
    for key, item in table.items():
        try:
            msgspec.convert(_with(value, path, {key: item}), record)
        except msgspec.ValidationError as error:
            if str(error) == complaint:
                return key
    return next(iter(table))


def _with(value: Any, path: Path, leaf: Any) -> Any:
    """Return a copy of a value with another one at a path."""
    if not path:
        return leaf
    step, *rest = path
    copy = value.copy()
    copy[step] = _with(value[step], tuple(rest), leaf)
    return copy


def _value_at(value: Any, path: Path) -> Any:
    for step in path:
        value = value[step]
    return value


def _type_at(kind: inspect.Type, value: Any, path: Path) -> inspect.Type:
    """Return the form's type at a path of a value."""
    for step in path:
        kind = _step_into(_chosen(kind, value), step)
        value = value[step]
    return kind


def _step_into(kind: inspect.Type, step: str | int) -> inspect.Type:
    match kind:
        case inspect.UnionType():  # only the tag itself can be wrong here
            return inspect.LiteralType(tuple(_tags(kind)))
        case inspect.StructType(fields=fields):
            return next(field.type for field in fields if field.encode_name == step)
        case inspect.DictType(value_type=item):
            return item
        case inspect.VarTupleType(item_type=item) | inspect.ListType(item_type=item):
            return item
        case inspect.TupleType(item_types=items):
            return items[int(step)]
    return kind


def _chosen(kind: inspect.Type, value: Any) -> inspect.Type:
    """Return the type that a list or an object is read as, where a form allows several."""
    if isinstance(kind, inspect.Metadata):
        return _chosen(kind.type, value)
    if not isinstance(kind, inspect.UnionType):
        return kind
    types = [_chosen(one, value) for one in kind.types]
    if isinstance(value, list):
        lists = (inspect.VarTupleType, inspect.ListType, inspect.TupleType)
        return next((one for one in types if isinstance(one, lists)), kind)
    for one in types:
        if isinstance(one, inspect.StructType) and (
            one.tag_field is None or value.get(one.tag_field) == one.tag
        ):
            return one
    return kind


def json_place(path: Path) -> str:
    """Return how a place in a JSON text is told.

    >>> json_place(("send", 2, "gain_db"))
    'send[2].gain_db'
    """
    steps = (f"[{step}]" if isinstance(step, int) else f".{_key(step)}" for step in path)
    return "".join(steps).removeprefix(".")


def toml_place(path: Path) -> str:
    """Return how a place in a TOML text is told; items of a list go by the list's key.

    >>> toml_place(("send", 2, "gain_db")), toml_place(("kinds", 1))
    ('gain_db of send 3', 'kinds')
    """
    keys: list[str] = []
    around = ""
    for number, step in enumerate(path, start=1):
        if isinstance(step, str):
            keys.append(_key(step))
        elif number < len(path):
            around = f" of {'.'.join(keys)} {step + 1}{around}"
            keys = []
    return ".".join(keys) + around


def _key(step: str) -> str:
    return on_one_line(step)
