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
from shaping.rehearsals.channels import Channel, channels_of
from shaping.rehearsals.events import Event, events_csv
from shaping.rehearsals.model import CERTAIN
from shaping.text.frequency import note_text

_SCHEMA = "shaping.rehearsals/1"


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
    rows : tuple of (str, Event)
        File and event, as in events.csv.
    channels : tuple of Channel
        One by one.
    plans : dict of str to Plan
        By channel name, for the channels where something recurs.
    problems : tuple of str
        One sentence for each recording that could not be scanned to its end.
    """

    out: Path
    files: int
    hours: float
    events: int
    possible: int
    rows: tuple[tuple[str, Event], ...]
    channels: tuple[Channel, ...]
    plans: dict[str, Plan]
    problems: tuple[str, ...]


def summarise(out: Path, records: list[dict[str, Any]], limits: Limits) -> Summary:
    """Return the summary of the journal's records; it depends on nothing else."""
    counted = current_records(records)
    channels = channels_of(counted)
    rows = tuple((str(r["file"]), Event.from_record(e)) for r in counted for e in r["events"])
    plans = {
        channel.name: plan
        for channel in channels
        if (plan := suggested_plan(channel, limits)) is not None
    }
    sure = sum(event.confidence >= CERTAIN for _, event in rows)
    return Summary(
        out=out,
        files=len(counted),
        hours=sum(channel.hours for channel in channels),
        events=sure,
        possible=len(rows) - sure,
        rows=rows,
        channels=channels,
        plans=plans,
        problems=tuple(r["problem"] for r in counted if r["problem"]),
    )


def write_tables(summary: Summary) -> None:
    """Write events.csv and summary.json, each whole or not at all."""
    write_text(summary.out / "events.csv", events_csv(summary.rows), force=True)
    text = json.dumps(summary_to_dict(summary), indent=2, allow_nan=False) + "\n"
    write_text(summary.out / "summary.json", text, force=True)


def current_records(records: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the records that count, in order of date and path.

    A later record of the same file, read in full at last or grown since, replaces an earlier one;
    another recording under an old name does not.
    """
    read = {record["path"] for record in records if record["duration_s"]}
    latest: dict[tuple[str, str], dict[str, Any]] = {}
    for record in records:
        if record["duration_s"]:
            latest[(record["path"], record["head"])] = record
        elif record["path"] not in read:
            latest[(record["path"], "")] = record
    return sorted(latest.values(), key=lambda r: (r["recorded_on"], r["path"], r["fingerprint"]))


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
        "hours_scanned": round(summary.hours, 4),
        "events": summary.events,
        "possible_rings": summary.possible,
        "certain_from_confidence": CERTAIN,
        "problems": list(summary.problems),
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
