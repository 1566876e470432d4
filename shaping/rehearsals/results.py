"""From the journal to the results: which records count, the table, the summary, the page."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from shaping.analysis.findings import Recurring
from shaping.capture.recording import CaptureKind
from shaping.equaliser.limits import Limits
from shaping.filters.bands import nearest_third_octave_hz
from shaping.output import write_text
from shaping.plan.plan import CaptureSummary, Plan
from shaping.plan.ring_out.planner import plan_from_recurring
from shaping.plan.to_json import plan_to_dict
from shaping.rehearsals.archive.naming import Naming
from shaping.rehearsals.archive.records import current_records, joined_in_time, unscanned_records
from shaping.rehearsals.channels import Channel, channels_of
from shaping.rehearsals.model import CERTAIN
from shaping.rehearsals.table import Row, events_csv
from shaping.text.frequency import note_text

_SCHEMA = "shaping.rehearsals/1"

SCHEMA_FILE = Path(__file__).with_name("summary.schema.json")
"""What summary.json holds, key by key, as JSON Schema 2020-12."""


@dataclass(frozen=True, eq=False)
class Summary:
    """What a scan's results hold, over all runs.

    Attributes
    ----------
    out : Path
        The results' folder.
    files : int
        Recordings, those with problems included.
    hours : float
        Hours scanned, channels counted singly.
    events, possible : int
        Sure events, and possible rings.
    rows : tuple of Row
        As in events.csv.
    channels : tuple of Channel
        One by one, those left out not among them.
    plans : dict of str to Plan
        By channel name, for the channels where something recurs.
    problems : tuple of str
        One sentence for each recording that is damaged, or no recording at all.
    notes : tuple of str
        One sentence for each recording that ends early or holds samples that are no audio.
    unscanned : tuple of str
        One sentence for each recording that was not scanned, and is tried again at the next run.
    """

    out: Path
    files: int
    hours: float
    events: int
    possible: int
    rows: tuple[Row, ...]
    channels: tuple[Channel, ...]
    plans: dict[str, Plan]
    problems: tuple[str, ...]
    notes: tuple[str, ...]
    unscanned: tuple[str, ...]


def summarise(
    out: Path, records: list[dict[str, Any]], limits: Limits, naming: Naming | None = None
) -> Summary:
    """Return the summary of the journal's records; it depends on nothing else."""
    counted = joined_in_time(current_records(records))
    left = unscanned_records(records)
    channels = channels_of(counted, naming)
    rows = _rows(counted, channels)
    plans = {
        channel.name: plan
        for channel in channels
        if (plan := suggested_plan(channel, limits)) is not None
    }
    sure = sum(row.event.certain for row in rows)
    return Summary(
        out=out,
        files=len(counted) + sum(record["state"] != "skipped" for record in left),
        hours=sum(channel.hours for channel in channels),
        events=sure,
        possible=len(rows) - sure,
        rows=rows,
        channels=channels,
        plans=plans,
        problems=tuple(
            record["problem"]
            for record in [*counted, *left]
            if record["problem"] and record["state"] != "failed"
        ),
        notes=tuple(f"{r['file']}: {note}" for r in counted for note in r["notes"]),
        unscanned=tuple(record["problem"] for record in left if record["state"] == "failed"),
    )


def write_tables(summary: Summary) -> None:
    """Write events.csv and summary.json, each whole or not at all."""
    write_text(summary.out / "events.csv", events_csv(summary.rows), force=True)
    text = json.dumps(summary_to_dict(summary), indent=2, allow_nan=False) + "\n"
    write_text(summary.out / "summary.json", text, force=True)


def _rows(records: list[dict[str, Any]], channels: tuple[Channel, ...]) -> tuple[Row, ...]:
    """Return the events in order of recording, channel and time."""
    takes = {
        (take.path, take.fingerprint, take.channel): (channel.name, take)
        for channel in channels
        for take in channel.takes
    }
    rows = []
    for record in records:
        for number in range(1, record["channels"] + 1):
            found = takes.get((record["path"], record["fingerprint"], number))
            if found is None:  # left out
                continue
            name, take = found
            for event in take.events:
                clock = take.clock(event.start_s)
                rows.append(
                    Row(
                        file=take.file,
                        channel_name=name,
                        recorded_on=take.recorded_on,
                        clock="" if clock is None else clock.strftime("%H:%M:%S"),
                        dated_by=take.dated_by,
                        event=event,
                    )
                )
    return tuple(rows)


def suggested_plan(channel: Channel, limits: Limits) -> Plan | None:
    """Return a plan for what recurs for sure on a channel; None where nothing does."""
    recurring = [one for one in channel.recurring if one.sure]
    if not recurring:
        return None
    captures = [
        CaptureSummary(
            path=take.file,
            sample_rate_hz=take.sample_rate_hz,
            channel=take.channel,
            duration_s=take.duration_s,
            kind=CaptureKind.RING_OUT,
            quality=(),
        )
        for take in channel.takes
        if take.events
    ]
    return plan_from_recurring(captures, recurring, limits)


def summary_to_dict(summary: Summary) -> dict[str, Any]:
    """Return the summary as plain values for JSON."""
    return {
        "schema": _SCHEMA,
        "files": summary.files,
        "complete": not summary.unscanned,
        "hours_scanned": round(summary.hours, 4),
        "events": summary.events,
        "possible_rings": summary.possible,
        "certain_from_confidence": CERTAIN,
        "not_scanned": list(summary.unscanned),
        "problems": list(summary.problems),
        "notes": list(summary.notes),
        "channels": [_channel(summary, channel) for channel in summary.channels],
    }


def _channel(summary: Summary, channel: Channel) -> dict[str, Any]:
    plan = summary.plans.get(channel.name)
    return {
        "name": channel.name,
        "hours_scanned": round(channel.hours, 4),
        "recordings": len(channel.takes),
        "events": channel.events,
        "possible_rings": channel.possible,
        "recurring": [_recurring(recurring) for recurring in channel.recurring],
        "trend": {
            "direction": channel.trend,
            "by_date": [
                {
                    "date": day.date,
                    "hours_scanned": round(day.hours, 4),
                    "events": day.events,
                    "events_per_hour": round(day.events_per_hour, 3),
                }
                for day in channel.days
            ],
        },
        "check": list(channel.checks),
        "suggested_plan": None if plan is None else plan_to_dict(plan),
    }


def _recurring(recurring: Recurring) -> dict[str, Any]:
    digits = {"confidence": 3, "frequency_hz": 2, "spread_hz": 2}
    plain = {
        key: round(value, digits.get(key, 1)) if isinstance(value, float) else value
        for key, value in asdict(recurring).items()
    }
    return plain | {
        "dates": list(recurring.dates),
        "note": note_text(recurring.frequency_hz),
        "third_octave_hz": nearest_third_octave_hz(recurring.frequency_hz),
    }
