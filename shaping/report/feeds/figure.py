"""In-ear feeds drawn: level of every ear against its siblings, and the responses."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from shaping.analysis.feeds.findings import Feed, FeedCode
from shaping.analysis.feeds.outputs import RESPONSE_BANDS_HZ
from shaping.report.feeds import words
from shaping.report.figures import style
from shaping.report.figures.axes import clean, frequency_axis, name_axes
from shaping.text.names import shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WIDTH_IN = 7.2
_ROW_PT = 26.0
_APART = 0.19
"""Left stands a little above its line and right below, so that neither hides the other."""

_LONGEST_NAME = 18
_BELOW_PT = 72.0
"""Ticks, the axis' name and a line of the key; more uneven feeds than two take a second one."""

_LEAST_DB = 8.0
"""The levels' axis reaches at least so far to either side."""

_LOWEST_DB = -66.0
_RESPONSE_DB = 12.0
_DRAWN_APART = 4
"""So many uneven feeds are drawn with lines of their own."""


def feeds_figure(report: words.FeedsReport) -> Figure:
    """Draw levels above and responses below.

    Parameters
    ----------
    report : FeedsReport
        The feeds.

    Returns
    -------
    matplotlib Figure
    """
    from matplotlib.figure import Figure

    levels_pt = _levels_pt(report)
    tall = 44.0 + levels_pt + 62.0 + 22.0 + 170.0 + _BELOW_PT
    wide = _WIDTH_IN * 72
    figure = Figure(figsize=(_WIDTH_IN, tall / 72), facecolor=style.LIGHT.paper)
    _write(figure, 18.0, words.title(report), style.TITLE_PT)
    left = _names_pt(report) / wide
    box = (left, 1 - (44.0 + levels_pt) / tall, 1 - left - 108.0 / wide, levels_pt / tall)
    draw_levels(figure.add_axes(box), report)
    _write(figure, 44.0 + levels_pt + 62.0 + 6.0, "Response about its own middle", style.TEXT_PT)
    box = (58.0 / wide, _BELOW_PT / tall, 1 - 78.0 / wide, 170.0 / tall)
    draw_responses(figure.add_axes(box), report)
    return figure


def levels_figure(report: words.FeedsReport, *, width_in: float) -> Figure:
    """Draw the levels alone, as high as the packs ask for."""
    from matplotlib.figure import Figure

    levels_pt = _levels_pt(report)
    tall, wide = levels_pt + 56.0, width_in * 72
    figure = Figure(figsize=(width_in, tall / 72), facecolor=style.LIGHT.paper)
    left = _names_pt(report) / wide
    box = (left, 48.0 / tall, 1 - left - 100.0 / wide, levels_pt / tall)
    draw_levels(figure.add_axes(box), report)
    return figure


def responses_figure(report: words.FeedsReport, *, width_in: float) -> Figure:
    """Draw the responses alone."""
    from matplotlib.figure import Figure

    tall, wide = 176.0 + 8.0 + _BELOW_PT, width_in * 72
    figure = Figure(figsize=(width_in, tall / 72), facecolor=style.LIGHT.paper)
    box = (52.0 / wide, _BELOW_PT / tall, 1 - 66.0 / wide, 176.0 / tall)
    draw_responses(figure.add_axes(box), report)
    return figure


def draw_levels(ax: Axes, report: words.FeedsReport) -> Axes:
    """Draw the level of each ear, left and right told apart by their marks.

    Parameters
    ----------
    ax : matplotlib Axes
        Taken whole.
    report : FeedsReport
        The feeds.

    Returns
    -------
    matplotlib Axes
    """
    colours = style.LIGHT
    feeds = report.feeds
    threshold = report.thresholds.level_db
    levels = [
        side.level_db for one in feeds for side in one.sides if side.level_db is not None
    ] or [0.0]
    low = max(_LOWEST_DB, min(-_LEAST_DB, min(levels) - 3))
    high = max(_LEAST_DB, max(levels) + 3)
    ax.axvspan(-threshold, threshold, color=colours.rule, lw=0, alpha=0.6)
    ax.axvline(0, color=colours.quiet, lw=1)
    for y, feed in enumerate(feeds):
        ax.axhline(y, color=colours.rule, lw=0.6, zorder=0)
        colour = colours.feedback if feed.failing else colours.ink
        living = [side for side in feed.sides if side.carries is not None]
        for side in living:
            mark, apart = {"left": ("<", -_APART), "right": (">", _APART)}.get(side.side, ("D", 0))
            at = 0.0 if side.level_db is None else max(side.level_db, low)
            ax.plot(
                [at],
                [y + apart],
                mark,
                ms=7.5,
                mfc=colours.paper if feed.failing else colour,
                mec=colour,
                mew=1.8,
                gid=f"level-{y}-{side.side}",
            )
        missing = [side.side for side in feed.sides if side.carries is None] if living else ["all"]
        for name in missing:
            apart = {"left": -_APART, "right": _APART}.get(name, 0.0)
            ax.plot([low], [y + apart], "x", ms=7, mec=colours.feedback, mew=2.2, clip_on=False)
        ax.annotate(
            words.verdict_text(feed),
            (1.0, y),
            xycoords=("axes fraction", "data"),
            xytext=(8, 0),
            textcoords="offset points",
            va="center",
            fontsize=style.SMALL_PT,
            fontweight="bold" if feed.failing else "normal",
            color=colour,
        )
    ax.set_xlim(low, high)
    ax.set_ylim(len(feeds) - 0.5, -0.5)
    clean(ax)
    ax.spines["left"].set_visible(False)
    ax.set_yticks(range(len(feeds)), [_short(one) for one in feeds])
    ax.tick_params(axis="y", length=0, pad=9)
    for label in ax.get_yticklabels():
        label.set_parse_math(False)
    ax.set_xlabel(
        "dB against the siblings   ◀ left  ▶ right  × nothing",
        fontsize=style.SMALL_PT,
        color=colours.ink,
    )
    return ax


def draw_responses(ax: Axes, report: words.FeedsReport) -> Axes:
    """Draw the response of every ear about its own middle; those that are uneven stand out.

    Parameters
    ----------
    ax : matplotlib Axes
        Taken whole.
    report : FeedsReport
        The feeds.

    Returns
    -------
    matplotlib Axes
    """
    colours = style.LIGHT
    uneven = [one for one in report.feeds if any(f.code is FeedCode.UNEVEN for f in one.failing)][
        :_DRAWN_APART
    ]
    lines = (style.SOLID, style.DASHED, style.DASH_DOT, style.DOTTED)
    told = False
    for feed in report.feeds:
        for side in feed.sides:
            bands = side.output.bands_db
            if side.carries is None or not np.isfinite(bands).any():
                continue
            curve = np.clip(bands - np.nanmedian(bands), -_RESPONSE_DB, _RESPONSE_DB)
            if feed in uneven:
                which = uneven.index(feed)
                first = side is feed.sides[0]
                ax.plot(
                    RESPONSE_BANDS_HZ,
                    curve,
                    color=colours.feedback,
                    lw=2,
                    linestyle=lines[which],
                    label=_short(feed) if first else None,
                )
            else:
                label = None if told else "the others" if uneven else "every pack"
                ax.plot(RESPONSE_BANDS_HZ, curve, color=colours.quiet, lw=0.9, label=label)
                told = True
    clean(ax)
    frequency_axis(ax.xaxis, 90.0, 14_000.0)
    ax.set_ylim(-_RESPONSE_DB - 0.5, _RESPONSE_DB + 0.5)
    if told or uneven:
        name_axes(ax, "dB")
    return ax


def _short(feed: Feed) -> str:
    name = shown(feed.name)
    return name if len(name) <= _LONGEST_NAME else f"{name[: _LONGEST_NAME - 1]}…"


def _names_pt(report: words.FeedsReport) -> float:
    return 30.0 + 6.6 * max(len(_short(one)) for one in report.feeds)


def _levels_pt(report: words.FeedsReport) -> float:
    return _ROW_PT * len(report.feeds) + 6.0


def _write(figure: Figure, top_pt: float, text: str, size_pt: float) -> None:
    wide, tall = figure.get_size_inches() * 72
    figure.text(
        14 / wide,
        1 - top_pt / tall,
        text,
        fontsize=size_pt,
        fontweight="bold",
        color=style.LIGHT.ink,
        va="center",
        parse_math=False,
    )
