"""What to do on Sunday: a few lines, of what is certain, before everything else.

A frequency counts as certain here if it howled for sure on at least two dates, or three times on
one, and if one of those was among the channel's last three dates: what was mended long ago is
nothing to do.
"""

from __future__ import annotations

from dataclasses import dataclass

from shaping.analysis.findings import Recurring
from shaping.rehearsals.channels import Channel
from shaping.rehearsals.results import Summary
from shaping.report.words import Setting, settings
from shaping.text.frequency import frequency_text, hertz_text

MOST_LINES = 5

_LAST_DATES = 3
_LEAST_DATES = 2
_LEAST_EVENTS = 3
_MANY = 3


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
    wanted.sort(key=lambda pair: (-len(pair[1][0].dates), -sum(r.sure for r in pair[1])))
    return tuple(
        _line(channel, certain, settings(summary.plans[channel.name]))
        for channel, certain in wanted
    )


def _is_certain(recurring: Recurring, channel: Channel) -> bool:
    last = {day.date for day in channel.days[-_LAST_DATES:]}
    often = recurring.sure >= _LEAST_EVENTS or (
        recurring.sure >= _LEAST_DATES and len(recurring.dates) >= _LEAST_DATES
    )
    return often and bool(last & set(recurring.dates))


def _line(channel: Channel, certain: list[Recurring], dials: tuple[Setting, ...]) -> Advice:
    first = certain[0]
    if len(certain) >= _MANY:
        places = ", ".join(hertz_text(r.frequency_hz) for r in certain[:4])
        more = "" if len(certain) <= 4 else " and more"
        return Advice(
            channel.name,
            f"howls at {len(certain)} frequencies ({places}{more})",
            "The send is too high for where mic and wedge stand: start 3 dB lower.",
        )
    days = len(first.dates)
    often = f"{first.sure} times on {days} dates" if days > 1 else f"{first.sure} times on one date"
    found = f"howls at {frequency_text(first.frequency_hz)}, {often}"
    if len(certain) > 1:
        found += f"; also at {hertz_text(certain[1].frequency_hz)}"
    todo = "Mic closer, wedge into the mic’s null"
    dial = _dial(first, dials)
    return Advice(
        channel.name, found, f"{todo}; if it still rings, {dial}." if dial else f"{todo}."
    )


def _dial(recurring: Recurring, dials: tuple[Setting, ...]) -> str:
    """Return what to set against a frequency; empty where the plan leaves it alone."""
    told = hertz_text(recurring.frequency_hz)
    near = [d for d in dials if d.gain and d.hertz == told]
    if not near:
        near = [d for d in dials if d.gain and len(dials) == 1]
    if not near:
        return ""
    return f"dial in {near[0].hertz}, {near[0].gain}, {near[0].dial or near[0].octaves}"
