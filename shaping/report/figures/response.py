"""The response of a plan: every filter, all together, and the rings it answers."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from shaping.filters.design import cascade_sos, filter_sos
from shaping.filters.response import magnitude_db
from shaping.plan.plan import Plan, Purpose
from shaping.report.figures import axes as shared
from shaping.report.figures import style
from shaping.report.figures.marked_frequencies import MarkKind, draw_marks, mark_style, plan_marks

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LOW_HZ = 25.0  # what an equaliser acts on and anybody hears
_HIGH_HZ = 20_000.0  # likewise
_ACTS_DB = 0.03  # less than a line's width


def draw_response(ax: Axes, plan: Plan, sample_rate_hz: float) -> Axes:
    """Draw the total response of a plan, each of its filters, and its rings.

    Parameters
    ----------
    ax : matplotlib Axes
        Where to draw; labels need `LABEL_STRIP_PT` of
        `shaping.report.figures.marked_frequencies` above it.
    plan : Plan
        The plan.
    sample_rate_hz : float
        Sample rate in Hz at which the filters run.

    Returns
    -------
    matplotlib Axes
        The same axes. Lines carry the ids ``total``, ``filter-1`` ... in dialling order,
        marks that of
        their kind (``ring``, ``possible ring``, ``resonance``).
    """
    colours = style.LIGHT
    high_hz = min(_HIGH_HZ, 0.499 * sample_rate_hz)
    shared.clean(ax)
    shared.frequency_axis(ax.xaxis, _LOW_HZ, high_hz)
    filters = [planned.filter for planned in plan.filters]
    marks = plan_marks(plan)
    centres = [f.frequency_hz for f in filters] + [m.frequency_hz for m in marks]
    grid = np.unique([*np.geomspace(_LOW_HZ, high_hz, 800), *centres])
    grid = grid[(grid >= _LOW_HZ) & (grid <= high_hz)]

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
    inside = total[grid > max(above, default=_LOW_HZ)]
    bottom = min(-12.0, -3.0 * math.ceil((3.0 - max(-36.0, min(deepest, inside.min()))) / 3.0))
    top = max(3.0, 3.0 * math.ceil((total.max() + 1.0) / 3.0))
    ax.set_ylim(bottom, top)
    step = 3 if top - bottom <= 24 else 6
    ax.set_yticks(np.arange(step * math.ceil(bottom / step), top + 0.1, step))
    ax.grid(axis="y", color=colours.rule, linewidth=0.8)
    ax.axhline(0.0, color=colours.quiet, linewidth=1.0, zorder=2)
    ax.set_xlabel("frequency in Hz", fontsize=style.TEXT_PT, color=colours.ink)
    ax.set_ylabel("gain in dB", fontsize=style.TEXT_PT, color=colours.ink)

    draw_marks(ax, marks, np.interp([m.frequency_hz for m in marks], grid, total).tolist())
    _key(ax, plan)
    return ax


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
    entries += [
        Line2D([], [], label=str(kind), **mark_style(kind))
        for kind in MarkKind
        if any(mark.kind is kind for mark in plan_marks(plan))
    ]
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
