"""The evidence in a ring-out: a spectrogram of the capture with the rings that were found."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.findings import Ring
from shaping.analysis.spectra import Spectrogram, power_spectrogram
from shaping.capture.recording import Capture
from shaping.report.figures import axes as shared
from shaping.report.figures import style
from shaping.text.frequency import hertz_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LOW_HZ = 60.0  # what is searched for rings
_HIGH_HZ = 12_500.0  # likewise
RANGE_DB = 66.0
"""Levels further below the loudest are shown as silence."""

_ROWS, _COLUMNS = 160, 320  # more than a page shows of either
_GAP_PT = style.SMALL_PT * 1.25  # between labels, so that they do not touch
_MOST_LABELS = 8  # more run into each other
_BOX = 2 ** (1 / 9)  # a ninth of an octave to either side of a ring


def draw_spectrogram(ax: Axes, capture: Capture, rings: Sequence[Ring]) -> Axes:
    """Draw when which frequencies were loud, and mark the rings.

    Parameters
    ----------
    ax : matplotlib Axes
        Where to draw; about 70 points to its right carry the labels of the rings.
    capture : Capture
        What was recorded.
    rings : sequence of Ring
        Rings to mark, most urgent first; those that cannot all be labelled keep their mark.

    Returns
    -------
    matplotlib Axes
        The same axes: time in seconds, frequency in Hz on a logarithmic axis. A line with the id
        ``ring`` boxes every time a ring stood out.
    """
    from matplotlib.colors import LinearSegmentedColormap
    from matplotlib.ticker import MaxNLocator

    colours = style.LIGHT
    high_hz = min(_HIGH_HZ, 0.499 * capture.sample_rate_hz)
    hop_s = max(0.01, capture.duration_s / (3 * _COLUMNS))
    spectrogram = power_spectrogram(
        capture.samples, capture.sample_rate_hz, hop_s=hop_s, max_frequency_hz=high_hz
    )
    time_s, edge_hz, level_db = log_levels(spectrogram, _LOW_HZ, high_hz)
    loudest = float(level_db.max())
    shared.clean(ax)
    ax.pcolormesh(
        time_s,
        edge_hz,
        level_db,
        cmap=LinearSegmentedColormap.from_list("quiet to loud", style.QUIET_TO_LOUD),
        vmin=loudest - RANGE_DB,
        vmax=loudest,
        shading="flat",
        rasterized=True,
        gid="levels",
    )
    shared.frequency_axis(ax.yaxis, _LOW_HZ, high_hz)
    ax.set_axisbelow(False)
    ax.grid(axis="y", which="major", color=colours.quiet, linewidth=0.4, alpha=0.5)
    ax.xaxis.set_major_locator(MaxNLocator(5))
    ax.set_xlim(0.0, max(capture.duration_s, 1e-3))
    ax.set_xlabel("time in seconds", fontsize=style.TEXT_PT, color=colours.ink)
    ax.set_ylabel("frequency in Hz", fontsize=style.TEXT_PT, color=colours.ink)
    _mark(ax, [ring for ring in rings if _LOW_HZ <= ring.frequency_hz <= high_hz])
    return ax


def log_levels(
    spectrogram: Spectrogram, low_hz: float, high_hz: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float32]]:
    """Gather a spectrogram into logarithmic bands and fewer columns, keeping the loudest of each.

    Returns
    -------
    time_s, edge_hz : ndarray, shape (columns + 1,) and (rows + 1,)
        Edges of the cells.
    level_db : ndarray of float32, shape (rows, columns)
        Loudest level in each cell. Bands narrower than a bin repeat the nearest bin.
    """
    edge_hz = np.geomspace(low_hz, high_hz, _ROWS + 1)
    bins = spectrogram.frequency_hz.size
    nearest = np.clip(np.round(edge_hz / spectrogram.bin_hz).astype(int), 0, bins - 1)
    bands = np.stack(
        [
            spectrogram.power_db[:, low : max(high, low + 1)].max(axis=1)
            for low, high in pairwise(nearest)
        ]
    )
    frames = bands.shape[1]
    starts = np.unique(np.linspace(0, frames, min(_COLUMNS, frames), endpoint=False).astype(int))
    level_db = np.maximum.reduceat(bands, starts, axis=1)
    half = max(spectrogram.hop_s, 1e-3) / 2
    time_s = np.append(spectrogram.time_s[starts], spectrogram.time_s[-1] + 2 * half) - half
    return time_s, edge_hz, level_db


def _spells(ring: Ring) -> Sequence[tuple[float, float]]:
    """Return when a ring stood out; where only the first time is known, that and a mean length."""
    if ring.spells:
        return ring.spells
    return ((ring.onset_s, ring.onset_s + ring.duration_s / max(ring.occurrences, 1)),)


def _mark(ax: Axes, rings: list[Ring]) -> None:
    from matplotlib.patheffects import withStroke

    colours = style.LIGHT
    low, high = ax.get_ylim()
    _, height_pt = shared.axes_points(ax)
    width_s = ax.get_xlim()[1]
    for ring in rings:
        below, above = ring.frequency_hz / _BOX, ring.frequency_hz * _BOX
        for began_s, ended_s in _spells(ring):
            start_s = max(began_s - width_s / 150, 0.0)
            end_s = min(max(ended_s, began_s + width_s / 60), width_s)
            ax.plot(
                [start_s, end_s, end_s, start_s, start_s],
                [below, below, above, above, below],
                color=colours.ring,
                linewidth=1.8,
                linestyle=style.SOLID if ring.certain else style.DOTTED,
                path_effects=[withStroke(linewidth=3.4, foreground=colours.paper)],
                gid="ring",
            )
    labelled = sorted(rings[:_MOST_LABELS], key=lambda r: r.frequency_hz)
    if not labelled:
        return
    wanted = np.array([math.log(r.frequency_hz / low) / math.log(high / low) for r in labelled])
    half = _GAP_PT / height_pt / 2
    beside = ax.get_yaxis_transform()
    for ring in labelled:
        ax.axhline(
            ring.frequency_hz,
            color=colours.ring,
            linewidth=0.6,
            linestyle=style.SOLID if ring.certain else style.DOTTED,
            gid="leader",
            zorder=1.9,
        )
    for ring, place in zip(labelled, shared.spread(wanted, 2 * half, half, 1 - half), strict=True):
        y = low * (high / low) ** place
        ax.plot(
            [1.0, 1.03],
            [ring.frequency_hz, y],
            transform=beside,
            color=colours.ring,
            linewidth=1.0,
            clip_on=False,
            gid="leader",
        )
        ax.text(
            1.04,
            y,
            hertz_text(ring.frequency_hz),
            transform=beside,
            ha="left",
            va="center",
            fontsize=style.SMALL_PT,
            color=colours.ink,
            gid="ring-label",
        )
