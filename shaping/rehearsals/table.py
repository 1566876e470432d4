"""``events.csv``: one row an event, for a spreadsheet or a script.

Spreadsheets take a cell that begins with one of a few signs for a formula, so such a cell, which
only a name can bring in, gets an apostrophe in front.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass

from shaping.filters.bands import nearest_third_octave_hz
from shaping.rehearsals.events import Event
from shaping.text.frequency import note_text

COLUMNS = (
    "file",
    "channel",
    "start_s",
    "duration_s",
    "frequency_hz",
    "note",
    "third_octave_hz",
    "growth_db_per_s",
    "peak_dbfs",
    "confidence",
    "reason",
    "recorded_on",
    "clock",
    "channel_name",
    "dated_by",
)

_FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True, slots=True)
class Row:
    """An event with where and when it was.

    Attributes
    ----------
    file : str
        As the person named it.
    channel_name : str
        What its channel is called.
    recorded_on : str
        ISO date of the recording.
    clock : str
        Time of day at which it began, as 19:30:05; empty where it is not known.
    dated_by : str
        What day and time are known from: ``metadata``, ``name`` or ``time stamp``.
    event : Event
        The event.
    """

    file: str
    channel_name: str
    recorded_on: str
    clock: str
    dated_by: str
    event: Event


def events_csv(rows: Iterable[Row]) -> str:
    """Return the table as CSV text with a header."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        event = row.event
        writer.writerow(
            (
                harmless(row.file),
                event.channel,
                f"{event.start_s:.3f}",
                f"{event.duration_s:.3f}",
                f"{event.frequency_hz:.2f}",
                note_text(event.frequency_hz),
                f"{nearest_third_octave_hz(event.frequency_hz):g}",
                f"{event.growth_db_per_s:.1f}",
                f"{event.peak_dbfs:.1f}",
                f"{event.confidence:.3f}",
                harmless(event.reason),
                row.recorded_on,
                row.clock,
                harmless(row.channel_name),
                row.dated_by,
            )
        )
    return text.getvalue()


def harmless(text: str) -> str:
    r"""Return text that no spreadsheet takes for a formula.

    >>> harmless('=HYPERLINK("x")'), harmless("vocal.wav")
    ('\'=HYPERLINK("x")', 'vocal.wav')
    """
    return f"'{text}" if text.lstrip(" ").startswith(_FORMULA_SIGNS) else text
