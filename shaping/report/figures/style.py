"""One style for every figure and page: colours by role, line styles, marks, type sizes.

Each role differs from the others in lightness as well as in hue, so that figures stay readable in
greyscale and to the colour-blind; line styles and marks repeat the difference. No plotting library
is imported here.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Colours:
    """Colours by role, as ``#rrggbb``."""

    paper: str
    ink: str
    quiet: str
    rule: str
    thinning: str
    feedback: str
    ring: str
    good: str


LIGHT = Colours(
    paper="#fdfcfa",
    ink="#1e2430",
    quiet="#59606c",
    rule="#d8d5cf",
    thinning="#2f7489",
    feedback="#8a2557",
    ring="#c67a17",
    good="#2d6a3f",
)
DARK = Colours(
    paper="#161a20",
    ink="#eceae4",
    quiet="#a9afb9",
    rule="#3b414b",
    thinning="#5cb0cb",
    feedback="#d8639d",
    ring="#f7c768",
    good="#8fd0a0",
)

SOLID, DASHED, DOTTED, DASH_DOT = "-", (0, (5, 2)), (0, (1, 1.6)), (0, (6, 2, 1, 2))
"""Told apart without colour."""

FONT_FAMILIES = ("DejaVu Sans", "sans-serif")
TEXT_PT = 12.0  # of axes and keys
SMALL_PT = 10.5  # of ticks and labels: still read on a telephone
TITLE_PT = 14.0  # of headings

QUIET_TO_LOUD = ("#fdfcfa", "#d9dfe0", "#9fb4bd", "#5f7f92", "#3b4a68", "#1e2430")
"""Colours of levels, from silence to loudest, darkening all the way."""
