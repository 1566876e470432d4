"""What to do on Sunday: a few lines, of what is certain, before everything else.

A frequency counts as certain here if it howled for sure on at least two dates, or three times on
one, and if one of those was among the channel's last three dates: what was mended long ago is
nothing to do.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from shaping.analysis.findings import Recurring
from shaping.plan.plan import Plan
from shaping.rehearsals.channels import Channel
from shaping.rehearsals.results import Summary
from shaping.report.words import settings
from shaping.text.frequency import frequency_text, hertz_text
from shaping.text.sentences import listing

MOST_LINES = 5  # a choice: what is read before a service

_WITHIN_A_VALUE = re.compile(r"(?<=\d) (?=(?:k?Hz|dB|cents|times|dates)\b)|(?<=\bQ) ")

_LAST_DATES = 3  # a choice: what has not come back for three dates counts as mended
_LEAST_DATES = 2  # a choice: twice on one date may be one cause that is gone
_LEAST_EVENTS = 3  # a choice: thrice on one date is no accident
_MANY = 3  # common practice: several tones at once mean too much gain, not too few cuts
_MOST_PLACES = 4  # more make no line
_SAME_RATIO = 1.06
"""A setting is for a frequency if it lies within a semitone of it."""


@dataclass(frozen=True, slots=True)
class Advice:
    """One line: the channel, what it did, and what to do."""

    channel: str
    found: str
    todo: str


def advice(summary: Summary) -> tuple[Advice, ...]:
    """Return what is certain and worth doing, most urgent first, all of it."""
    wanted = []
    for channel in summary.channels:
        certain = [r for r in channel.recurring if _is_certain(r, channel)]
        # Where no plan makes sense, the channel's own checks say why.
        if certain and channel.name in summary.plans:
            wanted.append((channel, certain))
    wanted.sort(key=lambda pair: _urgency(*pair), reverse=True)
    return tuple(
        _line(channel, certain, summary.plans[channel.name]) for channel, certain in wanted
    )


def _urgency(channel: Channel, certain: list[Recurring]) -> tuple[int, int, int]:
    last = _last_dates(channel)
    lately = max(len(last & set(recurring.dates)) for recurring in certain)
    return lately, len(certain[0].dates), sum(recurring.sure for recurring in certain)


def _last_dates(channel: Channel) -> set[str]:
    return {day.date for day in channel.days[-_LAST_DATES:]}


def _is_certain(recurring: Recurring, channel: Channel) -> bool:
    often = recurring.sure >= _LEAST_EVENTS or (
        recurring.sure >= _LEAST_DATES and len(recurring.dates) >= _LEAST_DATES
    )
    return often and bool(_last_dates(channel) & set(recurring.dates))


def _line(channel: Channel, certain: list[Recurring], plan: Plan) -> Advice:
    first = certain[0]
    if len(certain) >= _MANY:
        places = listing([hertz_text(r.frequency_hz) for r in certain[:_MOST_PLACES]])
        more = "" if len(certain) <= _MOST_PLACES else " and more"
        return Advice(
            channel.name,
            _together(f"howls at {len(certain)} frequencies ({places}{more})"),
            _together("The send is too high for where mic and wedge stand: start 3 dB lower."),
        )
    days = len(first.dates)
    often = f"{first.sure} times on {days} dates" if days > 1 else f"{first.sure} times on one date"
    found = f"howls at {frequency_text(first.frequency_hz)}, {often}"
    if len(certain) > 1:
        found += f"; also at {hertz_text(certain[1].frequency_hz)}"
    todo = "Mic closer, wedge into the mic’s null"
    dials = [dial for dial in (_dial(recurring, plan) for recurring in certain) if dial]
    if dials:
        todo += f"; if it still rings, dial in {' and '.join(dials)}"
    return Advice(channel.name, _together(found), _together(f"{todo}."))


def _dial(recurring: Recurring, plan: Plan) -> str:
    """Return what to set against a frequency; empty where the plan leaves it alone."""
    for planned, told in zip(plan.filters, settings(plan), strict=True):
        ratio = planned.filter.frequency_hz / recurring.frequency_hz
        if told.gain and 1 / _SAME_RATIO < ratio < _SAME_RATIO:
            return f"{told.hertz}, {told.gain}, {told.dial or told.octaves}"
    return ""


def _together(text: str) -> str:
    """Return text in which a number and its unit stay on one line."""
    return _WITHIN_A_VALUE.sub("\N{NO-BREAK SPACE}", text)
