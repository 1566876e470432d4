"""Text and rows that fit any terminal: what a person dials in is never cut off nor torn apart.

A gain that ends in dots may be any gain. Rows of findings are therefore a table only where the
whole table fits; where it does not they are blocks, one value below the other. At the end of a line
a number stays with its unit.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.measure import Measurement
from rich.table import Table
from rich.text import Text

from shaping.report.words import Setting

_KEPT = "\u00a0"
"""Stands for a space that must not end a line; no name or sentence holds one once it is printed."""

_UNIT = re.compile(
    r"(?<=\d) (?=(?:dB|dBFS|k?Hz|oct|octaves|cents|cm|ms|min|s|h|%)(?![\w]))|(?<=Q) (?=\d)"
)
_ANY_WIDTH = 10_000  # wider than anything printed


@dataclass(frozen=True, slots=True)
class Column:
    """One kind of value in rows.

    Attributes
    ----------
    title : str
        What stands above it, or before it in a block; "" where the value speaks for itself.
    right : bool
        Whether it stands at the right of its column.
    bold : bool
        Whether it is among what a person looks for first.
    leads : bool
        Whether it belongs to the first line of a block.
    """

    title: str
    right: bool = False
    bold: bool = False
    leads: bool = False


_SETTING = (
    Column("", right=True, bold=True, leads=True),
    Column("Filter", leads=True),
    Column("Frequency", bold=True, leads=True),
    Column("Gain", right=True, bold=True),
    Column("Width"),
)


def heading(console: Console, text: str) -> None:
    """Print a heading with a blank line before it."""
    console.print()
    bold(console, text)


def bold(console: Console, text: str) -> None:
    """Print a line that stands out."""
    console.print(Text(wrapped(text, console.width), style="bold"))


def lines(console: Console, marked: Sequence[tuple[str, str]]) -> None:
    """Print short marks with hanging text beside them."""
    for mark, text in marked:
        lead = f" {mark} "
        console.print(Text(wrapped(text, console.width, lead=lead)))


def wrapped(text: str, width: int, *, lead: str = "") -> str:
    r"""Return text in lines of at most so many characters, later ones indented as far as the lead.

    >>> wrapped("the send may go up to -12.3 dB", 28)
    'the send may go up to\n-12.3 dB'
    """
    kept = textwrap.wrap(
        _UNIT.sub(_KEPT, text), width, initial_indent=lead, subsequent_indent=" " * len(lead)
    )
    return "\n".join(kept).replace(_KEPT, " ")


def rows(console: Console, columns: Sequence[Column], cells: Sequence[Sequence[str]]) -> None:
    """Print rows of values: as a table where it fits, else as blocks.

    Parameters
    ----------
    console : rich Console
        Where to print; its width decides.
    columns : sequence of Column
        What the values are.
    cells : sequence of sequences of str
        One row after the other, one value for each column; "" for none.
    """
    table = _table(console, columns, cells)
    options = console.options.update(width=_ANY_WIDTH)
    if Measurement.get(console, options, table).maximum <= console.width:
        console.print(table)
        return
    for row in cells:
        _block(console, columns, row)


def setting_rows(console: Console, settings: Sequence[Setting]) -> None:
    """Print settings as they are dialled in, one a row."""
    rows(
        console,
        _SETTING,
        [(str(one.number), one.kind, one.frequency, one.gain, one.width) for one in settings],
    )


def _table(console: Console, columns: Sequence[Column], cells: Sequence[Sequence[str]]) -> Table:
    """Return a table: ruled on a terminal, plain when piped."""
    table = Table(box=SIMPLE_HEAD if console.is_terminal else None, padding=(0, 1), pad_edge=False)
    for column in columns:
        table.add_column(column.title, justify="right" if column.right else "left", no_wrap=True)
    for row in cells:
        table.add_row(
            *(
                Text(value, style="bold" if column.bold else "")
                for column, value in zip(columns, row, strict=True)
            )
        )
    return table


def _block(console: Console, columns: Sequence[Column], row: Sequence[str]) -> None:
    first = "  ".join(v for c, v in zip(columns, row, strict=True) if c.leads and v)
    if first:
        bold(console, first)
    for column, value in zip(columns, row, strict=True):
        if value and not column.leads:
            lead = f"    {column.title}: " if column.title else "    "
            style = "bold" if column.bold else ""
            console.print(Text(wrapped(value, console.width, lead=lead), style=style))
