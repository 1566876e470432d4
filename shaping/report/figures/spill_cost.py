"""The picture of spill against intelligibility: thinning beside turning the wedge down."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from shaping.plan.thinning.spill_cost import SpillCost
from shaping.report.figures import axes as shared
from shaping.report.figures import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_HEIGHT_PT = 340.0  # of the whole figure
_LEAST_RANGE_DB = 8.0  # the same axis for all usual plans


def draw_spill_cost(
    ax: Axes,
    thinned: Sequence[SpillCost],
    turned_down: Sequence[SpillCost],
    own: SpillCost | None = None,
) -> Axes:
    """Draw what the musician still understands against what the first rows are spared.

    Parameters
    ----------
    ax : matplotlib Axes
        Where to draw.
    thinned : sequence of SpillCost
        Amounts of thinning, rising; named beside their points.
    turned_down : sequence of SpillCost
        The wedge turned down, rising.
    own : SpillCost, optional
        One more, named and marked by itself.

    Returns
    -------
    matplotlib Axes
        The same axes: dB less in the first rows, intelligibility index from 0 to 1. The drawn
        lines carry the ids ``thinned``, ``turned-down`` and ``own``.
    """
    colours = style.LIGHT
    shared.clean(ax)
    ax.plot(
        *_points(turned_down),
        color=colours.feedback,
        linestyle=style.DASHED,
        linewidth=1.8,
        label="the whole wedge turned down",
        gid="turned-down",
        zorder=3,
    )
    ax.plot(
        *_points(thinned),
        color=colours.thinning,
        linewidth=2.4,
        marker="o",
        markersize=7,
        label="the wedge thinned",
        gid="thinned",
        zorder=4,
    )
    for cost in thinned:
        ax.annotate(
            cost.name,
            (-cost.spill_change_db, cost.sii),
            xytext=(0, 10),
            textcoords="offset points",
            ha="center",
            fontsize=style.SMALL_PT,
            color=colours.ink,
        )
    if own is not None:
        ax.plot(
            *_points([own]),
            linestyle="",
            marker="D",
            markersize=10,
            markerfacecolor=colours.ring,
            markeredgecolor=colours.ink,
            label=f"{own.name}: {-own.spill_change_db:.1f} dB less spill, index {own.sii:.2f}",
            gid="own",
            zorder=5,
        )
    shown = [*thinned, *turned_down, *([] if own is None else [own])]
    saved_db = [-cost.spill_change_db for cost in shown]
    ax.set_xlim(min(-0.6, *saved_db) - 0.2, max(_LEAST_RANGE_DB, *saved_db) + 0.6)
    ax.set_ylim(0.0, 1.0)
    ax.grid(axis="y", color=colours.rule, linewidth=0.8)
    ax.set_xlabel(
        "dB less of the wedge in the first rows, 125 to 500 Hz",
        fontsize=style.TEXT_PT,
        color=colours.ink,
    )
    ax.set_ylabel(
        "what the musician understands\n(intelligibility index)",
        fontsize=style.TEXT_PT,
        color=colours.ink,
    )
    ax.legend(
        loc="lower left",
        bbox_to_anchor=(0.0, 1.0),
        frameon=False,
        fontsize=style.SMALL_PT,
        labelcolor=colours.ink,
        handlelength=3.0,
    )
    return ax


def spill_cost_figure(
    thinned: Sequence[SpillCost], turned_down: Sequence[SpillCost], own: SpillCost | None = None
) -> Figure:
    """Draw `draw_spill_cost` alone."""
    from shaping.report.figures.whole import WIDTH_IN, new_figure

    figure = new_figure(WIDTH_IN, _HEIGHT_PT)
    draw_spill_cost(figure.add_axes((0.14, 0.15, 0.83, 0.65)), thinned, turned_down, own)
    return figure


def _points(costs: Sequence[SpillCost]) -> tuple[list[float], list[float]]:
    return [-cost.spill_change_db for cost in costs], [cost.sii for cost in costs]
