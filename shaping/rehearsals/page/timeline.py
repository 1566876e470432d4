"""A channel's events over recorded time: a strip for its row, and a chart for when it is opened."""

from __future__ import annotations

import math
from dataclasses import dataclass

from shaping.rehearsals.channels import Channel
from shaping.rehearsals.page.moments import day_text

CHART = (340.0, 132.0)  # width and height in pixels
STRIP = (240.0, 18.0)  # likewise of the strip in a channel's row

_LEFT, _BOTTOM, _TOP = 34.0, 18.0, 6.0  # room for labels in pixels
_GRID_HZ = (100, 200, 500, 1_000, 2_000, 5_000, 10_000)  # lines that carry a label
_LOW_HZ, _HIGH_HZ = 80.0, 12_000.0  # what is searched for howls
_LABEL_WIDTH = 62.0  # of a date in pixels


@dataclass(frozen=True, slots=True)
class Mark:
    """One event."""

    x: float
    y: float
    radius: float
    sure: bool


@dataclass(frozen=True, slots=True)
class Line:
    """A line of the frame, labelled or not."""

    at: float
    text: str


@dataclass(frozen=True, slots=True)
class Timeline:
    """Events over scanned time; positions in the picture's units."""

    marks: tuple[Mark, ...]
    hertz: tuple[Line, ...]
    dates: tuple[Line, ...]


def strip(channel: Channel) -> Timeline:
    """Return the small picture of a channel's row: a dash for each date, a dot for each event."""
    width, height = STRIP
    return _timeline(channel, 2.0, width - 2.0, 2.5, height - 3.0, 1.5)


def chart(channel: Channel) -> Timeline:
    """Return the picture of a channel that is opened."""
    width, height = CHART
    return _timeline(channel, _LEFT, width - 6, _TOP, height - _BOTTOM, 2.5)


def _timeline(
    channel: Channel, left: float, right: float, top: float, bottom: float, radius: float
) -> Timeline:
    total = sum(take.duration_s for take in channel.takes) or 1.0
    marks, dates = [], []
    passed, day = 0.0, ""

    def x(moment_s: float) -> float:
        return round(left + (right - left) * min(moment_s / total, 1.0), 1)

    def y(frequency_hz: float) -> float:
        inside = min(max(frequency_hz, _LOW_HZ), _HIGH_HZ)
        share = math.log(inside / _LOW_HZ) / math.log(_HIGH_HZ / _LOW_HZ)
        return round(bottom - share * (bottom - top), 1)

    for take in channel.takes:
        if take.recorded_on != day:
            day = take.recorded_on
            dates.append(Line(x(passed), day_text(day, with_year=False)))
        marks += [
            Mark(
                x=x(passed + event.start_s),
                y=y(event.frequency_hz),
                radius=round(radius + min(event.duration_s, 8.0) * radius / 8, 1),
                sure=event.certain,
            )
            for event in take.events
        ]
        passed += take.duration_s
    return Timeline(
        marks=tuple(sorted(marks, key=lambda mark: mark.sure)),
        hertz=tuple(Line(y(f), _axis(f)) for f in _GRID_HZ),
        dates=_thinned(dates, right),
    )


def _thinned(dates: list[Line], right: float) -> tuple[Line, ...]:
    """Leave out labels that would run into each other."""
    kept: list[Line] = []
    labelled = -math.inf
    for line in dates:
        fits = line.at - labelled >= _LABEL_WIDTH and line.at <= right - _LABEL_WIDTH + 8
        kept.append(Line(line.at, line.text if fits else ""))
        labelled = line.at if fits else labelled
    return tuple(kept)


def _axis(frequency_hz: float) -> str:
    return f"{frequency_hz / 1000:g}k" if frequency_hz >= 1000 else f"{frequency_hz:g}"
