"""The one way pages are made: every string from outside is escaped."""

from __future__ import annotations

import re
from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined

from shaping.text.names import shown


@cache
def environment() -> Environment:
    """Return the environment of the templates: autoescaping, strict about what is missing."""
    made = Environment(
        loader=PackageLoader("shaping.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["minus"] = _minus
    made.filters["plain"] = shown
    return made


def _minus(text: str) -> str:
    """Return text whose negative numbers carry a true minus sign, as screen readers need it."""
    return re.sub(r"(?<![\w.-])-(?=\d)", "\N{MINUS SIGN}", text)
