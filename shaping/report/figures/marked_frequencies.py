"""Marks of found frequencies in figures: ring, possible ring, resonance; labels without overlap."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np

from shaping.plan.plan import Plan
from shaping.report.figures import axes as shared
from shaping.report.figures import style
from shaping.report.words import shown_rings
from shaping.text.frequency import hertz_text, nearest_note

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LABEL_STRIP_PT = 104.0
"""Height above an axes that labels need."""

MOST_CRITICAL = 6
"""So many points at which a loop can howl are marked."""

_LABEL_GAP_PT = style.SMALL_PT * 1.2  # between labels, so that they do not touch


class MarkKind(StrEnum):
    """What was found at a frequency."""

    RING = "ring"
    POSSIBLE_RING = "possible ring"
    CRITICAL = "can howl"
    RESONANCE = "resonance"


_SHAPES: dict[MarkKind, dict[str, Any]] = {
    MarkKind.RING: {
        "marker": "D",
        "markerfacecolor": style.LIGHT.ring,
        "markeredgecolor": style.LIGHT.ink,
        "markeredgewidth": 1.0,
    },
    MarkKind.POSSIBLE_RING: {
        "marker": "D",
        "markerfacecolor": style.LIGHT.paper,
        "markeredgecolor": style.LIGHT.ring,
        "markeredgewidth": 2.0,
    },
    MarkKind.CRITICAL: {
        "marker": "v",
        "markerfacecolor": style.LIGHT.ring,
        "markeredgecolor": style.LIGHT.ink,
        "markeredgewidth": 1.0,
    },
    MarkKind.RESONANCE: {
        "marker": "v",
        "markerfacecolor": style.LIGHT.paper,
        "markeredgecolor": style.LIGHT.ring,
        "markeredgewidth": 2.0,
    },
}
"""Told apart by shape as well as by colour."""


@dataclass(frozen=True, slots=True)
class Mark:
    """One found frequency."""

    frequency_hz: float
    kind: MarkKind

    @property
    def label(self) -> str:
        """Hertz and note."""
        return f"{hertz_text(self.frequency_hz)} {nearest_note(self.frequency_hz)[0]}"


def plan_marks(plan: Plan) -> tuple[Mark, ...]:
    """Return what a plan answers, most urgent first.

    That is its rings; without any, where its loop can howl; without a loop, resonances.
    """
    if plan.rings:
        return tuple(
            Mark(ring.frequency_hz, MarkKind.RING if ring.certain else MarkKind.POSSIBLE_RING)
            for ring in shown_rings(plan)[0]
        )
    if plan.loop is not None:
        return tuple(
            Mark(point.frequency_hz, MarkKind.CRITICAL)
            for point in plan.loop.critical[:MOST_CRITICAL]
        )
    return tuple(Mark(peak.frequency_hz, MarkKind.RESONANCE) for peak in plan.resonances)


def mark_style(kind: MarkKind) -> dict[str, Any]:
    """Return the keywords of `Line2D` that draw this kind of mark."""
    return {"linestyle": "none", "markersize": 7, **_SHAPES[kind]}


def draw_marks(ax: Axes, marks: Sequence[Mark], level_db: Sequence[float]) -> None:
    """Mark frequencies at their levels, with a label above the axes for each.

    Parameters
    ----------
    ax : matplotlib Axes
        Axes with a logarithmic frequency axis and final limits.
    marks : sequence of Mark
        Most urgent first. Where not all labels fit, the last one counts those left out.
    level_db : sequence of float
        Where each mark goes; moved inside the axes. Markers carry the id of their kind, labels
        the id ``mark-label``.
    """
    low_hz, high_hz = ax.get_xlim()
    bottom, top = ax.get_ylim()
    placed = [
        (mark, min(max(level, bottom), top))
        for mark, level in zip(marks, level_db, strict=True)
        if low_hz <= mark.frequency_hz <= high_hz
    ]
    for kind in MarkKind:
        group = [(mark.frequency_hz, level) for mark, level in placed if mark.kind is kind]
        if group:
            ax.plot(*np.array(group).T, gid=str(kind), zorder=5, clip_on=False, **mark_style(kind))
    if placed:
        _label(ax, placed)


def _label(ax: Axes, placed: list[tuple[Mark, float]]) -> None:
    low_hz, high_hz = ax.get_xlim()
    bottom, top = ax.get_ylim()
    width_pt, height_pt = shared.axes_points(ax)
    room = max(2, int(width_pt / _LABEL_GAP_PT))
    shown = placed if len(placed) <= room else placed[: room - 1]
    left_out = len(placed) - len(shown)
    shown = sorted(shown, key=lambda pair: pair[0].frequency_hz)
    wanted = [math.log(m.frequency_hz / low_hz) / math.log(high_hz / low_hz) for m, _ in shown]
    half = _LABEL_GAP_PT / width_pt / 2
    places = shared.spread(
        np.array([*wanted, 1.0] if left_out else wanted), 2 * half, half, 1 - half
    )
    above = ax.get_xaxis_transform()
    labels = [mark.label for mark, _ in shown] + ([f"and {left_out} more"] if left_out else [])
    for place, text in zip(places, labels, strict=True):
        ax.text(
            low_hz * (high_hz / low_hz) ** place,
            1 + 17 / height_pt,
            text,
            transform=above,
            rotation=90,
            ha="center",
            va="bottom",
            fontsize=style.SMALL_PT,
            color=style.LIGHT.ink,
            gid="mark-label",
        )
    for place, (mark, level) in zip(places, shown, strict=False):
        ax.plot(
            [low_hz * (high_hz / low_hz) ** place, mark.frequency_hz, mark.frequency_hz],
            [1 + 14 / height_pt, 1.0, (level - bottom) / (top - bottom)],
            transform=above,
            color=style.LIGHT.ring,
            linestyle=style.DOTTED if mark.kind is MarkKind.POSSIBLE_RING else style.SOLID,
            linewidth=0.9,
            clip_on=False,
            gid="leader",
            zorder=1,
        )
