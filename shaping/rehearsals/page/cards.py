"""The worst events, each with a picture and a sound."""

from __future__ import annotations

import base64
import math
from dataclasses import dataclass

from shaping.rehearsals.channels import Channel, Take
from shaping.rehearsals.events import Event
from shaping.rehearsals.page.excerpts import (
    BEFORE_S,
    HIGHEST_HZ,
    LOWEST_HZ,
    PICTURE_S,
    Excerpt,
    excerpt_of,
)
from shaping.rehearsals.page.moments import place_text, when_text
from shaping.rehearsals.results import Summary
from shaping.text.frequency import hertz_text, note_text

WORST = 12
"""Events shown with picture and sound."""


@dataclass(frozen=True, slots=True)
class Card:
    """One of the worst events, with what is shown of it."""

    heading: str
    sure: bool
    channel: str
    when: str
    where: str
    facts: str
    reason: str
    picture: str
    sound: str
    line_y: float
    start_x: float
    stop_x: float
    alt: str


def worst_cards(summary: Summary) -> list[Card]:
    """Return the worst events; their excerpts are made and kept."""
    events = [
        (event, take, channel)
        for channel in summary.channels
        for take in channel.takes
        for event in take.events
    ]
    events.sort(key=lambda e: (-badness(e[0]), e[1].path, e[0].start_s))
    return [
        _card(event, take, channel, excerpt_of(summary.out, take, event))
        for event, take, channel in events[:WORST]
    ]


def badness(event: Event) -> float:
    """Rank of an event: sure before possible, then how far it stood out and for how long."""
    sure = 100.0 if event.certain else 0.0
    return sure + event.over_db + 10 * math.log10(max(event.duration_s, 0.1))


def _card(event: Event, take: Take, channel: Channel, excerpt: Excerpt | None) -> Card:
    lead = min(BEFORE_S, event.start_s)
    share = math.log(HIGHEST_HZ / min(max(event.frequency_hz, LOWEST_HZ), HIGHEST_HZ))
    return Card(
        heading=f"{hertz_text(event.frequency_hz)} · {note_text(event.frequency_hz)}",
        sure=event.certain,
        channel=channel.name,
        when=when_text(take, event.start_s),
        where=place_text(take, event.start_s),
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
