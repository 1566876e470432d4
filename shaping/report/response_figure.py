"""The response of a plan: every filter, all together, and the rings it answers."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from shaping.analysis.findings import Ring
from shaping.analysis.pitch import hertz_text, nearest_note
from shaping.filters.design import cascade_sos, filter_sos
from shaping.filters.response import magnitude_db
from shaping.plan.plan import Plan, Purpose
from shaping.report import axes as shared
from shaping.report import style
from shaping.report.words import certain

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LOW_HZ = 25.0
HIGH_HZ = 20_000.0
LABEL_STRIP_PT = 104.0
"""Height above the axes that the ring labels need."""

_ACTS_DB = 0.03
_LABEL_GAP_PT = style.SMALL_PT * 1.3


def draw_response(ax: Axes, plan: Plan, sample_rate_hz: float) -> Axes:
    """Draw the total response of a plan, each of its filters, and its rings.

    Parameters
    ----------
    ax : matplotlib Axes
        Where to draw. `LABEL_STRIP_PT` above it are needed where the plan has rings.
    plan : Plan
        The plan.
    sample_rate_hz : float
        Sample rate in Hz at which the filters run.

    Returns
    -------
    matplotlib Axes
        The same axes. Lines carry the ids ``total``, ``filter-1`` ... in dialling order,
        ``rings`` and ``possible-rings``.
    """
    colours = style.LIGHT
    high_hz = min(HIGH_HZ, 0.499 * sample_rate_hz)
    shared.clean(ax)
    shared.frequency_axis(ax.xaxis, LOW_HZ, high_hz)
    filters = [planned.filter for planned in plan.filters]
    centres = [f.frequency_hz for f in filters] + [r.frequency_hz for r in plan.rings]
    grid = np.unique([*np.geomspace(LOW_HZ, high_hz, 800), *centres])
    grid = grid[(grid >= LOW_HZ) & (grid <= high_hz)]

    deepest = 0.0
    for number, planned in enumerate(plan.filters, 1):
        curve = magnitude_db(
            filter_sos(planned.filter, sample_rate_hz=sample_rate_hz),
            grid,
            sample_rate_hz=sample_rate_hz,
        )
        thinning = planned.purpose is Purpose.THINNING
        acts = np.abs(curve) > _ACTS_DB
        ax.plot(
            grid[acts],
            curve[acts],
            color=colours.thinning if thinning else colours.feedback,
            linestyle=style.DASHED if thinning else style.SOLID,
            linewidth=1.4,
            gid=f"filter-{number}",
            zorder=3,
        )
        if planned.filter.gain_db is not None:
            deepest = min(deepest, planned.filter.gain_db)
    if filters:
        total_sos = cascade_sos(filters, sample_rate_hz=sample_rate_hz)
        total = magnitude_db(total_sos, grid, sample_rate_hz=sample_rate_hz)
    else:
        total = np.zeros_like(grid)
    ax.plot(grid, total, color=colours.ink, linewidth=2.6, gid="total", zorder=4)

    above = [f.frequency_hz for f in filters if f.order is not None]
    inside = total[grid > max(above, default=LOW_HZ)]
    bottom = min(-12.0, -3.0 * math.ceil((3.0 - max(-36.0, min(deepest, inside.min()))) / 3.0))
    top = max(3.0, 3.0 * math.ceil((total.max() + 1.0) / 3.0))
    ax.set_ylim(bottom, top)
    step = 3 if top - bottom <= 24 else 6
    ax.set_yticks(np.arange(step * math.ceil(bottom / step), top + 0.1, step))
    ax.grid(axis="y", color=colours.rule, linewidth=0.8)
    ax.axhline(0.0, color=colours.quiet, linewidth=1.0, zorder=2)
    ax.set_xlabel("frequency in Hz", fontsize=style.TEXT_PT, color=colours.ink)
    ax.set_ylabel("gain in dB", fontsize=style.TEXT_PT, color=colours.ink)

    rings = [r for r in plan.rings if LOW_HZ <= r.frequency_hz <= high_hz]
    for group, gid, face in (
        ([r for r in rings if certain(r)], "rings", colours.ring),
        ([r for r in rings if not certain(r)], "possible-rings", colours.paper),
    ):
        at = np.array([r.frequency_hz for r in group])
        ax.plot(
            at,
            np.clip(np.interp(at, grid, total), bottom, top),
            linestyle="none",
            marker="D",
            markersize=7,
            markerfacecolor=face,
            markeredgecolor=colours.ink if face == colours.ring else colours.ring,
            markeredgewidth=1.0 if face == colours.ring else 2.0,
            gid=gid,
            zorder=5,
            clip_on=False,
        )
    label_rings(ax, rings, np.interp([r.frequency_hz for r in rings], grid, total).tolist())
    _key(ax, plan)
    return ax


def ring_label(ring: Ring) -> str:
    """Return the short label of a ring in a figure: hertz and note."""
    return f"{hertz_text(ring.frequency_hz)} {nearest_note(ring.frequency_hz)[0]}"


def label_rings(ax: Axes, rings: list[Ring], level_db: list[float]) -> None:
    """Label rings above an axes with a logarithmic frequency axis, without overlaps.

    Leaders run from each label down to the ring's entry in `level_db`.

    Where not all fit, the most urgent (first) are labelled and the last label counts the others.
    """
    if not rings:
        return
    colours = style.LIGHT
    low, high = ax.get_xlim()
    width_pt, height_pt = shared.axes_points(ax)
    room = max(2, int(width_pt / _LABEL_GAP_PT))
    shown = rings if len(rings) <= room else rings[: room - 1]
    height = {id(ring): level for ring, level in zip(rings, level_db, strict=True)}
    bottom, top = ax.get_ylim()
    shown = sorted(shown, key=lambda ring: ring.frequency_hz)
    wanted = np.array([math.log(r.frequency_hz / low) / math.log(high / low) for r in shown])
    half = _LABEL_GAP_PT / width_pt / 2
    if len(rings) > len(shown):
        wanted = np.append(wanted, 1.0)
    places = shared.spread(wanted, 2 * half, half, 1 - half)
    texts = [ring_label(ring) for ring in shown]
    if len(rings) > len(shown):
        texts.append(f"and {len(rings) - len(shown)} more")
    above = ax.get_xaxis_transform()
    for place, text, ring in zip(places, texts, [*shown, None], strict=False):
        x = low * (high / low) ** place
        if ring is not None:
            ax.plot(
                [x, ring.frequency_hz, ring.frequency_hz],
                [1 + 14 / height_pt, 1.0, max(0.0, (height[id(ring)] - bottom) / (top - bottom))],
                transform=above,
                color=colours.ring,
                linestyle=style.SOLID if certain(ring) else style.DOTTED,
                linewidth=0.9,
                clip_on=False,
                gid="leader",
                zorder=1,
            )
        ax.text(
            x,
            1 + 17 / height_pt,
            text,
            transform=above,
            rotation=90,
            ha="center",
            va="bottom",
            fontsize=style.SMALL_PT,
            color=colours.ink,
            gid="ring-label",
        )


def _key(ax: Axes, plan: Plan) -> None:
    from matplotlib.lines import Line2D

    colours = style.LIGHT
    purposes = {planned.purpose for planned in plan.filters}
    entries = [Line2D([], [], color=colours.ink, linewidth=2.6, label="all settings together")]
    if Purpose.THINNING in purposes:
        entries.append(
            Line2D([], [], color=colours.thinning, linestyle=style.DASHED, label="thinning")
        )
    if Purpose.FEEDBACK in purposes:
        entries.append(Line2D([], [], color=colours.feedback, label="feedback cut"))
    for sure, label in ((True, "ring"), (False, "possible ring")):
        if any(certain(ring) is sure for ring in plan.rings):
            entries.append(
                Line2D(
                    [],
                    [],
                    linestyle="none",
                    marker="D",
                    markersize=7,
                    markerfacecolor=colours.ring if sure else colours.paper,
                    markeredgecolor=colours.ink if sure else colours.ring,
                    markeredgewidth=1.0 if sure else 2.0,
                    label=label,
                )
            )
    height_pt = shared.axes_points(ax)[1]
    ax.legend(
        handles=entries,
        loc="upper center",
        bbox_to_anchor=(0.5, -44 / height_pt),
        ncols=2,
        frameon=False,
        fontsize=style.SMALL_PT,
        labelcolor=colours.ink,
        borderaxespad=0.0,
    )
