"""A plan with the records it was made from, so that whoever shows it can show them too."""

from __future__ import annotations

from dataclasses import dataclass

from shaping.analysis.findings import LoopResponse
from shaping.analysis.first_row.spill import Spill
from shaping.capture.recording import Capture
from shaping.plan.plan import Plan


@dataclass(frozen=True, eq=False)
class Suggestion:
    """A plan with what its pictures are drawn from.

    Attributes
    ----------
    plan : Plan
        The settings and their evidence.
    captures : tuple of Capture
        The captures, with every quality note; empty where there were none.
    loops : tuple of LoopResponse
        One per capture where there was a reference, else empty.
    spill : Spill or None
        Wedges and mains at the first row, where they were measured.
    """

    plan: Plan
    captures: tuple[Capture, ...] = ()
    loops: tuple[LoopResponse, ...] = ()
    spill: Spill | None = None
