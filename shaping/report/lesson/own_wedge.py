"""One's own wedge in the lesson: a recording, its plan, and the points of a simulated loop."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.capture.recording import Capture
from shaping.errors import PlanError
from shaping.filters.kinds import Filter
from shaping.filters.response import total_db
from shaping.plan.plan import Plan
from shaping.report.lesson import sounds

MOST_POINTS = 6
_FARTHEST_DB = 12.0
"""What howls only so much later is not worth a place among the points."""
_SAME_RING_OCT = 1.0 / 24.0
"""Points nearer than this to a ring of the plan are that ring, and carry its number."""
_APART_OCT = 1.0 / 12.0
_PEAK = 0.25  # 6 dB below the page's ceiling: a loop near howling lifts its own frequency
_DESIGN_RATE_HZ = 48_000


@dataclass(frozen=True, slots=True)
class LoopPoint:
    """A frequency at which the loop howls, and from where on.

    Attributes
    ----------
    frequency_hz : float
        Where.
    onset_db : float
        From how many dB over the first howl without settings.
    change_db : tuple of float
        What each setting does there.
    """

    frequency_hz: float
    onset_db: float
    change_db: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class OwnWedge:
    """What a page needs of a recording and its plan.

    Attributes
    ----------
    samples : ndarray, shape (n,)
        The recording's excerpt at the page's rate.
    quietened : bool
        Whether loud moments were turned down.
    points : tuple of LoopPoint
        Of the simulated loop; empty where the plan does not tell.
    added_db : float
        Stable gain that the plan itself expects of its settings: the simulated loop howls there at
        the latest, at a point that has no name. 0 without points.
    """

    plan: Plan
    samples: NDArray[np.float64]
    quietened: bool
    points: tuple[LoopPoint, ...]
    added_db: float


def own_wedge(plan: Plan, recording: Capture, *, start_s: float = 0.0) -> OwnWedge:
    """Prepare a recording and its plan for the page.

    Parameters
    ----------
    plan : Plan
        Settings for the wedge.
    recording : Capture
        The microphone's channel.
    start_s : float
        Where in the recording to begin.

    Raises
    ------
    CaptureError
        If the recording is too short from there.
    PlanError
        If the plan has no settings to hear.
    """
    if not plan.filters:
        raise PlanError("the plan has no settings, so there is nothing to hear with and without")
    heard = sounds.excerpt(recording, start_s=start_s)
    even = sounds.without_howls(heard)
    (samples,) = sounds.scaled([even], peak=_PEAK)
    return OwnWedge(
        plan=plan,
        samples=samples,
        quietened=even is not heard,
        points=loop_points(plan),
        added_db=added_db(plan),
    )


def loop_points(plan: Plan) -> tuple[LoopPoint, ...]:
    """Return where a plan says that its loop howls, the first one first.

    Parameters
    ----------
    plan : Plan
        From a measurement with a reference or from a ring-out; others give no points.
    """
    if plan.loop is not None and not plan.loop.withheld:
        told = [(point.frequency_hz, point.gain_db) for point in plan.loop.critical]
    elif plan.ring_out is not None:
        told = [(point.frequency_hz, -point.level_db) for point in plan.ring_out.near]
    else:
        told = []
    told.sort(key=lambda point: point[1])
    filters = [planned.filter for planned in plan.filters]
    points: list[LoopPoint] = []
    for frequency_hz, gain_db in told:
        onset_db = gain_db - told[0][1]
        crowded = any(_octaves(frequency_hz, one.frequency_hz) < _APART_OCT for one in points)
        if crowded or onset_db > _FARTHEST_DB or len(points) == MOST_POINTS:
            continue
        at_hz = _as_in_the_plan(frequency_hz, plan)
        change = tuple(float(_change_db(one, np.array([at_hz]))[0]) for one in filters)
        points.append(LoopPoint(at_hz, onset_db, change))
    return tuple(points)


def added_db(plan: Plan) -> float:
    """Return the stable gain that a plan expects to add, in dB; 0 where it does not tell."""
    if plan.loop is not None and not plan.loop.withheld:
        return max(plan.loop.added_stable_gain_db, 0.0)
    return 0.0 if plan.ring_out is None else max(plan.ring_out.added_db.likely, 0.0)


def _as_in_the_plan(frequency_hz: float, plan: Plan) -> float:
    near = [
        ring.frequency_hz
        for ring in plan.rings
        if _octaves(ring.frequency_hz, frequency_hz) < _SAME_RING_OCT
    ]
    return min(near, key=lambda hz: _octaves(hz, frequency_hz), default=frequency_hz)


def _octaves(one_hz: float, other_hz: float) -> float:
    return float(abs(np.log2(one_hz / other_hz)))


def _change_db(filter: Filter, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    return total_db([filter], frequency_hz, sample_rate_hz=_DESIGN_RATE_HZ)
