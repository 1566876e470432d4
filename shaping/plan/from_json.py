"""Plans read back from JSON, for rendering through them and for comparing with them.

Nothing in a file is trusted: `shaping.plan.plan_form` bounds every value, filters must fit the
plan's own limits, and whatever is wrong becomes one `PlanError` that names the place.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TypeVar

from msgspec import Struct, convert

from shaping.analysis.findings import Resonance, Ring
from shaping.equaliser.limits import Limits
from shaping.equaliser.limits_file import limits_of
from shaping.equaliser.quantise import allows
from shaping.errors import LimitsError, PlanError
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.plan import (
    CaptureSummary,
    LoopSummary,
    Plan,
    PlannedFilter,
    RingOutSummary,
    ThinningSummary,
)
from shaping.plan.plan_form import (
    PLAN_FORM,
    FilterForm,
    PlanForm,
    UnservedResonanceForm,
    UnservedRingForm,
)
from shaping.reading.form import from_json, read_text
from shaping.text.names import shown

Record = TypeVar("Record")


def load_plan(path: str | Path) -> Plan:
    """Read a plan from a JSON file.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    Plan
        The plan; every filter fits its limits.

    Raises
    ------
    PlanError
        If it cannot be read or used.

    Examples
    --------
    >>> load_plan("no_such_plan.json")
    Traceback (most recent call last):
    shaping.errors.PlanError: no_such_plan.json: no such plan; write one with suggest --json
    """
    text = read_text(path, PLAN_FORM)
    try:
        return plan_from_json(text)
    except PlanError as error:
        raise PlanError(f"{shown(str(path))}: {error}") from error


def plan_from_json(text: str) -> Plan:
    """Return the plan in a JSON text of schema ``shaping.plan/1``.

    Parameters
    ----------
    text : str
        As `shaping.plan.to_json.plan_to_json` writes it; ``sos`` and ``note`` follow from the rest
        and are not used.

    Returns
    -------
    Plan
        The plan; every filter fits its limits.

    Raises
    ------
    PlanError
        If anything in it is missing, of the wrong type, out of range or against its limits.

    Examples
    --------
    >>> from shaping import load_limits, plan_to_json, thin
    >>> plan = thin(load_limits("parametric-4")).plan
    >>> text = plan_to_json(plan)  # rounded as people read it
    >>> plan_to_json(plan_from_json(text)) == text
    True
    """
    form = from_json(text, PLAN_FORM)
    limits = _limits(form)
    filters = tuple(_planned(number, one, limits) for number, one in enumerate(form.filters))
    bands = sum(planned.filter.kind is not FilterKind.HIGH_PASS for planned in filters)
    if bands > limits.bands:
        raise PlanError(f"filters use {bands} bands where the limits have {limits.bands}")
    if form.captures:
        _check_designable(filters, form.captures[0].sample_rate_hz)
    return Plan(
        captures=tuple(_record(one, CaptureSummary) for one in form.captures),
        limits=limits,
        filters=filters,
        rings=tuple(_record(one, Ring) for one in form.rings),
        resonances=tuple(_record(one, Resonance) for one in form.resonances),
        loop=None if form.loop is None else _record(form.loop, LoopSummary),
        thinning=None if form.thinning is None else _record(form.thinning, ThinningSummary),
        unserved=tuple(_finding(one) for one in form.unserved),
        cautions=form.cautions,
        ring_out=None if form.ring_out is None else _record(form.ring_out, RingOutSummary),
        name=form.name,
    )


def _record(form: Struct, kind: type[Record]) -> Record:
    """Return the record whose fields have the names of the form's."""
    return convert(form, kind, from_attributes=True)


def _finding(form: UnservedRingForm | UnservedResonanceForm) -> Ring | Resonance:
    if isinstance(form, UnservedRingForm):
        return _record(form, Ring)
    return _record(form, Resonance)


def _limits(form: PlanForm) -> Limits:
    try:
        return limits_of(form.limits, name=form.limits.name)
    except LimitsError as error:
        raise PlanError(f"limits: {error}") from error


def _planned(number: int, form: FilterForm, limits: Limits) -> PlannedFilter:
    filter = _record(form, Filter)
    if not allows(limits, filter):
        raise PlanError(f"filters[{number}]: this {filter.kind} does not fit the plan's own limits")
    return PlannedFilter(
        filter=filter,
        purpose=form.purpose,
        reason=form.reason,
        dial_q=form.dial_q,
        bandwidth_oct=form.bandwidth_oct,
        effect_db=form.effect_db,
    )


def _check_designable(filters: Sequence[PlannedFilter], rate_hz: int) -> None:
    for number, planned in enumerate(filters):
        if planned.filter.frequency_hz >= rate_hz / 2:
            raise PlanError(
                f"filters[{number}] lies at or above half the sample rate of the first capture, "
                f"{rate_hz} Hz"
            )
