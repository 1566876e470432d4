"""Thin and ring out stage monitors: from a recording to the EQ settings to dial in.

What a script needs is here; each name is loaded when first used, so that ``import shaping`` takes
no time.

>>> import shaping
>>> limits = shaping.load_limits("parametric-4")
>>> limits.bands
4
>>> path = "audio_samples/vocal_wedge_ring_out.flac"
>>> capture = shaping.read_capture(path, kind=shaping.CaptureKind.RING_OUT)
>>> plan = shaping.suggest([capture], limits).plan
>>> sorted(round(ring.frequency_hz, -1) for ring in plan.rings)
[330.0, 550.0, 3400.0]
>>> text = shaping.plan_to_json(plan)
>>> shaping.plan_to_json(shaping.plan_from_json(text)) == text
True
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from shaping.capture.audio import read_capture
    from shaping.capture.recording import CaptureKind
    from shaping.equaliser.limits_file import load_limits
    from shaping.errors import ShapingError
    from shaping.plan.suggest import suggest
    from shaping.plan.to_json import plan_from_json, plan_to_json

__all__ = [
    "CaptureKind",
    "ShapingError",
    "load_limits",
    "plan_from_json",
    "plan_to_json",
    "read_capture",
    "suggest",
]

__version__ = "0.1.0"

_HOME = {
    "CaptureKind": "shaping.capture.recording",
    "ShapingError": "shaping.errors",
    "load_limits": "shaping.equaliser.limits_file",
    "plan_from_json": "shaping.plan.to_json",
    "plan_to_json": "shaping.plan.to_json",
    "read_capture": "shaping.capture.audio",
    "suggest": "shaping.plan.suggest",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'shaping' has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
