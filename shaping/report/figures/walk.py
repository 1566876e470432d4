"""The send that each moment of a walk allows, without and with the settings, with its places."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from shaping.plan.walk.walk_plan import WalkPlan
from shaping.report.figures import axes as shared
from shaping.report.figures import style
from shaping.report.figures.whole import WIDTH_IN, new_figure
from shaping.text.names import shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_PLOT_PT, _BELOW_PT, _LEFT_PT, _RIGHT_PT, _KEY_LINE_PT = 190.0, 46.0, 58.0, 20.0, 19.0
_NAMES_PT = 92.0
_LONGEST_NAME = 14
_LEAST_RANGE_DB = 12.0


def draw_walk(ax: Axes, made: WalkPlan) -> Axes:
    """Draw the safe end of the stable gain over time.

    Parameters
    ----------
    ax : matplotlib Axes
        Where to draw; places are named above it.
    made : WalkPlan
        The walk and its plan.

    Returns
    -------
    matplotlib Axes
        The same; lines carry the ids ``before``, ``after``, ``whole`` and ``worst``.
    """
    colours = style.LIGHT
    shared.clean(ax)
    walk, loop = made.walk, made.plan.loop
    assert loop is not None
    middle = 0.5 * (walk.start_s + walk.stop_s)
    ax.plot(
        middle,
        made.before.low_db,
        color=colours.quiet,
        linestyle=style.DASHED,
        linewidth=1.4,
        label="without settings",
        gid="before",
    )
    ax.plot(
        middle,
        made.after.low_db,
        color=colours.feedback,
        linewidth=2.4,
        label="with settings",
        gid="after",
    )
    ax.axhline(
        loop.stable_gain_after_low_db,
        color=colours.ink,
        linestyle=style.DOTTED,
        label=f"whole walk: {loop.stable_gain_after_low_db:+.1f} dB",
        gid="whole",
    )
    if made.worst:
        ax.plot(
            [one.at_s for one in made.worst],
            [one.low_after_db for one in made.worst],
            linestyle="",
            marker="v",
            markersize=9,
            markerfacecolor=colours.ring,
            markeredgecolor=colours.ink,
            label="the worst seconds",
            gid="worst",
            zorder=4,
        )
    known = np.concatenate([made.before.low_db, made.after.low_db])
    low, high = float(np.nanmin(known)), float(np.nanmax(known))
    room = max(_LEAST_RANGE_DB - (high - low), 2.0) / 2
    ax.set_ylim(math.floor(low - room), math.ceil(high + room))
    ax.set_xlim(float(walk.start_s[0]), float(walk.stop_s[-1]))
    for mark in made.marks:
        ax.axvline(mark.at_s, color=colours.rule, linewidth=1.2, zorder=0)
        name = shown(mark.name)
        ax.annotate(
            name if len(name) <= _LONGEST_NAME else f"{name[: _LONGEST_NAME - 1]}…",
            (mark.at_s, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 4),
            textcoords="offset points",
            rotation=90,
            ha="center",
            va="bottom",
            fontsize=style.SMALL_PT,
            color=colours.ink,
            parse_math=False,
        )
    ax.grid(axis="y", color=colours.rule, linewidth=0.8)
    ax.set_xlabel("time in seconds", fontsize=style.TEXT_PT, color=colours.ink)
    ax.set_ylabel("send in dB, safe end", fontsize=style.TEXT_PT, color=colours.ink)
    ax.legend(
        loc="upper center",
        bbox_to_anchor=(0.5, -_BELOW_PT / shared.axes_points(ax)[1]),
        ncols=2,
        frameon=False,
        fontsize=style.SMALL_PT,
        labelcolor=colours.ink,
        borderaxespad=0.0,
    )
    return ax


def walk_figure(made: WalkPlan, *, width_in: float = WIDTH_IN) -> Figure:
    """Draw `draw_walk` alone."""
    above_pt = _NAMES_PT if made.marks else 10.0
    below_pt = _BELOW_PT + 2 * _KEY_LINE_PT + 6.0
    height_pt = above_pt + _PLOT_PT + below_pt
    figure = new_figure(width_in, height_pt)
    left, right = _LEFT_PT / (72 * width_in), 1 - _RIGHT_PT / (72 * width_in)
    box = (left, below_pt / height_pt, right - left, _PLOT_PT / height_pt)
    draw_walk(figure.add_axes(box), made)
    return figure
