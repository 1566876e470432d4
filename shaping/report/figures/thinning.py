"""Pictures of thinning: spill against mains as measured, or how the model wedge radiates."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.first_row.radiation import WedgeModel, directivity_db
from shaping.analysis.first_row.spill import LOW_MIDS_HZ, Spill
from shaping.filters.bands import EDGE_RATIO, exact_midband_hz
from shaping.report.figures import axes as shared
from shaping.report.figures import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

DIRECTIVITY_HZ = (63.0, 8000.0)  # octaves of a wedge
DIRECTIVITY_DB = (-40.0, 8.0)
"""From a deep null to the 6 dB of a boundary, and some room."""

_ANGLES_DEG = (45.0, 90.0, 180.0)  # from the axis: beside, at right angles, behind
_MARGIN_DB = 4.0  # between curves and frame
_MOST_DB = 60.0  # of the scale, so that what matters keeps its height


def draw_spill(ax: Axes, spill: Spill, change_db: NDArray[np.float64] | None = None) -> Axes:
    """Draw wedges and mains at the first row, by third octave.

    Parameters
    ----------
    ax : matplotlib Axes
        Where to draw.
    spill : Spill
        The two recordings.
    change_db : ndarray, shape (bands,), optional
        What thinning does to the wedges in each band.

    Returns
    -------
    matplotlib Axes
        The same axes. Lines carry the ids ``mains``, ``wedges`` and, with `change_db`,
        ``wedges-thinned``; 0 dB is the loudest band of the mains.
    """
    colours = style.LIGHT
    edges_hz = _edges_hz(spill.nominal_hz)
    shared.clean(ax)
    shared.frequency_axis(ax.xaxis, float(edges_hz[0]), float(edges_hz[-1]))
    _mark_low_mids(ax)
    zero_db = float(np.max(spill.mains_db))
    curves = [
        ("mains", "mains alone", spill.mains_db, colours.ink, style.SOLID, 2.4),
        ("wedges", "wedges alone", spill.wedges_db, colours.feedback, style.DASHED, 1.8),
    ]
    if change_db is not None:
        thinned_db = spill.wedges_db + change_db
        curves.append(
            ("wedges-thinned", "wedges, thinned", thinned_db, colours.thinning, style.SOLID, 1.8)
        )
    for name, label, level_db, colour, line, width in curves:
        ax.stairs(
            level_db - zero_db,
            edges_hz,
            baseline=None,
            color=colour,
            linestyle=line,
            linewidth=width,
            label=label,
            gid=name,
            zorder=3,
        )
    shown = np.concatenate([level_db for _, _, level_db, *_ in curves]) - zero_db
    top_db = float(np.max(shown)) + 3 * _MARGIN_DB
    ax.set_ylim(max(float(np.min(shown)) - _MARGIN_DB, top_db - _MOST_DB), top_db)
    ax.grid(axis="y", color=colours.rule, linewidth=0.8)
    _label(ax, "level in dB")
    _key(ax)
    return ax


def draw_directivity(ax: Axes, wedge: WedgeModel) -> Axes:
    """Draw how much of its sound a model wedge sends elsewhere than to the musician.

    Parameters
    ----------
    ax : matplotlib Axes
        Where to draw.
    wedge : WedgeModel
        The model.

    Returns
    -------
    matplotlib Axes
        The same axes: frequency in Hz, level in dB relative to the axis. The line towards the
        audience carries the id ``audience``, the others ``angle-45`` and so on.
    """
    colours = style.LIGHT
    frequency_hz = np.geomspace(*DIRECTIVITY_HZ, 400)
    shared.clean(ax)
    shared.frequency_axis(ax.xaxis, *DIRECTIVITY_HZ)
    _mark_low_mids(ax)
    lines = (style.DASH_DOT, style.DASHED, style.DOTTED)
    for angle_deg, line in zip(_ANGLES_DEG, lines, strict=True):
        ax.plot(
            frequency_hz,
            directivity_db(wedge, frequency_hz, angle_deg),
            color=colours.quiet,
            linestyle=line,
            linewidth=1.6,
            label=_angle_name(angle_deg),
            gid=f"angle-{angle_deg:.0f}",
            zorder=3,
        )
    ax.plot(
        frequency_hz,
        directivity_db(wedge, frequency_hz, wedge.audience_angle_deg),
        color=colours.feedback,
        linewidth=2.4,
        label=f"audience ({wedge.audience_angle_deg:.0f}°)",
        gid="audience",
        zorder=4,
    )
    ax.set_ylim(*DIRECTIVITY_DB)
    ax.grid(axis="y", color=colours.rule, linewidth=0.8)
    _label(ax, "dB relative to the axis")
    _key(ax)
    return ax


def _edges_hz(nominal_hz: Sequence[float]) -> NDArray[np.float64]:
    exact_hz = np.array([exact_midband_hz(hz) for hz in nominal_hz])
    return np.append(exact_hz / EDGE_RATIO, exact_hz[-1] * EDGE_RATIO)


def _mark_low_mids(ax: Axes) -> None:
    low_hz, high_hz = (exact_midband_hz(hz) for hz in LOW_MIDS_HZ)
    low_hz, high_hz = low_hz / EDGE_RATIO, high_hz * EDGE_RATIO
    ax.axvspan(low_hz, high_hz, color=style.LIGHT.rule, alpha=0.45, linewidth=0, zorder=0)
    ax.text(
        float(np.sqrt(low_hz * high_hz)),
        0.97,
        "low mids",
        transform=ax.get_xaxis_transform(),
        ha="center",
        va="top",
        fontsize=style.SMALL_PT,
        color=style.LIGHT.ink,
    )


def _label(ax: Axes, level: str) -> None:
    ax.set_xlabel("frequency in Hz", fontsize=style.TEXT_PT, color=style.LIGHT.ink)
    ax.set_ylabel(level, fontsize=style.TEXT_PT, color=style.LIGHT.ink)


def _key(ax: Axes) -> None:
    ax.legend(
        loc="upper center",
        bbox_to_anchor=(0.5, -44 / shared.axes_points(ax)[1]),
        ncols=2,
        frameon=False,
        fontsize=style.SMALL_PT,
        labelcolor=style.LIGHT.ink,
        handlelength=2.6,
        columnspacing=1.4,
        borderaxespad=0.0,
    )


def _angle_name(angle_deg: float) -> str:
    """Return an angle in words.

    >>> _angle_name(90.0)
    'beside (90°)'
    """
    words = {45.0: "in front", 90.0: "beside", 180.0: "behind"}
    return f"{words[angle_deg]} ({angle_deg:.0f}°)"
