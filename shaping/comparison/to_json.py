"""Comparisons as JSON: schema ``shaping.comparison/1``. Numbers are rounded as in a plan's."""

from __future__ import annotations

import json
from dataclasses import asdict
from enum import StrEnum
from typing import Any

import numpy as np

from shaping.comparison.compare import Comparison
from shaping.comparison.next_step import explanation_text
from shaping.plan.to_json import rounded

_SCHEMA = "shaping.comparison/1"


def comparison_to_json(comparison: Comparison) -> str:
    """Return a comparison as JSON text, ending in a newline."""
    return json.dumps(comparison_to_dict(comparison), indent=2, allow_nan=False) + "\n"


def comparison_to_dict(comparison: Comparison) -> dict[str, Any]:
    """Return a comparison as plain values."""
    c = comparison
    diagnosis = None if c.diagnosis is None else _plain("", asdict(c.diagnosis))
    if diagnosis is not None and c.diagnosis is not None and c.plan is not None:
        for written, explanation in zip(
            diagnosis["explanations"], c.diagnosis.explanations, strict=True
        ):
            written["text"] = explanation_text(explanation, c.plan)
    return {
        "schema": _SCHEMA,
        "before": _plain("", asdict(c.before)),
        "after": _plain("", asdict(c.after)),
        "rings": [
            {"frequency_hz": rounded("frequency_hz", ring.frequency_hz), **_plain("", asdict(ring))}
            for ring in c.rings
        ],
        "bands": [_plain("", asdict(band)) for band in c.bands],
        "change": None
        if c.change is None
        else {
            key: [rounded(key, value) for value in np.asarray(getattr(c.change, key))]
            for key in ("centre_hz", "change_db", "error_db")
        },
        "gain": None
        if c.gain is None
        else {**_plain("", asdict(c.gain)), "added_db": rounded("added_db", c.gain.added_db)},
        "diagnosis": diagnosis,
        "next_step": c.next_step,
    }


def _plain(key: str, value: Any) -> Any:
    if isinstance(value, dict):
        return {inner: _plain(inner, item) for inner, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(key, item) for item in value]
    if isinstance(value, StrEnum):
        return str(value)
    return rounded(key, value) if isinstance(value, float) else value
