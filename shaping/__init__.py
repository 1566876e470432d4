"""Thin and ring out stage monitors: from a recording to the EQ settings to dial in.

What a script needs is here; each name is loaded when first used, so that ``import shaping`` takes
no time. The way through is always the same: *read* captures, *suggest* (or *thin*), then show or
keep the plan.

>>> import shaping
>>> capture = shaping.read_capture(
...     "audio_samples/vocal_wedge_ring_out.flac", kind=shaping.CaptureKind.RING_OUT
... )
>>> suggestion = shaping.suggest([capture], shaping.load_limits("parametric-4"))
>>> sorted(round(ring.frequency_hz, -1) for ring in suggestion.plan.rings)
[330.0, 550.0, 3400.0]
>>> text = shaping.plan_to_json(suggestion.plan)
>>> shaping.plan_to_json(shaping.plan_from_json(text)) == text
True
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from shaping.analysis.findings import LoopResponse, Resonance, Ring
    from shaping.capture.audio import read_capture
    from shaping.capture.recording import Capture, CaptureKind
    from shaping.comparison.compare import Comparison, compare
    from shaping.equaliser.limits import Limits
    from shaping.equaliser.limits_file import limits_from_dict, limits_to_dict, load_limits
    from shaping.errors import ShapingError
    from shaping.filters.kinds import Filter, FilterKind
    from shaping.plan.plan import Plan, PlannedFilter
    from shaping.plan.suggest import suggest
    from shaping.plan.suggestion import Suggestion
    from shaping.plan.thinning.planner import thin, thin_to_first_row
    from shaping.plan.thinning.starting_points import ThinningAmount, WedgeUse
    from shaping.plan.to_json import load_plan, plan_from_json, plan_to_json
    from shaping.rehearsals.scan import scan_rehearsals
    from shaping.report.figures.whole import plan_figure, save_figure
    from shaping.report.page import plan_page

__all__ = [
    "Capture",
    "CaptureKind",
    "Comparison",
    "Filter",
    "FilterKind",
    "Limits",
    "LoopResponse",
    "Plan",
    "PlannedFilter",
    "Resonance",
    "Ring",
    "ShapingError",
    "Suggestion",
    "ThinningAmount",
    "WedgeUse",
    "compare",
    "limits_from_dict",
    "limits_to_dict",
    "load_limits",
    "load_plan",
    "plan_figure",
    "plan_from_json",
    "plan_page",
    "plan_to_json",
    "read_capture",
    "save_figure",
    "scan_rehearsals",
    "suggest",
    "thin",
    "thin_to_first_row",
]

__version__ = "0.1.0"

_HOME = {
    "Capture": "capture.recording",
    "CaptureKind": "capture.recording",
    "Comparison": "comparison.compare",
    "Filter": "filters.kinds",
    "FilterKind": "filters.kinds",
    "Limits": "equaliser.limits",
    "LoopResponse": "analysis.findings",
    "Plan": "plan.plan",
    "PlannedFilter": "plan.plan",
    "Resonance": "analysis.findings",
    "Ring": "analysis.findings",
    "ShapingError": "errors",
    "Suggestion": "plan.suggestion",
    "ThinningAmount": "plan.thinning.starting_points",
    "WedgeUse": "plan.thinning.starting_points",
    "compare": "comparison.compare",
    "limits_from_dict": "equaliser.limits_file",
    "limits_to_dict": "equaliser.limits_file",
    "load_limits": "equaliser.limits_file",
    "load_plan": "plan.to_json",
    "plan_figure": "report.figures.whole",
    "plan_from_json": "plan.to_json",
    "plan_page": "report.page",
    "plan_to_json": "plan.to_json",
    "read_capture": "capture.audio",
    "save_figure": "report.figures.whole",
    "scan_rehearsals": "rehearsals.scan",
    "suggest": "plan.suggest",
    "thin": "plan.thinning.planner",
    "thin_to_first_row": "plan.thinning.planner",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'shaping' has no attribute {name!r}")
    thing = getattr(import_module(f"shaping.{_HOME[name]}"), name)
    globals()[name] = thing  # found at once from now on
    return thing


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
