"""Plans as JSON and back: schema ``shaping.plan/1``.

Conventions: names, units and meanings of the keys are stable; more keys may come. Numbers are
rounded to digits that are the same on every platform, and a filter's `sos` is designed from its
rounded values at the first capture's sample rate, so that what is printed is what was designed.
What is not known (NaN) is null; nothing is infinite. Text is written as ASCII, so any file name
survives.

`shaping.plan.from_json` reads them back.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, replace
from enum import StrEnum
from numbers import Real
from typing import Any

import numpy as np

from shaping.analysis.findings import Ring
from shaping.equaliser.limits_file import limits_to_dict
from shaping.filters.design import filter_sos
from shaping.plan.from_json import load_plan, plan_from_json
from shaping.plan.plan import Plan, PlannedFilter
from shaping.plan.plan_form import SCHEMA
from shaping.text.frequency import note_text

__all__ = [
    "SCHEMA",
    "load_plan",
    "plan_from_json",
    "plan_to_dict",
    "plan_to_json",
    "rounded",
]

RATE_WITHOUT_CAPTURE_HZ = 48_000
"""Sample rate of `sos` in a plan that rests on no capture, such as thinning from a model."""

_FILTER_NUMBERS = ("frequency_hz", "q", "gain_db")
_SIGNIFICANT = {"frequency_hz": 7, "q": 7, "dial_q": 6, "bandwidth_oct": 6, "sos": 12}
"""One part in a million and better: the same filter again when it is read back."""
_DECIMALS = {
    "gain_db": 4,
    "effect_db": 2,
    "duration_s": 4,
    "onset_s": 4,
    "frequency_error_hz": 4,
    "width_hz": 3,
    "growth_db_per_s": 2,
    "decay_db_per_s": 2,
    "confidence": 4,
    "error_db": 3,
    "coherence_median": 4,
    "sii_before": 4,
    "sii_after": 4,
    "wedges_later_s": 5,
}
"""More than anything is known by, and the same on every machine."""
_OTHER_DECIMALS = 3  # likewise
_WHOLE = frozenset({"sample_rate_hz", "channel", "order", "occurrences", "paying_cuts", "capture"})


def plan_to_json(plan: Plan) -> str:
    """Return a plan as JSON text, ending in a newline.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    str
        Schema ``shaping.plan/1``.

    Raises
    ------
    ParameterError
        If a filter cannot be designed at the first capture's sample rate.

    Examples
    --------
    >>> from shaping import load_limits, thin
    >>> plan_to_json(thin(load_limits("free")).plan).split(",")[0].split()[-1]
    '"shaping.plan/1"'
    """
    return json.dumps(plan_to_dict(plan), indent=2, allow_nan=False) + "\n"


def plan_to_dict(plan: Plan) -> dict[str, Any]:
    """Return a plan as plain values, in the schema ``shaping.plan/1``.

    Raises
    ------
    ParameterError
        If a filter cannot be designed at the first capture's sample rate.
    """
    rate_hz = plan.captures[0].sample_rate_hz if plan.captures else RATE_WITHOUT_CAPTURE_HZ
    return {
        "schema": SCHEMA,
        **({"name": plan.name} if plan.name else {}),
        "captures": [_record(capture) for capture in plan.captures],
        "limits": limits_to_dict(plan.limits),
        "sos_sample_rate_hz": rate_hz,
        "filters": [_filter(planned, rate_hz) for planned in plan.filters],
        "rings": [_ring(ring) for ring in plan.rings],
        "resonances": [_record(resonance) for resonance in plan.resonances],
        "loop": None if plan.loop is None else _record(plan.loop),
        "thinning": None if plan.thinning is None else _record(plan.thinning),
        "ring_out": None if plan.ring_out is None else _record(plan.ring_out),
        "unserved": [
            {"finding": "ring", **_ring(finding)}
            if isinstance(finding, Ring)
            else {"finding": "resonance", **_record(finding)}
            for finding in plan.unserved
        ],
        "cautions": list(plan.cautions),
    }


def rounded(key: str, value: float) -> float:
    """Return a number with the digits that its key is written with.

    >>> rounded("frequency_hz", 2513.26741229), rounded("effect_db", -5.6371)
    (2513.267, -5.64)
    """
    if key in _SIGNIFICANT:
        return float(f"{value:.{_SIGNIFICANT[key]}g}") + 0.0
    return round(float(value), _DECIMALS.get(key, _OTHER_DECIMALS)) + 0.0


def _record(record: Any) -> dict[str, Any]:
    return {key: _plain(key, value) for key, value in asdict(record).items()}


def _plain(key: str, value: Any) -> Any:
    if isinstance(value, Mapping):
        return {inner: _plain(inner, item) for inner, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(key, item) for item in value]
    if isinstance(value, StrEnum):
        return str(value)
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if not isinstance(value, Real):
        return value
    if math.isnan(value):
        return None
    return round(float(value)) if key in _WHOLE else rounded(key, float(value))


def _ring(ring: Ring) -> dict[str, Any]:
    record = _record(ring)
    if ring.capture == 1:
        del record["capture"]  # said where there are several
    return {**record, "note": note_text(ring.frequency_hz)}


def _filter(planned: PlannedFilter, rate_hz: int) -> dict[str, Any]:
    values = _plain("", asdict(planned))
    as_written = replace(planned.filter, **{k: values["filter"][k] for k in _FILTER_NUMBERS})
    sos = filter_sos(as_written, sample_rate_hz=rate_hz)
    return {
        **values.pop("filter"),
        **values,
        "sos": [[rounded("sos", number) for number in section] for section in sos.tolist()],
    }
