"""The results as one self-contained page to read on a phone.

What to do comes first, then one small row a channel, which opens to everything known of it. No
scripts and no network. Everything a file name brings in is escaped by the template engine.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass

from shaping.analysis.findings import Recurring
from shaping.capture import cautions
from shaping.rehearsals.channels import Channel
from shaping.rehearsals.model import CERTAIN
from shaping.rehearsals.page.cards import worst_cards
from shaping.rehearsals.page.excerpts import HIGHEST_HZ, LOWEST_HZ
from shaping.rehearsals.page.moments import day_text, place_text, when_text
from shaping.rehearsals.page.sunday import MOST_LINES, advice
from shaping.rehearsals.page.timeline import CHART, STRIP, Timeline, chart, strip
from shaping.rehearsals.results import Summary
from shaping.report.figures import style
from shaping.report.templating import environment
from shaping.report.words import Setting, settings
from shaping.text.durations import duration_text
from shaping.text.frequency import frequency_text, hertz_text, note_text
from shaping.text.sentences import listing

_LEAST_HOURS = 0.25  # a choice: in less than a quarter of an hour one event makes four an hour
_MOST_PLACES = 3  # more make no row
_MOST_RECURRING = 6  # a choice: more than anybody mends before a service
_TREND = {
    "rising": ("↗", "more often", "more often lately"),
    "falling": ("↘", "less often", "less often lately"),
    "steady": ("→", "as before", "about as often as before"),
    "too few dates": ("", "too few dates", "too few dates for a trend"),
}


@dataclass(frozen=True, slots=True)
class Moment:
    """One event in a channel's list."""

    when: str
    where: str
    frequency: str
    note: str
    length: str
    sure: bool
    confidence: str


@dataclass(frozen=True, slots=True)
class Row:
    """One channel: what its row shows, and what it opens to."""

    name: str
    events: int
    possible: int
    rate: str
    places: str
    trend_sign: str
    trend: str
    trend_told: str
    length: str
    takes: int
    strip: Timeline
    chart: Timeline
    recurring: tuple[str, ...]
    checks: tuple[str, ...]
    settings: tuple[Setting, ...]
    moments: tuple[Moment, ...]


def rehearsals_page(summary: Summary) -> str:
    """Return the page; it makes and keeps the excerpts of the worst events."""
    dates = sorted({day.date for channel in summary.channels for day in channel.days})
    todo = advice(summary)
    heard = sorted(
        (channel for channel in summary.channels if channel.events or channel.possible),
        key=lambda channel: (-channel.events, -channel.possible),
    )
    silent = [c.name for c in summary.channels if not (c.events or c.possible)]
    stamped = any(
        take.dated_by == "time stamp" and take.events
        for channel in summary.channels
        for take in channel.takes
    )
    return (
        environment()
        .get_template("rehearsals.html")
        .render(
            title="Feedback in the rehearsals",
            light=asdict(style.LIGHT),
            dark=asdict(style.DARK),
            summary=summary,
            headline=_headline(summary),
            period=_period(dates),
            todo=todo[:MOST_LINES],
            more=len(todo) - MOST_LINES,
            rows=[_row(summary, channel) for channel in heard],
            silent=listing(silent) if silent else "",
            cards=worst_cards(summary),
            chart_size=CHART,
            strip_size=STRIP,
            stamped=stamped,
            certain=CERTAIN,
            listening=cautions.LISTENING,
            dialling=cautions.RING_OUT,
            exposure=cautions.EXPOSURE,
            lowest=hertz_text(LOWEST_HZ),
            highest=hertz_text(HIGHEST_HZ),
        )
    )


def _row(summary: Summary, channel: Channel) -> Row:
    # Possible rings make no trend.
    sign, short, told = _TREND[channel.trend] if channel.events else ("", "–", "no event for sure")
    plan = summary.plans.get(channel.name)
    return Row(
        name=channel.name,
        events=channel.events,
        possible=channel.possible,
        rate=_rate(channel),
        places=_places(channel),
        trend_sign=sign,
        trend=short,
        trend_told=told,
        length=duration_text(3600 * channel.hours),
        takes=len(channel.takes),
        strip=strip(channel),
        chart=chart(channel),
        recurring=tuple(_recurring(r) for r in channel.recurring[:_MOST_RECURRING]),
        checks=channel.checks,
        settings=() if plan is None else settings(plan),
        moments=tuple(
            Moment(
                when=when_text(take, event.start_s),
                where=place_text(take, event.start_s),
                frequency=hertz_text(event.frequency_hz),
                note=note_text(event.frequency_hz),
                length=f"{event.duration_s:.1f} s",
                sure=event.certain,
                confidence=f"{event.confidence:.2f}",
            )
            for take in channel.takes
            for event in take.events
        ),
    )


def _places(channel: Channel) -> str:
    """Return where it howls: what comes back, or else what there is."""
    found = [r.frequency_hz for r in channel.recurring if r.sure]
    found = found or [r.frequency_hz for r in channel.recurring]
    if not found:
        events = [event for take in channel.takes for event in take.events]
        events.sort(key=lambda event: -event.confidence)
        found = [event.frequency_hz for event in events]
    more = " …" if len(found) > _MOST_PLACES else ""
    return ", ".join(hertz_text(f) for f in found[:_MOST_PLACES]) + more


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
    if len(dates) == 1:
        return day_text(dates[0])
    return f"{day_text(dates[0])} to {day_text(dates[-1])}, {len(dates)} dates"


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def _recurring(recurring: Recurring) -> str:
    sure = _count(recurring.sure, "event")
    possible = recurring.events - recurring.sure
    often = sure if not possible else f"{sure}, {_count(possible, 'possible ring')}"
    if not recurring.sure:
        often = _count(possible, "possible ring")
    days = _count(len(recurring.dates), "date")
    return (
        f"{frequency_text(recurring.frequency_hz)}: {often} on {days}, "
        f"{duration_text(recurring.total_s)} in all, growing up to "
        f"{recurring.worst_growth_db_per_s:.0f} dB/s"
    )
