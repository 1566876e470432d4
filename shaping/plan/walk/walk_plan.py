"""What a walk comes to: one plan, and how much gain every stretch of the way allows."""

from __future__ import annotations

from dataclasses import dataclass

from shaping.analysis.walk.along import Along, Walk
from shaping.plan.plan import Plan


@dataclass(frozen=True, slots=True)
class Mark:
    """A place that somebody named.

    Attributes
    ----------
    at_s : float
        When the mic was there, in seconds of the recording.
    name : str
        The place.
    """

    at_s: float
    name: str


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of the way.

    Attributes
    ----------
    name : str
        The place it begins at, "" where nobody named one.
    start_s, stop_s : float
        Its time in the recording.
    low_db, low_after_db : float
        Safe end of the send that its worst second allows, without and with the plan; NaN where
        nothing was measured.
    worst_s : float
        When that is.
    frequency_hz : float
        Where it would howl then, with the plan.
    costs_db : float
        By how much the send must stay under what the best stretch would allow.
    measured : float
        Share of it that was measured.
    """

    name: str
    start_s: float
    stop_s: float
    low_db: float
    low_after_db: float
    worst_s: float
    frequency_hz: float
    costs_db: float
    measured: float


@dataclass(frozen=True, slots=True)
class WorstSecond:
    """A moment that allows little send.

    Attributes
    ----------
    at_s : float
        When.
    place : str
        Where, if it was named.
    low_after_db : float
        Safe end of the send there, with the plan.
    frequency_hz : float
        Where it would howl.
    """

    at_s: float
    place: str
    low_after_db: float
    frequency_hz: float


@dataclass(frozen=True, eq=False)
class WalkPlan:
    """A plan for a whole walk.

    Attributes
    ----------
    plan : Plan
        The settings; its `loop` holds the worst of the whole walk.
    walk : Walk
        What was measured.
    before, after : Along
        Stable gain along it, without and with the plan.
    marks : tuple of Mark
        Named places, in order of time.
    stretches : tuple of Stretch
        In order of time.
    worst : tuple of WorstSecond
        The worst seconds, the worst first.
    heard_s : tuple of float
        When something else sounded: perhaps a place that was called out.
    without_worst_db : float
        What the send would gain if the mic kept out of the worst stretch.
    """

    plan: Plan
    walk: Walk
    before: Along
    after: Along
    marks: tuple[Mark, ...]
    stretches: tuple[Stretch, ...]
    worst: tuple[WorstSecond, ...]
    heard_s: tuple[float, ...]
    without_worst_db: float
