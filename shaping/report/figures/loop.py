"""The loop: its response with error and trust, and what each further cut would add."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.findings import CriticalFrequency, LoopResponse
from shaping.filters.design import cascade_sos
from shaping.filters.kinds import Filter
from shaping.filters.response import magnitude_db
from shaping.report.figures import axes as shared
from shaping.report.figures import style
from shaping.report.figures.marked_frequencies import MOST_CRITICAL, MarkKind, mark_style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LOW_HZ = 60.0  # what a wedge plays
_HIGH_HZ = 16_000.0  # likewise

_COLUMNS = 700  # one for each pixel of a figure on a page


@dataclass(frozen=True, eq=False)
class LoopLevels:
    """Peak level of one wedge's path in narrow logarithmic columns, over all captures.

    Attributes
    ----------
    frequency_hz : ndarray, shape (columns,)
        Where in each column the highest level lies, in Hz.
    highest_db, lowest_db : ndarray, shape (columns,)
        Highest and lowest of the captures' peak levels, in dB; NaN where none can be trusted.
    error_db : ndarray, shape (columns,)
        One standard deviation of the highest level.
    """

    frequency_hz: NDArray[np.float64]
    highest_db: NDArray[np.float64]
    lowest_db: NDArray[np.float64]
    error_db: NDArray[np.float64]


def loop_levels(
    loops: Sequence[LoopResponse],
    change_db: Callable[[NDArray[np.float64]], NDArray[np.float64]] = np.zeros_like,
    *,
    high_hz: float,
) -> LoopLevels:
    """Return the range of levels over captures, on the finest of their frequency grids.

    Parameters
    ----------
    loops : sequence of LoopResponse
        One or more measured paths.
    change_db : callable
        What the settings do, in dB at frequencies in Hz; by default nothing.
    high_hz : float
        Upper end of the range; its lower end is `_LOW_HZ`.
    """
    finest = max(loops, key=lambda loop: loop.frequency_hz.size)
    grid_hz = finest.frequency_hz
    grid_hz = grid_hz[(grid_hz >= _LOW_HZ) & (grid_hz <= high_hz)]
    column = np.floor(_COLUMNS * np.log(grid_hz / _LOW_HZ) / np.log(high_hz / _LOW_HZ))
    starts = np.flatnonzero(np.diff(column, prepend=-1.0))
    change = change_db(grid_hz)
    levels, errors = [], []
    for loop in loops:
        level = 20 * np.log10(np.maximum(np.abs(loop.response), 1e-15))
        trusted = np.interp(grid_hz, loop.frequency_hz, loop.trusted.astype(float)) > 0.5
        levels.append(
            np.where(trusted, np.interp(grid_hz, loop.frequency_hz, level) + change, -np.inf)
        )
        errors.append(np.interp(grid_hz, loop.frequency_hz, loop.error_db))
    highest = np.max(levels, axis=0)
    ends = np.append(starts[1:], grid_hz.size)
    at = np.array(
        [
            start + int(np.argmax(highest[start:end]))
            for start, end in zip(starts, ends, strict=True)
        ]
    )
    peaks = np.array([np.maximum.reduceat(level, starts) for level in levels])
    told = np.isfinite(highest[at])
    lowest = np.where(np.isfinite(peaks), peaks, np.inf).min(axis=0)
    loudest = np.argmax(levels, axis=0)[at]
    return LoopLevels(
        grid_hz[at],
        np.where(told, highest[at], np.nan),
        np.where(told, lowest, np.nan),
        np.where(told, np.array(errors)[loudest, at], np.nan),
    )


def draw_loop(
    ax: Axes,
    loops: Sequence[LoopResponse],
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
    loops : sequence of LoopResponse
        The measured path; of several captures the highest level is the line, since the plan is
        judged by it.
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
        and ``after`` are broken where the measurement cannot be trusted. ``error`` is the band of
        95 % certainty of a single capture, ``spread`` that from the lowest to the highest of
        several; ``critical`` marks.
    """
    colours = style.LIGHT
    ends_hz = [float(loop.frequency_hz[-1]) for loop in loops]
    high_hz = min(_HIGH_HZ, 0.499 * sample_rate_hz, *ends_hz)
    shared.clean(ax)
    shared.frequency_axis(ax.xaxis, _LOW_HZ, high_hz)
    several = len(loops) > 1
    levels = loop_levels(loops, high_hz=high_hz)
    error = 0.0 if several else 2 * levels.error_db
    ax.fill_between(
        levels.frequency_hz,
        levels.lowest_db - error,
        levels.highest_db + error,
        color=colours.ring,
        alpha=0.35,
        linewidth=0,
        gid="spread" if several else "error",
        label=f"range of {len(loops)} captures" if several else None,
    )
    ax.plot(
        levels.frequency_hz,
        levels.highest_db,
        color=colours.ring,
        linestyle=style.SOLID,
        linewidth=1.3,
        gid="before",
        label="highest as recorded" if several else "as recorded",
    )
    after = levels
    if filters:
        sos = cascade_sos(filters, sample_rate_hz=sample_rate_hz)
        after = loop_levels(
            loops,
            lambda hz: magnitude_db(sos, hz, sample_rate_hz=sample_rate_hz),
            high_hz=high_hz,
        )
        ax.plot(
            after.frequency_hz,
            after.highest_db,
            color=colours.ink,
            linewidth=1.6,
            gid="after",
            label="with the settings",
        )
    trusted = np.isfinite(levels.highest_db)
    _shade_untrusted(ax, levels.frequency_hz, trusted)
    at = np.array(
        [c.frequency_hz for c in critical[:MOST_CRITICAL] if _LOW_HZ <= c.frequency_hz <= high_hz]
    )
    if at.size:
        ax.plot(
            at,
            np.interp(at, levels.frequency_hz, levels.highest_db),
            gid="critical",
            label=str(MarkKind.CRITICAL),
            **mark_style(MarkKind.CRITICAL),
        )
    if trusted.any():
        top = float(np.nanmax(levels.highest_db))
        ax.set_ylim(max(top - 42.0, float(np.nanmin(after.highest_db)) - 6.0), top + 6.0)
    shared.name_axes(ax, "path in dB")
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


def draw_gain_for_tone(
    ax: Axes, gain_for_tone: Sequence[tuple[float, float]], *, plan: tuple[float, float]
) -> Axes:
    """Draw how much stable gain the cuts add for how much tone, set gentler and deeper.

    Parameters
    ----------
    ax : matplotlib Axes
        Where to draw.
    gain_for_tone : sequence of (float, float)
        Tone removed and gain added, in dB, rising.
    plan : (float, float)
        The plan's own point.

    Returns
    -------
    matplotlib Axes
        The same axes. Lines with the ids ``gain-for-tone`` and ``recommended``.
    """
    colours = style.LIGHT
    shared.clean(ax)
    tone_db, gain_db = zip(*gain_for_tone, strict=True)
    ax.plot(tone_db, gain_db, color=colours.feedback, linewidth=1.6, gid="gain-for-tone")
    ax.plot(
        [plan[0]],
        [plan[1]],
        linestyle="none",
        marker="D",
        markersize=10,
        markerfacecolor=colours.ring,
        markeredgecolor=colours.ink,
        gid="recommended",
    )
    ax.annotate(
        f"this plan: {plan[1]:+.1f} dB for {plan[0]:.1f} dB",
        plan,
        xytext=(10, -4),
        textcoords="offset points",
        ha="left",
        va="top",
        fontsize=style.SMALL_PT,
        color=colours.ink,
    )
    ax.set_xlim(0.0, 1.6 * max(*tone_db, plan[0], 0.1))
    ax.set_ylim(0.0, 1.2 * max(*gain_db, plan[1], 1.0))
    ax.grid(axis="y", color=colours.rule, linewidth=0.8)
    ax.set_xlabel(
        "level removed on average, 100 Hz to 10 kHz, in dB",
        fontsize=style.TEXT_PT,
        color=colours.ink,
    )
    ax.set_ylabel("added gain in dB", fontsize=style.TEXT_PT, color=colours.ink)
    return ax
