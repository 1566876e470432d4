"""What the figures share: the frequency axis, and labels that never overlap.

Conventions: tick positions are the nominal third octaves of ISO 266; those of the octaves carry
labels.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from shaping.filters.bands import NOMINAL_HZ
from shaping.report.figures import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis

OCTAVES_HZ = NOMINAL_HZ[2::3]
"""Nominal octaves from 31.5 Hz to 16 kHz."""


def tick_text(frequency_hz: float) -> str:
    """Return a frequency as a tick label.

    >>> tick_text(31.5), tick_text(1000.0), tick_text(16000.0)
    ('31.5', '1k', '16k')
    """
    return f"{frequency_hz:g}" if frequency_hz < 1000 else f"{frequency_hz / 1000:g}k"


def clean(ax: Axes) -> None:
    """Give an axes the style's paper, ink and rules."""
    colours = style.LIGHT
    ax.set_facecolor(colours.paper)
    for name, spine in ax.spines.items():
        spine.set_visible(name in ("left", "bottom"))
        spine.set_color(colours.quiet)
    ax.tick_params(which="both", colors=colours.quiet, labelcolor=colours.ink)
    ax.tick_params(which="major", labelsize=style.SMALL_PT, length=6)
    ax.tick_params(which="minor", length=3)


def frequency_axis(axis: Axis, low_hz: float, high_hz: float) -> None:
    """Make `axis` logarithmic from `low_hz` to `high_hz` with third-octave ticks."""
    from matplotlib.ticker import FixedFormatter, FixedLocator, NullFormatter

    axes = axis.axes
    if axis is axes.xaxis:
        axes.set_xscale("log")
        axes.set_xlim(low_hz, high_hz)
    else:
        axes.set_yscale("log")
        axes.set_ylim(low_hz, high_hz)
    shown = [hz for hz in OCTAVES_HZ if low_hz <= hz <= high_hz]
    if shown and shown[0] == 31.5 and axes_points(axes)[0] / math.log2(high_hz / low_hz) < 32:
        del shown[0]  # its long label would touch the next one
    axis.set_major_locator(FixedLocator(shown))
    axis.set_major_formatter(FixedFormatter([tick_text(hz) for hz in shown]))
    axis.set_minor_locator(
        FixedLocator([hz for hz in NOMINAL_HZ if low_hz <= hz <= high_hz and hz not in shown])
    )
    axis.set_minor_formatter(NullFormatter())
    axis.grid(which="major", color=style.LIGHT.rule, linewidth=0.8)
    axes.set_axisbelow(True)


def spread(wanted: NDArray[np.float64], gap: float, low: float, high: float) -> NDArray[np.float64]:
    """Move sorted positions as little as possible (least squares) until none overlap.

    Parameters
    ----------
    wanted : ndarray, shape (n,)
        Rising positions.
    gap : float
        Least distance between neighbours; lessened where n of them do not fit.
    low, high : float
        Range of the result.

    Returns
    -------
    ndarray, shape (n,)
        Positions in the same order.

    Notes
    -----
    With the gaps taken out this is isotonic regression, solved by pooling adjacent violators.

    Examples
    --------
    >>> spread(np.array([4.0, 4.0, 9.0]), 1.0, 0.0, 10.0).tolist()
    [3.5, 4.5, 9.0]
    """
    count = len(wanted)
    if count == 0:
        return np.zeros(0)
    if count > 1:
        gap = min(gap, (high - low) / (count - 1))
    steps = gap * np.arange(count)
    pools: list[tuple[float, int]] = []
    for value in np.asarray(wanted, dtype=float) - steps:
        mean, size = float(value), 1
        while pools and pools[-1][0] > mean:
            before, members = pools.pop()
            mean = (mean * size + before * members) / (size + members)
            size += members
        pools.append((mean, size))
    flat = np.concatenate([np.full(size, mean) for mean, size in pools])
    return np.asarray(np.clip(flat, low, max(low, high - steps[-1])) + steps)


def axes_points(ax: Axes) -> tuple[float, float]:
    """Return width and height of an axes in points."""
    box = ax.get_position()
    width_in, height_in = ax.get_figure().get_size_inches()  # type: ignore[union-attr]
    return box.width * width_in * 72, box.height * height_in * 72


def name_axes(ax: Axes, level: str) -> None:
    """Name the axes of a level against frequency, and put the legend below."""
    colours = style.LIGHT
    ax.grid(axis="y", color=colours.rule, linewidth=0.8)
    ax.set_xlabel("frequency in Hz", fontsize=style.TEXT_PT, color=colours.ink)
    ax.set_ylabel(level, fontsize=style.TEXT_PT, color=colours.ink)
    ax.legend(
        loc="upper center",
        bbox_to_anchor=(0.5, -44 / axes_points(ax)[1]),
        ncols=2,
        frameon=False,
        fontsize=style.SMALL_PT,
        labelcolor=colours.ink,
        borderaxespad=0.0,
    )
