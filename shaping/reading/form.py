"""One reader of files that somebody else wrote: nothing in them is trusted.

A `Form` says what a file may hold: a `msgspec.Struct` whose fields carry their bounds in
`msgspec.Meta`. From that one description come the check of what was read and the JSON schema that
is published, so the two cannot disagree.

Conventions: sizes are bounded before anything is parsed. A key that is null counts as left out,
and 2.0 is as whole a number as 2. Whatever is wrong becomes one error of the form's own class, in
one line: where (the key; in TOML the line as well), what was wanted, what stands there. A form
whose struct forbids unknown fields tells an unknown key, with the nearest one there is; any other
passes it over.

What puts a refusal into words is imported where there is one: every start of the command reads
limits, and hardly any of them are wrong.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, NoReturn, TypeVar

import msgspec

from shaping.errors import ShapingError
from shaping.text.names import briefly, shown

Record = TypeVar("Record", bound=msgspec.Struct)

_DIALECT = "https://json-schema.org/draft/2020-12/schema"


@dataclass(frozen=True, slots=True)
class Form(Generic[Record]):
    """What one kind of file may hold.

    Attributes
    ----------
    what : str
        What people call such a file's content, such as ``plan``.
    record : type of msgspec.Struct
        The keys, their types and bounds.
    error : type of ShapingError
        What is raised where a file cannot be used.
    max_bytes : int
        A file that is larger is something else.
    advice : callable
        Returns what to do where there is no such file, after "no such plan; ".
    """

    what: str
    record: type[Record]
    error: type[ShapingError]
    max_bytes: int
    advice: Callable[[], str]


def read_text(path: str | Path, form: Form[Any]) -> str:
    """Return the text of a file, which is never read beyond the form's size.

    Raises
    ------
    ShapingError
        The form's own: no such file, no ordinary file, too large, unreadable, or no text in UTF-8.
        The message names the file.
    """
    named = shown(str(path))
    try:
        file = Path(path)
        if not file.exists():
            raise form.error(f"{named}: no such {form.what}; {form.advice()}")
        if not file.is_file():
            raise form.error(f"{named}: not a file; {form.advice()}")
        with file.open("rb") as stream:
            data = stream.read(form.max_bytes + 1)
        if len(data) > form.max_bytes:
            raise form.error(f"{named}: {_too_large(form)}")
        return data.decode("utf-8-sig")
    except ShapingError:
        raise
    except UnicodeDecodeError as error:
        raise form.error(
            f"{named}: not a text file in UTF-8, so it holds no {form.what}; {form.advice()}"
        ) from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise form.error(f"{named}: the {form.what} cannot be read ({reason})") from error


def from_json(text: str, form: Form[Record]) -> Record:
    """Return what a JSON text holds.

    Raises
    ------
    ShapingError
        The form's own, if it is too large, no JSON, or does not fit the form.
    """

    def refuse_constant(name: str) -> NoReturn:
        raise form.error(f"{name} is not a number that a {form.what} may hold")

    if len(text) > form.max_bytes:
        raise form.error(_too_large(form))
    try:
        value = json.loads(text, parse_constant=refuse_constant)
    except ShapingError:
        raise
    except json.JSONDecodeError as error:
        what = error.msg[:1].lower() + error.msg[1:]
        told = f"not valid JSON: {what} at column {error.colno}"
        raise form.error(at_line(error.lineno, told)) from error
    except (ValueError, RecursionError) as error:
        raise form.error(f"not valid JSON ({briefly(error)})") from error
    return from_plain(value, form)


def from_plain(value: Any, form: Form[Record]) -> Record:
    """Return what plain values hold: dictionaries, lists, texts, numbers.

    Raises
    ------
    ShapingError
        The form's own, if they do not fit the form.
    """
    try:
        return _fitted(value, form)
    except _UnfitError as unfit:
        from shaping.reading.problems import json_place, problem_of

        problem = problem_of(unfit.complaint, unfit.value, form.record)
        told = f"{json_place(problem.path) or form.what} {problem.says}"
        raise form.error(told) from unfit.__cause__


def from_toml(text: str, form: Form[Record]) -> Record:
    """Return what a TOML text holds.

    Raises
    ------
    ShapingError
        The form's own, if it is too large, no TOML, or does not fit the form. The message begins
        with the line, such as ``line 3: ``, wherever one line is to blame.
    """
    if len(text) > form.max_bytes:
        raise form.error(_too_large(form))
    try:
        value = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        from shaping.reading.toml_lines import toml_mistake

        raise form.error(toml_mistake(error, text)) from error
    try:
        return _fitted(value, form)
    except _UnfitError as unfit:
        from shaping.reading.problems import problem_of, toml_place
        from shaping.reading.toml_lines import line_of

        problem = problem_of(unfit.complaint, unfit.value, form.record)
        told = f"{toml_place(problem.path) or form.what} {problem.says}"
        raise form.error(at_line(line_of(text, problem.path), told)) from unfit.__cause__


def at_line(line: int | None, message: str) -> str:
    """Return a message about one line of a file.

    >>> at_line(3, "bands is missing"), at_line(None, "bands is missing")
    ('line 3: bands is missing', 'bands is missing')
    """
    return message if line is None else f"line {line}: {message}"


def json_schema(form: Form[Any], title: str) -> dict[str, Any]:
    """Return the JSON schema of a form, as it is published (draft 2020-12)."""
    (whole,), parts = msgspec.json.schema_components([form.record], ref_template="#/$defs/{name}")
    root = parts.pop(whole["$ref"].rpartition("/")[2])
    return {"$schema": _DIALECT, **root, "title": title, "$defs": parts}


def _too_large(form: Form[Any]) -> str:
    unit, size = ("MB", 1024**2) if form.max_bytes >= 1024**2 else ("kB", 1024)
    return f"larger than {form.max_bytes // size} {unit}, so it holds no {form.what}"


class _UnfitError(Exception):
    """A plain value does not fit a form; its cause says why."""

    def __init__(self, value: Any, complaint: str) -> None:
        super().__init__(complaint)
        self.value = value
        self.complaint = complaint


def _fitted(value: Any, form: Form[Record]) -> Record:
    try:
        value = _tidied(value)
        try:
            return msgspec.convert(value, form.record)
        except UnicodeEncodeError:  # a broken character where a word was wanted: told escaped
            value = _tidied(value, escaped=True)
            return msgspec.convert(value, form.record)
    except msgspec.ValidationError as error:
        raise _UnfitError(value, str(error)) from error
    except RecursionError as error:
        raise form.error(f"nested too deeply for a {form.what}") from error


def _tidied(value: Any, *, escaped: bool = False) -> Any:
    """Return a value without its null keys, its whole floats as whole numbers.

    Broken characters (half of a pair of surrogates) are escaped in keys, and in texts as well if
    `escaped`: `msgspec` can compare neither with the names it knows.
    """
    if isinstance(value, dict):
        return {
            _escaped(key): _tidied(item, escaped=escaped)
            for key, item in value.items()
            if item is not None
        }
    if isinstance(value, list):
        return [_tidied(item, escaped=escaped) for item in value]
    if isinstance(value, float) and value.is_integer():
        return int(value)
    return _escaped(value) if escaped and isinstance(value, str) else value


def _escaped(text: str) -> str:
    return text if text.isascii() else text.encode("utf-8", "backslashreplace").decode()
