"""Where something stands in a TOML text.

The parser of the standard library tells the line of a mistake in the text, but not the line of a
key. It can be asked, though: the line of a key is that with which the key first appears when the
text is cut off after it. Every cut inside a value that runs over several lines is no valid TOML,
so nothing has to be known here about how TOML is written.
"""

from __future__ import annotations

import re
import tomllib
from typing import Any

from shaping.text.names import briefly, on_one_line

MOST_CUTS = 100
"""Halving needs about ten; a value over very many lines may need more, and is then not located."""

_ADVICE = {
    "invalid value": "text stands in quotes, lists in brackets",
    "cannot overwrite a value": "this key is written twice",
}
_WHERE = re.compile(r"\(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)$")


def line_of(text: str, path: tuple[str | int, ...]) -> int | None:
    r"""Return the line on which a key or table begins, counted from 1.

    Parameters
    ----------
    text : str
        A valid TOML text.
    path : tuple of str and int
        Keys, and places in arrays of tables, such as ``("send", 2, "gain_db")``. What is not in
        the text, such as a key that is missing, stands where the table around it begins.

    Returns
    -------
    int or None
        The line; None for the whole text, or where it is not found.

    Examples
    --------
    >>> line_of("[[send]]\n# up\ngain_db = [\n  1\n]\n", ("send", 0, "gain_db"))
    3
    """
    lines = text.replace("\r\n", "\n").split("\n")
    whole = _parsed(lines)
    while path and not _holds(whole, path):
        path = path[:-1]
    if whole is None or not path:
        return None
    without, with_it, cuts = 0, len(lines), 0  # cut off after so many lines
    while with_it - without > 1:
        middle = (without + with_it) // 2
        for cut in (*range(middle, without, -1), *range(middle + 1, with_it)):
            cuts += 1
            if cuts > MOST_CUTS:
                return None
            part = _parsed(lines[:cut])
            if part is not None:
                break
        else:
            break  # the value runs over all the lines between
        if _holds(part, path):
            with_it = cut
        else:
            without = cut
    return without + 1


def toml_mistake(error: Exception, text: str) -> str:
    """Return a parser's complaint as one line for people, with the line that is to blame.

    >>> try:
    ...     tomllib.loads("[a")
    ... except tomllib.TOMLDecodeError as error:
    ...     print(toml_mistake(error, "[a"))
    line 1: not valid TOML: expected ']' at the end of a table declaration at the end of '[a'
    """
    told = str(error)
    where = _WHERE.search(told)
    if where is None:
        return f"not valid TOML ({briefly(error)})"
    what = told[: where.start()].strip()
    what = on_one_line(what[:1].lower() + what[1:])
    lines = text.replace("\r\n", "\n").rstrip("\n").split("\n")
    number, column = len(lines), "the end"
    if where["line"] is not None:
        number, column = int(where["line"]), f"column {where['column']}"
    line = briefly(lines[min(number, len(lines)) - 1])
    advice = _ADVICE.get(what)
    return f"line {number}: not valid TOML: {what} at {column} of {line}" + (
        f"; {advice}" if advice else ""
    )


def _parsed(lines: list[str]) -> dict[str, Any] | None:
    try:
        return tomllib.loads("\n".join(lines))
    except (ValueError, RecursionError):
        return None


def _holds(value: Any, path: tuple[str | int, ...]) -> bool:
    for step in path:
        if isinstance(step, int):
            if not isinstance(value, list) or len(value) <= step:
                return False
        elif not isinstance(value, dict) or step not in value:
            return False
        value = value[step]
    return True
