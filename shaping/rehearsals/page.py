"""The results as one self-contained page to read on a phone.

No scripts and no network. Everything a file name brings in is escaped by the template engine.
"""

from __future__ import annotations

import base64
import math
from dataclasses import asdict, dataclass
from pathlib import PurePath

from shaping.analysis.findings import Recurring
from shaping.capture import cautions
from shaping.rehearsals.channels import Channel, Take
from shaping.rehearsals.events import Event
from shaping.rehearsals.excerpts import (
    HIGHEST_HZ,
    LEAD_S,
    LOWEST_HZ,
    PICTURE_S,
    Excerpt,
    excerpt_of,
)
from shaping.rehearsals.model import CERTAIN
from shaping.rehearsals.results import Summary
from shaping.report import words
from shaping.report.figures import style
from shaping.report.templating import environment
from shaping.text.durations import duration_text, moment_text
from shaping.text.frequency import hertz_text, note_text

WORST = 12
"""Events shown with picture and sound."""

_CHART_WIDTH, _CHART_HEIGHT = 340.0, 132.0
_LEFT, _BOTTOM, _TOP = 34.0, 18.0, 6.0
_LEAST_HOURS = 0.25
_GRID_HZ = (100, 200, 500, 1_000, 2_000, 5_000, 10_000)
_TREND = {
    "rising": "more often lately",
    "falling": "less often lately",
    "steady": "about as often as before",
    "too few dates": "too few dates for a trend",
}


@dataclass(frozen=True, slots=True)
class Mark:
    """One event on a timeline."""

    x: float
    y: float
    radius: float
    sure: bool
    text: str


@dataclass(frozen=True, slots=True)
class Line:
    """A labelled line of a timeline's frame."""

    at: float
    text: str


@dataclass(frozen=True, slots=True)
class Timeline:
    """One channel's events over scanned time; positions in the picture's units."""

    marks: tuple[Mark, ...]
    hertz: tuple[Line, ...]
    dates: tuple[Line, ...]
    summary: str


@dataclass(frozen=True, slots=True)
class Card:
    """One of the worst events, with what is shown of it."""

    heading: str
    sure: bool
    where: str
    facts: str
    reason: str
    picture: str
    sound: str
    line_y: float
    start_x: float
    stop_x: float
    alt: str


def rehearsals_page(summary: Summary) -> str:
    """Return the page; it makes and keeps the excerpts of the worst events."""
    dates = sorted({day.date for channel in summary.channels for day in channel.days})
    return (
        environment()
        .get_template("rehearsals.html")
        .render(
            light=asdict(style.LIGHT),
            dark=asdict(style.DARK),
            summary=summary,
            headline=_headline(summary),
            period=_period(dates),
            channels=[
                (
                    channel,
                    _timeline(channel),
                    [_recurring(r) for r in channel.recurring[:6]],
                    _TREND[channel.trend],
                    _settings(summary, channel),
                    duration_text(3600 * channel.hours),
                )
                for channel in _noisiest_first(summary.channels)
            ],
            overview=[
                (channel, duration_text(3600 * channel.hours), _rate(channel))
                for channel in _noisiest_first(summary.channels)
            ],
            cards=_cards(summary),
            certain=CERTAIN,
            listening=cautions.LISTENING,
            dialling=cautions.RING_OUT,
            exposure=cautions.EXPOSURE,
            lowest=hertz_text(LOWEST_HZ),
            highest=hertz_text(HIGHEST_HZ),
        )
    )


def badness(event: Event) -> float:
    """Rank of an event: sure before possible, then how far it stood out and for how long."""
    sure = 100.0 if event.confidence >= CERTAIN else 0.0
    return sure + event.over_db + 10 * math.log10(max(event.duration_s, 0.1))


def _headline(summary: Summary) -> str:
    found = _count(summary.events, "feedback event")
    if summary.possible:
        found += f" and {_count(summary.possible, 'possible ring')}"
    length = duration_text(3600 * summary.hours)
    return f"{found} in {_count(summary.files, 'recording')}, {length} counting each channel"


def _rate(channel: Channel) -> str:
    """Return events per hour, where enough was recorded for that to mean something."""
    if channel.hours < _LEAST_HOURS:
        return "–"
    return f"{channel.events / channel.hours:.1f}"


def _period(dates: list[str]) -> str:
    if not dates:
        return ""
    return dates[0] if len(dates) == 1 else f"{dates[0]} to {dates[-1]}, {len(dates)} dates"


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def _noisiest_first(channels: tuple[Channel, ...]) -> list[Channel]:
    return sorted(channels, key=lambda c: (-c.events, -c.possible))


def _recurring(recurring: Recurring) -> str:
    sure = _count(recurring.sure, "event")
    possible = recurring.events - recurring.sure
    often = sure if not possible else f"{sure}, {_count(possible, 'possible ring')}"
    if not recurring.sure:
        often = _count(possible, "possible ring")
    days = _count(len(recurring.dates), "date")
    return (
        f"{hertz_text(recurring.frequency_hz)} ({note_text(recurring.frequency_hz)}): {often} on "
        f"{days}, {duration_text(recurring.total_s)} in all, growing up to "
        f"{recurring.worst_growth_db_per_s:.0f} dB/s"
    )


def _settings(summary: Summary, channel: Channel) -> list[words.Setting]:
    plan = summary.plans.get(channel.name)
    return [] if plan is None else list(words.settings(plan))


def _timeline(channel: Channel) -> Timeline:
    total = sum(take.duration_s for take in channel.takes) or 1.0
    wide = _CHART_WIDTH - _LEFT - 6
    marks, dates = [], []
    passed, day = 0.0, ""
    for take in channel.takes:
        if take.recorded_on != day:
            day = take.recorded_on
            dates.append(Line(_LEFT + wide * passed / total, day))
        for event in take.events:
            marks.append(
                Mark(
                    x=round(_LEFT + wide * (passed + event.start_s) / total, 1),
                    y=round(_y(event.frequency_hz), 1),
                    radius=round(2.5 + min(event.duration_s, 8.0) / 3, 1),
                    sure=event.confidence >= CERTAIN,
                    text=f"{day}: {hertz_text(event.frequency_hz)} at {moment_text(event.start_s)} "
                    f"for {event.duration_s:.1f} s",
                )
            )
        passed += take.duration_s
    return Timeline(
        marks=tuple(marks),
        hertz=tuple(Line(round(_y(f), 1), _axis(f)) for f in _GRID_HZ),
        dates=_thinned(dates),
        summary=f"{channel.name}: {_count(len(marks), 'event')} over "
        f"{_count(len(channel.days), 'date')}",
    )


def _thinned(dates: list[Line]) -> tuple[Line, ...]:
    """Leave out labels that would run into each other."""
    kept: list[Line] = []
    for line in dates:
        crowded = bool(kept) and line.at - kept[-1].at < 62 and kept[-1].text != ""
        past = line.at > _CHART_WIDTH - 60
        kept.append(Line(round(line.at, 1), "" if crowded or past else line.text))
    return tuple(kept)


def _axis(frequency_hz: float) -> str:
    return f"{frequency_hz / 1000:g}k" if frequency_hz >= 1000 else f"{frequency_hz:g}"


def _y(frequency_hz: float) -> float:
    share = math.log(min(max(frequency_hz, 80.0), 12_000.0) / 80.0) / math.log(12_000 / 80)
    return _CHART_HEIGHT - _BOTTOM - share * (_CHART_HEIGHT - _BOTTOM - _TOP)


def _cards(summary: Summary) -> list[Card]:
    events = [
        (event, take, channel)
        for channel in summary.channels
        for take in channel.takes
        for event in take.events
    ]
    events.sort(key=lambda e: (-badness(e[0]), e[1].path, e[0].start_s))
    cards = []
    for event, take, channel in events[:WORST]:
        excerpt = excerpt_of(summary.out, take, event)
        cards.append(_card(event, take, channel, excerpt))
    return cards


def _card(event: Event, take: Take, channel: Channel, excerpt: Excerpt | None) -> Card:
    sure = event.confidence >= CERTAIN
    lead = min(LEAD_S, event.start_s)
    name = PurePath(take.file).name
    share = math.log(HIGHEST_HZ / min(max(event.frequency_hz, LOWEST_HZ), HIGHEST_HZ))
    return Card(
        heading=f"{hertz_text(event.frequency_hz)} · {note_text(event.frequency_hz)}",
        sure=sure,
        where=f"{channel.name}, {take.recorded_on}, {name} at {moment_text(event.start_s)}",
        facts=(
            f"{event.duration_s:.1f} s, grew {event.growth_db_per_s:.0f} dB/s, peak "
            f"{event.peak_dbfs:.0f} dBFS, {event.over_db:.0f} dB over everything else, "
            f"confidence {event.confidence:.2f}"
        ),
        reason=event.reason,
        picture="" if excerpt is None else _data("image/png", excerpt.picture),
        sound="" if excerpt is None else _data(excerpt.sound_type, excerpt.sound),
        line_y=round(128 * share / math.log(HIGHEST_HZ / LOWEST_HZ), 1),
        start_x=round(320 * lead / PICTURE_S, 1),
        stop_x=round(320 * min(1.0, (lead + event.duration_s) / PICTURE_S), 1),
        alt=f"Spectrogram of {PICTURE_S:g} s around the event at {hertz_text(event.frequency_hz)}",
    )


def _data(kind: str, data: bytes) -> str:
    return f"data:{kind};base64,{base64.b64encode(data).decode()}"
