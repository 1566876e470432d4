"""What if, for one wedge: what other settings than those of its plan would do to its margins.

With the reference at hand the plan's own captures are measured again and the answer is exact.
Without, it is judged at the frequencies that the plan remembers (where it howls first, its rings,
its resonances): a frequency that the plan does not remember may then come first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.findings import LoopResponse
from shaping.analysis.loop.stability import stable_gain, worst_of
from shaping.equaliser.limits_file import load_limits
from shaping.equaliser.quantise import allows
from shaping.errors import StageError
from shaping.filters.design import cascade_sos
from shaping.filters.kinds import Filter
from shaping.filters.response import frequency_response, total_db
from shaping.plan.plan import Plan
from shaping.stage.description.changes import change_filters
from shaping.stage.description.dialled import dialled_text
from shaping.text.names import briefly


@dataclass(frozen=True, slots=True)
class CheckedPoint:
    """A frequency that matters.

    Attributes
    ----------
    frequency_hz : float
        Where.
    planned_db, changed_db : float
        What the plan's settings do there, and the changed ones.
    """

    frequency_hz: float
    planned_db: float
    changed_db: float


@dataclass(frozen=True, slots=True)
class Checked:
    """What other settings would do.

    Attributes
    ----------
    filters : tuple of Filter
        The changed settings.
    flat_db, planned_db, changed_db : float or None
        Stable gain with a flat equaliser, with the plan, and changed; worst over phases and
        captures. None where the plan rests on no reference.
    first_hz : float or None
        Where it howls first with the changed settings.
    exact : bool
        Whether the captures were measured again.
    points : tuple of CheckedPoint
        The frequencies that the plan remembers, the most urgent first.
    outside : tuple of int
        Numbers of changed settings that the equaliser cannot be set to.
    """

    filters: tuple[Filter, ...]
    flat_db: float | None
    planned_db: float | None
    changed_db: float | None
    first_hz: float | None
    exact: bool
    points: tuple[CheckedPoint, ...]
    outside: tuple[int, ...]


def changed_settings(plan: Plan, texts: Sequence[str]) -> tuple[Plan, tuple[Filter, ...]]:
    """Return a plan and settings as texts change them: ``3 gain -4``, ``3 off``, ``limits NAME``.

    Raises
    ------
    StageError
        If a text is no change.
    LimitsError
        If there are no such limits.
    """
    filters = tuple(planned.filter for planned in plan.filters)
    for text in texts:
        order = text.strip()
        if order.lower().startswith("limits "):
            plan = replace(plan, limits=load_limits(order.split(None, 1)[1]))
            continue
        try:
            filters = change_filters(filters, plan.limits, order)
        except StageError as error:
            raise StageError(f"--set {briefly(text)}: {error}") from None
    return plan, filters


def check_plan(
    plan: Plan, filters: Sequence[Filter], *, loops: Sequence[LoopResponse] = ()
) -> Checked:
    """Return what settings would do to the margins of a plan's wedge.

    Parameters
    ----------
    plan : Plan
        The plan, measured with whatever was then in place.
    filters : sequence of Filter
        The settings to judge.
    loops : sequence of LoopResponse
        The plan's captures measured again, where their reference is at hand.

    Returns
    -------
    Checked
    """
    rate = float(plan.captures[0].sample_rate_hz) if plan.captures else 48_000.0
    planned = [one.filter for one in plan.filters]
    critical = plan.loop.critical if plan.loop is not None else ()
    found = [
        *(one.frequency_hz for one in critical),
        *(one.frequency_hz for one in plan.rings),
        *(one.frequency_hz for one in plan.resonances if plan.loop is None),
    ]
    places = [hz for hz in found if hz < 0.5 * rate]
    before = total_db(planned, places, sample_rate_hz=rate)
    after = total_db(filters, places, sample_rate_hz=rate)
    flat: float | None = None
    with_plan: float | None = None
    changed: float | None = None
    first: float | None = None
    if loops:
        flat = worst_of([stable_gain(one) for one in loops]).worst_case_db
        with_plan = worst_of(
            [stable_gain(one, _eq(planned, one, rate)) for one in loops]
        ).worst_case_db
        gain = worst_of([stable_gain(one, _eq(filters, one, rate)) for one in loops])
        changed, first = gain.worst_case_db, gain.critical[0].frequency_hz
    elif critical:
        gains = np.array([one.gain_db for one in critical])
        flat = float(gains.min())
        with_plan = float((gains - before[: gains.size]).min())
        left = gains - after[: gains.size]
        changed, first = float(left.min()), critical[int(np.argmin(left))].frequency_hz
    return Checked(
        filters=tuple(filters),
        flat_db=flat,
        planned_db=with_plan,
        changed_db=changed,
        first_hz=first,
        exact=bool(loops),
        points=tuple(
            CheckedPoint(hz, float(b), float(a))
            for hz, b, a in zip(places, before, after, strict=True)
        ),
        outside=tuple(
            number for number, one in enumerate(filters, 1) if not allows(plan.limits, one)
        ),
    )


def check_to_dict(plan: Plan, checked: Checked) -> dict[str, object]:
    """Return the answer as plain values, in the schema ``shaping.check/1``."""

    def number(value: float | None) -> float | None:
        return None if value is None else round(value, 4) + 0.0

    return {
        "schema": "shaping.check/1",
        "settings": dialled_text(checked.filters, plan.limits),
        "stable_gain_db": number(checked.flat_db),
        "stable_gain_planned_db": number(checked.planned_db),
        "stable_gain_changed_db": number(checked.changed_db),
        "first_hz": number(checked.first_hz),
        "exact": checked.exact,
        "outside_limits": list(checked.outside),
        "points": [
            {
                "frequency_hz": number(one.frequency_hz),
                "planned_db": number(one.planned_db),
                "changed_db": number(one.changed_db),
            }
            for one in checked.points
        ],
    }


def _eq(filters: Sequence[Filter], loop: LoopResponse, rate: float) -> NDArray[np.complex128]:
    inside = np.minimum(loop.frequency_hz, 0.5 * rate)
    return np.asarray(
        frequency_response(cascade_sos(filters, sample_rate_hz=rate), inside, sample_rate_hz=rate),
        np.complex128,
    )
