"""Levels over time: every second, every minute, and the 15 minutes that went before."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from shaping.analysis.exposure.documents import WHO_LEVEL_DB, WHO_SPAN_S
from shaping.analysis.exposure.exposure import Exposure
from shaping.report.figures import axes as shared
from shaping.report.figures import style
from shaping.report.figures.whole import WIDTH_IN, new_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_PLOT_PT, _BELOW_PT, _LEFT_PT, _RIGHT_PT, _KEY_LINE_PT = 190.0, 46.0, 58.0, 20.0, 19.0
"""Plot, and room around it for labels and a line of the key."""
_LEAST_RANGE_DB = 20.0  # or quiet and loud would look alike
_MINUTES_FROM_S = 180.0
"""A shorter recording has its axis in seconds."""


def draw_levels(ax: Axes, exposure: Exposure) -> Axes:
    """Draw A-weighted levels over time.

    Parameters
    ----------
    ax : matplotlib Axes
        Where to draw.
    exposure : Exposure
        What was measured.

    Returns
    -------
    matplotlib Axes
        The same; the lines carry the ids ``seconds``, ``minutes``, ``quarter`` and ``whole``.
    """
    colours = style.LIGHT
    shared.clean(ax)
    in_minutes = exposure.duration_s > _MINUTES_FROM_S
    unit_s = 60.0 if in_minutes else 1.0
    seconds = exposure.second_laeq_db
    ax.plot(
        (np.arange(seconds.size) + 0.5) / unit_s,
        seconds,
        color=colours.quiet,
        linewidth=0.8,
        label="every second",
        gid="seconds",
    )
    if len(exposure.minutes) > 1:
        starts = [one.start_s / unit_s for one in exposure.minutes]
        ax.stairs(
            [one.laeq_db for one in exposure.minutes],
            [*starts, exposure.duration_s / unit_s],
            baseline=None,
            color=colours.thinning,
            linewidth=2.0,
            label="every minute",
            zorder=3,
            gid="minutes",
        )
    running = exposure.running_15min_db
    if running.size:
        ax.plot(
            (np.arange(running.size) + WHO_SPAN_S) / unit_s,
            running,
            color=colours.feedback,
            linewidth=2.8,
            label="the 15 minutes before",
            zorder=4,
            gid="quarter",
        )
        ax.axhline(
            WHO_LEVEL_DB,
            color=colours.ink,
            linestyle=style.DOTTED,
            label=f"WHO venues, {WHO_LEVEL_DB:.0f} dBA over 15 min",
        )
    ax.axhline(
        exposure.laeq_db,
        color=colours.ink,
        linestyle=style.DASHED,
        label=f"the whole: {exposure.laeq_db:.1f} dBA",
        gid="whole",
    )
    for number, howl in enumerate(exposure.howls):
        ax.axvspan(
            howl.start_s / unit_s,
            howl.stop_s / unit_s,
            facecolor="none",
            edgecolor=colours.ring,
            hatch="///",
            linewidth=1.5,
            label="a howl" if number == 0 else None,
            gid="howl",
        )
    _limits(ax, exposure)
    ax.grid(axis="y", color=colours.rule, linewidth=0.8)
    ax.set_xlim(0.0, exposure.duration_s / unit_s)
    for put, text in (
        (ax.set_xlabel, "time in minutes" if in_minutes else "time in seconds"),
        (ax.set_ylabel, "LAeq in dB re 20 µPa"),
    ):
        put(text, fontsize=style.TEXT_PT, color=colours.ink)
    ax.legend(
        loc="lower left",
        bbox_to_anchor=(0.0, 1.0),
        ncols=2,
        frameon=False,
        fontsize=style.SMALL_PT,
        labelcolor=colours.ink,
    )
    return ax


def _limits(ax: Axes, exposure: Exposure) -> None:
    seconds = exposure.second_laeq_db
    top = max(float(seconds.max()), exposure.laeq_db)
    if exposure.running_15min_db.size:
        top = max(top, WHO_LEVEL_DB)
    low = min(float(np.quantile(seconds, 0.05)), top - _LEAST_RANGE_DB)
    ax.set_ylim(np.floor(low / 5) * 5, np.ceil((top + 1) / 5) * 5)


def levels_figure(exposure: Exposure, *, width_in: float = WIDTH_IN) -> Figure:
    """Draw `draw_levels` alone."""
    entries = 2 + bool(exposure.howls) + (len(exposure.minutes) > 1)
    entries += 2 * bool(exposure.running_15min_db.size)
    above_pt = _KEY_LINE_PT * ((entries + 1) // 2) + 10.0
    height_pt = above_pt + _PLOT_PT + _BELOW_PT
    figure = new_figure(width_in, height_pt)
    left, right = _LEFT_PT / (72 * width_in), 1 - _RIGHT_PT / (72 * width_in)
    box = (left, _BELOW_PT / height_pt, right - left, _PLOT_PT / height_pt)
    draw_levels(figure.add_axes(box), exposure)
    return figure
