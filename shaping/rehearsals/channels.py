"""What one channel did over the weeks: hours, events, what recurs, the trend, what to check.

What a channel is called is for `shaping.rehearsals.archive.naming` to say.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from shaping.analysis.findings import Recurring
from shaping.rehearsals.archive.naming import Naming, channel_names
from shaping.rehearsals.events import Event
from shaping.rehearsals.notes import are_notes
from shaping.rehearsals.trend import Day, trend_of
from shaping.text.frequency import hertz_text

SAME_HZ_RATIO = 1.015
"""Events this close are one recurring frequency: a loop drifts about 1 % with 5 K of air."""

MIN_RECURRENCES = 2  # once is no recurrence

THESE_ARE_NOTES = (
    "These are notes: the tones of this channel have many pitches, all on one scale, as an "
    "instrument has them and a howling wedge has not. Nothing to cut and nothing to move; listen "
    "to the surest event before you believe in feedback here."
)
"""What is said of a channel that plays notes, in place of recurring frequencies and cuts."""


@dataclass(frozen=True, slots=True)
class Take:
    """One channel of one recording.

    Attributes
    ----------
    file : str
        As the person named it.
    path, fingerprint : str
        Absolute path, and digest of the content.
    recorded_on : str
        ISO date.
    channel : int
        Counted from 1.
    sample_rate_hz : int
        Sample rate.
    duration_s : float
        Length.
    events : tuple of Event
        In order of time.
    began : str or None
        ISO date and time at which the recording began; None where the time is not known.
    dated_by : str
        ``metadata``, ``name`` or ``time stamp``.
    offset_s : float
        Time from the start of a recording that was split into files to the start of this one.
    """

    file: str
    path: str
    recorded_on: str
    channel: int
    sample_rate_hz: int
    duration_s: float
    events: tuple[Event, ...]
    began: str | None = None
    dated_by: str = "time stamp"
    offset_s: float = 0.0
    fingerprint: str = ""

    def clock(self, moment_s: float) -> datetime | None:
        """Return day and time of a moment of this file; None where the time is not known."""
        if self.began is None:
            return None
        return datetime.fromisoformat(self.began) + timedelta(seconds=moment_s)


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel over all recordings.

    Attributes
    ----------
    name : str
        For people.
    takes : tuple of Take
        In order of date and path.
    recurring : tuple of Recurring
        Most frequent first.
    days : tuple of Day
        In order of date.
    trend : str
        ``rising``, ``falling``, ``steady`` or ``too few dates``.
    checks : tuple of str
        What to look at, in plain sentences.
    """

    name: str
    takes: tuple[Take, ...]
    recurring: tuple[Recurring, ...]
    days: tuple[Day, ...]
    trend: str
    checks: tuple[str, ...]

    @property
    def hours(self) -> float:
        """Hours scanned."""
        return sum(take.duration_s for take in self.takes) / 3600

    @property
    def events(self) -> int:
        """Sure events."""
        return sum(e.certain for take in self.takes for e in take.events)

    @property
    def possible(self) -> int:
        """Possible rings."""
        return sum(not e.certain for take in self.takes for e in take.events)


def channels_of(
    records: Sequence[dict[str, Any]], naming: Naming | None = None
) -> tuple[Channel, ...]:
    """Group the journal's records by channel and look at each over time."""
    groups: dict[str, list[Take]] = defaultdict(list)
    for record, names in zip(records, channel_names(records, naming or Naming()), strict=True):
        for number, name in enumerate(names, start=1):
            if name is not None:
                groups[name].append(_take(record, number))
    recurring = {
        name: () if _plays_notes(takes) else recurring_frequencies(takes)
        for name, takes in groups.items()
    }
    return tuple(
        Channel(
            name=name,
            takes=tuple(groups[name]),
            recurring=recurring[name],
            days=(days := _days(groups[name])),
            trend=trend_of(days),
            checks=_checks(name, recurring, groups[name]),
        )
        for name in sorted(groups, key=_natural)
    )


def recurring_frequencies(takes: Sequence[Take]) -> tuple[Recurring, ...]:
    """Return the frequencies at which at least two events stood, or one on each of two days."""
    events = sorted(
        ((event, take.recorded_on) for take in takes for event in take.events),
        key=lambda pair: (pair[0].frequency_hz, pair[1], pair[0].start_s),
    )
    groups: list[list[tuple[Event, str]]] = []
    for event, day in events:
        if groups and event.frequency_hz < SAME_HZ_RATIO * groups[-1][0][0].frequency_hz:
            groups[-1].append((event, day))
        else:
            groups.append([(event, day)])
    found = [_recurring(group) for group in groups if len(group) >= MIN_RECURRENCES]
    return tuple(sorted(found, key=lambda r: (-r.sure, -r.events, r.frequency_hz)))


def _recurring(group: Sequence[tuple[Event, str]]) -> Recurring:
    events = [event for event, _ in group]
    weight = sum(e.confidence for e in events)
    mean = sum(e.confidence * e.frequency_hz for e in events) / weight
    spread = sum(e.confidence * (e.frequency_hz - mean) ** 2 for e in events) / weight
    return Recurring(
        frequency_hz=mean,
        spread_hz=math.sqrt(spread),
        events=len(events),
        sure=sum(e.certain for e in events),
        dates=tuple(sorted({day for _, day in group})),
        total_s=sum(e.duration_s for e in events),
        worst_growth_db_per_s=max(e.growth_db_per_s for e in events),
        worst_over_db=max(e.over_db for e in events),
        peak_dbfs=max(e.peak_dbfs for e in events),
        clipped=any(e.clipped for e in events),
        confidence=max(e.confidence for e in events),
    )


def _take(record: dict[str, Any], channel: int) -> Take:
    return Take(
        file=record["file"],
        path=record["path"],
        recorded_on=record["recorded_on"],
        channel=channel,
        sample_rate_hz=record["sample_rate_hz"],
        duration_s=record["duration_s"],
        events=tuple(Event.from_record(e) for e in record["events"] if e["channel"] == channel),
        began=record.get("began"),
        dated_by=record.get("dated_by", "time stamp"),
        offset_s=record.get("offset_s", 0.0),
        fingerprint=record.get("fingerprint", ""),
    )


def _days(takes: Sequence[Take]) -> tuple[Day, ...]:
    hours: dict[str, float] = defaultdict(float)
    events: dict[str, int] = defaultdict(int)
    for take in takes:
        hours[take.recorded_on] += take.duration_s / 3600
        events[take.recorded_on] += sum(e.certain for e in take.events)
    return tuple(Day(day, hours[day], events[day]) for day in sorted(hours))


def _checks(
    name: str, recurring: dict[str, tuple[Recurring, ...]], takes: Sequence[Take]
) -> tuple[str, ...]:
    if _plays_notes(takes):
        return (THESE_ARE_NOTES,)
    own = [r for r in recurring[name] if r.sure]
    sure = [e for take in takes for e in take.events if e.certain]
    checks = []
    lasting = [r for r in own if len(r.dates) > 1]
    if lasting:
        places = ", ".join(hertz_text(r.frequency_hz) for r in lasting[:3])
        checks.append(
            f"Placement: {places} came back on several dates, so the cause stays where it is. "
            f"Put the wedge in the mic's null and the mic closer to the source before cutting."
        )
    if len(own) >= 3 or any(e.growth_db_per_s > 150 for e in sure):
        checks.append(
            "Gain: howls at several frequencies, or very fast ones, mean that the send is simply "
            "too high. Lower it by 3 dB first; cuts come last."
        )
    elif sure and not lasting:
        checks.append(
            "Gain: look at what was changed just before each event (send level, a mic moved, a "
            "hand around the grille)."
        )
    if any(r.frequency_hz < 250 for r in own):
        checks.append("High-pass: rings below 250 Hz often go when the send's high-pass goes up.")
    for other in sorted(recurring, key=_natural):
        shared = [r for r in own for s in recurring[other] if s.sure and _close(r, s)]
        if other != name and shared:
            checks.append(
                f"A copied setting: {hertz_text(shared[0].frequency_hz)} recurs on {other} too. "
                f"See whether both share a wedge, or settings copied from one to the other."
            )
            break
    return tuple(checks)


def _plays_notes(takes: Sequence[Take]) -> bool:
    return are_notes([event.frequency_hz for take in takes for event in take.events])


def _close(one: Recurring, other: Recurring) -> bool:
    return 1 / SAME_HZ_RATIO < one.frequency_hz / other.frequency_hz < SAME_HZ_RATIO


def _natural(name: str) -> tuple[str, int]:
    head, _, number = name.rpartition(" ")
    return (head, int(number)) if number.isdigit() else (name, 0)
