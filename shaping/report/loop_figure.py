"""The loop: its response with error and trust, and what each further cut would add."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.findings import CriticalFrequency, LoopResponse
from shaping.filters.design import cascade_sos
from shaping.filters.kinds import Filter
from shaping.filters.response import magnitude_db
from shaping.report import axes as shared
from shaping.report import style
from shaping.report.marks import MOST_CRITICAL, MarkKind, mark_style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LOW_HZ = 60.0
HIGH_HZ = 16_000.0


def draw_loop(
    ax: Axes,
    loop: LoopResponse,
    *,
    filters: Sequence[Filter] = (),
    sample_rate_hz: float,
    critical: Sequence[CriticalFrequency] = (),
) -> Axes:
    """Draw the magnitude of a loop's path before and after a plan.

    Parameters
    ----------
    ax : matplotlib Axes
        Where to draw.
    loop : LoopResponse
        The measured path.
    filters : sequence of Filter
        The plan's filters; without any only the path as measured is drawn.
    sample_rate_hz : float
        Sample rate in Hz at which the filters run.
    critical : sequence of CriticalFrequency
        Where it would howl, first one first.

    Returns
    -------
    matplotlib Axes
        The same axes: frequency in Hz (logarithmic), level in dB. Lines with the ids ``before``
        and ``after`` are broken where the measurement cannot be trusted; ``critical`` marks.
    """
    colours = style.LIGHT
    high_hz = min(HIGH_HZ, 0.499 * sample_rate_hz, float(loop.frequency_hz[-1]))
    shared.clean(ax)
    shared.frequency_axis(ax.xaxis, LOW_HZ, high_hz)
    inside = (loop.frequency_hz >= LOW_HZ) & (loop.frequency_hz <= high_hz)
    frequency = loop.frequency_hz[inside]
    level = 20 * np.log10(np.maximum(np.abs(loop.response[inside]), 1e-15))
    trusted = loop.trusted[inside]
    error = np.where(trusted, loop.error_db[inside], 0.0)
    columns = _loudest_per_column(frequency, np.where(trusted, level, -np.inf))
    shown = np.where(trusted, level, np.nan)
    ax.fill_between(
        frequency,
        np.where(trusted, level - 2 * error, np.nan),
        np.where(trusted, level + 2 * error, np.nan),
        color=colours.ring,
        alpha=0.35,
        linewidth=0,
        gid="error",
        rasterized=frequency.size > 4000,
    )
    ax.plot(
        frequency[columns],
        shown[columns],
        color=colours.ring,
        linestyle=style.SOLID,
        linewidth=1.3,
        gid="before",
        label="as recorded",
    )
    after = level
    if filters:
        sos = cascade_sos(filters, sample_rate_hz=sample_rate_hz)
        after = level + magnitude_db(sos, frequency, sample_rate_hz=sample_rate_hz)
        ax.plot(
            frequency[columns],
            np.where(trusted, after, np.nan)[columns],
            color=colours.ink,
            linewidth=1.6,
            gid="after",
            label="with the settings",
        )
    _shade_untrusted(ax, frequency, trusted)
    at = np.array(
        [c.frequency_hz for c in critical[:MOST_CRITICAL] if LOW_HZ <= c.frequency_hz <= high_hz]
    )
    if at.size:
        ax.plot(
            at,
            np.interp(at, frequency, level),
            gid="critical",
            label=str(MarkKind.CRITICAL),
            **mark_style(MarkKind.CRITICAL),
        )
    if trusted.any():
        top = float(level[trusted].max())
        ax.set_ylim(max(top - 42.0, float(after[trusted].min()) - 6.0), top + 6.0)
    ax.grid(axis="y", color=colours.rule, linewidth=0.8)
    ax.set_xlabel("frequency in Hz", fontsize=style.TEXT_PT, color=colours.ink)
    ax.set_ylabel("path in dB", fontsize=style.TEXT_PT, color=colours.ink)
    ax.legend(
        loc="upper center",
        bbox_to_anchor=(0.5, -44 / shared.axes_points(ax)[1]),
        ncols=2,
        frameon=False,
        fontsize=style.SMALL_PT,
        labelcolor=colours.ink,
        borderaxespad=0.0,
    )
    return ax


def draw_added_gain(
    ax: Axes, added_gain_db: Sequence[float], *, recommended: int | None = None
) -> Axes:
    """Draw how much stable gain each number of cuts adds.

    Parameters
    ----------
    ax : matplotlib Axes
        Where to draw.
    added_gain_db : sequence of float
        Added stable gain in dB with 0, 1, 2, ... cuts.
    recommended : int or None
        The number of cuts the plan uses.

    Returns
    -------
    matplotlib Axes
        The same axes: number of cuts, added stable gain in dB. Lines with the ids ``added-gain``
        and ``recommended``.
    """
    colours = style.LIGHT
    shared.clean(ax)
    numbers = np.arange(len(added_gain_db))
    ax.plot(
        numbers,
        added_gain_db,
        color=colours.feedback,
        linewidth=1.6,
        marker="o",
        markersize=5,
        gid="added-gain",
    )
    if recommended is not None and 0 <= recommended < len(added_gain_db):
        gained = added_gain_db[recommended]
        ax.plot(
            [recommended],
            [gained],
            linestyle="none",
            marker="D",
            markersize=10,
            markerfacecolor=colours.ring,
            markeredgecolor=colours.ink,
            gid="recommended",
        )
        right = recommended > len(added_gain_db) / 2
        ax.annotate(
            f"this plan: {gained:+.1f} dB",
            (recommended, gained),
            xytext=(8 if right else -8, 10),
            textcoords="offset points",
            ha="right" if right else "left",
            fontsize=style.SMALL_PT,
            color=colours.ink,
        )
    ax.set_xticks(numbers[:: max(1, len(numbers) // 10)])
    ax.set_xlim(-0.4, max(len(numbers) - 0.6, 0.6))
    ax.set_ylim(min(0.0, *added_gain_db, 0.0) - 0.3, max(1.0, *added_gain_db, 1.0) * 1.3)
    ax.grid(axis="y", color=colours.rule, linewidth=0.8)
    ax.set_xlabel("number of cuts", fontsize=style.TEXT_PT, color=colours.ink)
    ax.set_ylabel("added gain in dB", fontsize=style.TEXT_PT, color=colours.ink)
    return ax


def _loudest_per_column(
    frequency_hz: NDArray[np.float64], level_db: NDArray[np.float64]
) -> NDArray[np.intp]:
    """Return the indices to draw: the loudest point in each of 700 logarithmic columns."""
    column = np.floor(
        700 * np.log(frequency_hz / frequency_hz[0]) / np.log(frequency_hz[-1] / frequency_hz[0])
    )
    starts = np.flatnonzero(np.diff(column, prepend=-1.0))
    ends = np.append(starts[1:], frequency_hz.size)
    return np.array(
        [
            start + int(np.argmax(level_db[start:end]))
            for start, end in zip(starts, ends, strict=True)
        ],
        dtype=np.intp,
    )


def _shade_untrusted(
    ax: Axes, frequency_hz: NDArray[np.float64], trusted: NDArray[np.bool_]
) -> None:
    """Hatch the frequencies at which the measurement cannot be trusted (a third octave or more)."""
    edges = np.flatnonzero(np.diff(trusted.astype(int), prepend=1, append=1))
    labelled = False
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        low, high = frequency_hz[start], frequency_hz[min(end, frequency_hz.size - 1)]
        if high / low < 2 ** (1 / 6):
            continue
        ax.axvspan(
            low,
            high,
            facecolor="none",
            edgecolor=style.LIGHT.rule,
            hatch="////",
            linewidth=0,
            gid="untrusted",
            label=None if labelled else "too noisy to tell",
        )
        labelled = True
