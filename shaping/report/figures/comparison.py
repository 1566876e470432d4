"""Before and after in one picture: what changed against what was promised."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from shaping.comparison.compare import Comparison
from shaping.errors import ParameterError
from shaping.report.figures import axes as shared
from shaping.report.figures import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_GAP_PT = style.SMALL_PT * 1.6  # between labels, so that they do not touch


def draw_change(ax: Axes, comparison: Comparison) -> Axes:
    """Draw the measured change of the response and the one the plan promised.

    Parameters
    ----------
    ax : matplotlib Axes
        Where to draw; a line of numbers above it names the settings.
    comparison : Comparison
        One with a measured change.

    Returns
    -------
    matplotlib Axes
        The same axes: frequency in Hz (logarithmic), change in dB with the level of the whole
        left out. Lines with the ids ``measured``, ``promised`` and ``setting``; a band ``error``.
    """
    change, plan = comparison.change, comparison.plan
    assert change is not None
    colours = style.LIGHT
    rate_hz = float(comparison.before.sample_rate_hz)
    level_db = float(np.median(change.change_db))
    if comparison.diagnosis is not None:
        level_db = comparison.diagnosis.level_change_db
    measured = change.change_db - level_db
    shared.clean(ax)
    shared.frequency_axis(ax.xaxis, float(change.centre_hz[0]), float(change.centre_hz[-1]))
    ax.fill_between(
        change.centre_hz,
        measured - 2 * change.error_db,
        measured + 2 * change.error_db,
        color=colours.ring,
        alpha=0.35,
        linewidth=0,
        gid="error",
    )
    ax.plot(
        change.centre_hz,
        measured,
        color=colours.ring,
        linewidth=1.8,
        gid="measured",
        label="measured",
    )
    lowest, highest = float(measured.min()), float(measured.max())
    if plan is not None and plan.filters:
        filters = [planned.filter for planned in plan.filters]
        promised = change.promised_db(filters, sample_rate_hz=rate_hz)
        ax.plot(
            change.centre_hz,
            promised,
            color=colours.ink,
            linestyle=style.DASHED,
            linewidth=1.8,
            gid="promised",
            label="promised by the plan",
        )
        lowest, highest = min(lowest, float(promised.min())), max(highest, float(promised.max()))
        _number_settings(ax, [f.frequency_hz for f in filters], _blamed(comparison))
    ax.set_ylim(max(min(-6.0, lowest - 1.5), -36.0), max(3.0, highest + 1.5))
    ax.axhline(0.0, color=colours.quiet, linewidth=1.0, zorder=0)
    shared.name_axes(ax, "change in dB")
    return ax


def comparison_figure(comparison: Comparison) -> Figure:
    """Draw a comparison: the change of the response.

    Raises
    ------
    ParameterError
        If the comparison has no measured change (ring-outs).
    """
    from matplotlib.figure import Figure

    from shaping.report.figures.whole import WIDTH_IN
    from shaping.text.names import file_text

    if comparison.change is None:
        raise ParameterError("ring-outs tell no change of response; there is nothing to draw")
    height_pt = 424.0
    figure = Figure(figsize=(WIDTH_IN, height_pt / 72), facecolor=style.LIGHT.paper)
    left = 14 / (WIDTH_IN * 72)
    figure.text(
        left,
        1 - 16 / height_pt,
        "What really changed",
        fontsize=style.TITLE_PT,
        fontweight="bold",
        color=style.LIGHT.ink,
        va="center",
        gid="title",
    )
    names = [
        file_text(capture.path, longest=34) for capture in (comparison.before, comparison.after)
    ]
    figure.text(
        left,
        1 - 36 / height_pt,
        f"{names[1]} against {names[0]}",
        fontsize=style.SMALL_PT,
        color=style.LIGHT.quiet,
        va="center",
        parse_math=False,
        gid="captures",
    )
    wide = WIDTH_IN * 72
    ax = figure.add_axes((58 / wide, 90 / height_pt, (wide - 78) / wide, 250 / height_pt))
    draw_change(ax, comparison)
    if comparison.plan is not None:
        figure.text(
            left,
            12 / height_pt,
            "Numbers: the settings in dialling order. Framed: in doubt.",
            fontsize=style.SMALL_PT,
            color=style.LIGHT.quiet,
            va="center",
        )
    return figure


def _blamed(comparison: Comparison) -> set[int]:
    if comparison.diagnosis is None:
        return set()
    return {e.setting for e in comparison.diagnosis.explanations if e.setting is not None}


def _number_settings(ax: Axes, frequency_hz: list[float], blamed: set[int]) -> None:
    """Write each setting's number above the axes, those in doubt in a frame."""
    low, high = ax.get_xlim()
    width_pt, height_pt = shared.axes_points(ax)
    order = np.argsort(frequency_hz)
    wanted = np.clip(np.log(np.array(frequency_hz)[order] / low) / np.log(high / low), 0, 1)
    places = shared.spread(wanted, _GAP_PT / width_pt, 0.0, 1.0)
    above = ax.get_xaxis_transform()
    for place, at, index in zip(places, wanted, order, strict=True):
        number = int(index) + 1
        x = low * (high / low) ** place
        ax.plot(
            [x, low * (high / low) ** at],
            [1 + 10 / height_pt, 1.0],
            transform=above,
            color=style.LIGHT.quiet,
            linewidth=0.9,
            clip_on=False,
            gid="setting",
        )
        frame = {"boxstyle": "square,pad=0.25", "facecolor": "none", "linewidth": 1.4}
        ax.text(
            x,
            1 + 13 / height_pt,
            str(number),
            transform=above,
            ha="center",
            va="bottom",
            fontsize=style.SMALL_PT,
            color=style.LIGHT.ink,
            fontweight="bold" if number in blamed else "normal",
            bbox={**frame, "edgecolor": style.LIGHT.feedback} if number in blamed else None,
            gid="setting-number",
        )
