"""An exposure as terminal text."""

from __future__ import annotations

from rich.console import Console

from shaping.analysis.exposure.exposure import Exposure
from shaping.capture.cautions import MEASURED_LEVELS
from shaping.report.exposure import words
from shaping.report.terminal_text import Column, bold, heading, lines, rows
from shaping.text.durations import moment_text
from shaping.text.names import shown

_DOCUMENT = (
    Column("Document", leads=True),
    Column("Value", leads=True),
    Column("This recording", bold=True),
    Column("Time at this level"),
)
_MINUTE = (
    Column("From", leads=True),
    Column("LAeq", right=True, bold=True),
    Column("LCeq", right=True),
    Column("LCpeak", right=True),
)


def print_exposure(exposure: Exposure, console: Console) -> None:
    """Print levels and what documents say of them.

    Parameters
    ----------
    exposure : Exposure
        What was measured.
    console : rich Console
        Where to print; its width decides the layout.
    """
    bold(console, words.title(exposure))
    lines(console, [("-", text) for text in words.answer(exposure)])
    heading(console, words.DOCUMENTS_HEADING)
    rows(
        console,
        _DOCUMENT,
        [
            (row.document, row.value, row.here, f"{row.time} ({row.span})" if row.time else "")
            for row in words.rows(exposure)
        ],
    )
    heading(console, "Where the energy lies")
    lines(console, [("-", text) for text in words.energy_texts(exposure)])
    if len(exposure.minutes) > 1:
        heading(console, "The loudest minutes")
        rows(
            console,
            _MINUTE,
            [
                (
                    moment_text(one.start_s),
                    words.level_text(one.laeq_db),
                    words.level_text(one.lceq_db, "dBC"),
                    words.level_text(one.lcpeak_db, "dBC"),
                )
                for one in words.loudest_minutes(exposure)
            ],
        )
    heading(console, "Mind")
    lines(console, [("!", shown(text)) for text in (*exposure.notes, *MEASURED_LEVELS)])
    heading(console, "What the figures rest on")
    lines(console, [("-", text) for text in words.basis_texts(exposure)])
