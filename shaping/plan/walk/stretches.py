"""Which stretches of a walk cost how much, and its worst seconds."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.walk.along import Along, Walk
from shaping.errors import ParameterError
from shaping.plan.walk.walk_plan import Mark, Stretch, WorstSecond
from shaping.text.names import briefly

UNNAMED_S = 10.0
"""Without names a walk is told in stretches of about so long."""

LONGEST_NAME = 60
_MOST_WORST = 3
_APART_S = 3.0

_Real = NDArray[np.float64]


def read_mark(text: str) -> Mark:
    """Return a place from what somebody typed: seconds, or minutes and seconds, ``=`` its name.

    Raises
    ------
    ParameterError
        If it is no such text.

    Examples
    --------
    >>> read_mark("12.5=drum riser"), read_mark("1:05 = lectern")
    (Mark(at_s=12.5, name='drum riser'), Mark(at_s=65.0, name='lectern'))
    """
    found = re.fullmatch(r"\s*(?:(\d{1,3}):)?(\d{1,4}(?:\.\d+)?)\s*=\s*(\S.*?)\s*", text)
    if found is None or len(found[3]) > LONGEST_NAME:
        raise ParameterError(
            f'a place is a time and a name, such as "12.5=drum riser" or "1:05=lectern", not '
            f"{briefly(text)}"
        )
    return Mark(60.0 * int(found[1] or 0) + float(found[2]), found[3])


def place_at(marks: Sequence[Mark], at_s: float) -> str:
    """Return the last place named before a moment; "" before the first."""
    return next((mark.name for mark in reversed(marks) if mark.at_s <= at_s), "")


def stretches_of(
    walk: Walk, before: Along, after: Along, marks: Sequence[Mark]
) -> tuple[Stretch, ...]:
    """Return the stretches between marks, or of about ten seconds where there are none.

    Parameters
    ----------
    walk, before, after : Walk, Along, Along
        What was measured, and the stable gain along it.
    marks : sequence of Mark
        In order of time.
    """
    begin, end = float(walk.start_s[0]), float(walk.stop_s[-1])
    if marks:
        edges = [begin, *(mark.at_s for mark in marks if begin < mark.at_s < end), end]
    else:
        count = max(1, round((end - begin) / UNNAMED_S))
        edges = [begin + (end - begin) * at / count for at in range(count + 1)]
    middle = 0.5 * (walk.start_s + walk.stop_s)
    found = []
    for start, stop in itertools.pairwise(edges):
        inside = (middle >= start) & (middle < stop)
        if inside.any():
            found.append(_stretch(walk, before, after, (start, stop), inside, marks))
    lows = [one.low_after_db for one in found]
    best = max((low for low in lows if not math.isnan(low)), default=math.nan)
    return tuple(
        Stretch(
            one.name,
            one.start_s,
            one.stop_s,
            one.low_db,
            one.low_after_db,
            one.worst_s,
            one.frequency_hz,
            best - one.low_after_db,
            one.measured,
        )
        for one in found
    )


def _stretch(
    walk: Walk,
    before: Along,
    after: Along,
    span: tuple[float, float],
    inside: NDArray[np.bool_],
    marks: Sequence[Mark],
) -> Stretch:
    start_s, stop_s = span
    name = place_at(marks, start_s + 1e-6)
    measured = inside & walk.measured
    share = float(measured.sum() / inside.sum())
    if not measured.any():
        unknown = (math.nan,) * 5
        return Stretch(name, start_s, stop_s, *unknown, 0.0)
    low_after = np.where(measured, after.low_db, np.inf)
    worst = int(np.argmin(low_after))
    return Stretch(
        name,
        start_s,
        stop_s,
        float(np.min(before.low_db[measured])),
        float(low_after[worst]),
        float(0.5 * (walk.start_s[worst] + walk.stop_s[worst])),
        float(after.frequency_hz[worst]),
        0.0,
        share,
    )


def without_worst_db(stretches: Sequence[Stretch]) -> float:
    """Return what the send gains if the mic keeps out of the worst stretch; NaN of one alone."""
    lows = sorted(one.low_after_db for one in stretches if not math.isnan(one.low_after_db))
    return lows[1] - lows[0] if len(lows) > 1 else math.nan


def worst_seconds(walk: Walk, after: Along, marks: Sequence[Mark]) -> tuple[WorstSecond, ...]:
    """Return the worst moments, seconds apart, the worst first."""
    middle = 0.5 * (walk.start_s + walk.stop_s)
    found: list[WorstSecond] = []
    for block in np.argsort(np.where(walk.measured, after.low_db, np.inf)):
        at_s = float(middle[block])
        if len(found) == _MOST_WORST or not walk.measured[block]:
            break
        if all(abs(at_s - one.at_s) >= _APART_S for one in found):
            found.append(
                WorstSecond(
                    at_s,
                    place_at(marks, at_s),
                    float(after.low_db[block]),
                    float(after.frequency_hz[block]),
                )
            )
    return tuple(found)


def heard_at(walk: Walk) -> tuple[float, ...]:
    """Return when something else sounded, each time once."""
    at = np.flatnonzero(walk.disturbed)
    groups = np.split(at, np.flatnonzero(np.diff(at) > 1) + 1) if at.size else []
    return tuple(float(walk.start_s[group[0]]) for group in groups)
