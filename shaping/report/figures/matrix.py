"""The matrix of paths: how loudly each mic hears each wedge, readable without colour.

Strength is the size of a disc and a number in it; an open send is a frame; the send that decides
has a thick frame and a star, the other path its loop takes a dashed one.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from shaping.report.figures import style
from shaping.report.stage_words import MatrixCell
from shaping.text.names import shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_RANGE_DB = 30.0  # what lies further below the strongest path gets the smallest dot
_LARGEST, _SMALLEST = 0.40, 0.08  # radii of dots, in cells
_LONGEST_NAME = 16  # characters that fit beside a row
_CELL_PT = 52.0  # width of a cell at most
_NAMES_PT = 118.0  # width of the names beside the rows


def matrix_figure(rows: Sequence[Sequence[MatrixCell]], *, width_in: float) -> Figure:
    """Draw the matrix alone, as high as its mics ask for.

    Parameters
    ----------
    rows : sequence of sequence of MatrixCell
        One row a mic, one column a wedge.
    width_in : float
        Width of the figure in inches.

    Returns
    -------
    matplotlib Figure
    """
    from matplotlib.figure import Figure

    wide_pt = width_in * 72
    cell_pt = min(_CELL_PT, (wide_pt - _NAMES_PT) / max(len(rows[0]), 1))
    above_pt = 116.0
    tall_pt = above_pt + cell_pt * len(rows) + 8.0
    figure = Figure(figsize=(width_in, tall_pt / 72), facecolor=style.LIGHT.paper)
    box = (
        _NAMES_PT / wide_pt,
        8.0 / tall_pt,
        cell_pt * len(rows[0]) / wide_pt,
        cell_pt * len(rows) / tall_pt,
    )
    draw_matrix(figure.add_axes(box), rows, cell_pt=cell_pt)
    return figure


def draw_matrix(ax: Axes, rows: Sequence[Sequence[MatrixCell]], *, cell_pt: float = 52.0) -> Axes:
    """Draw discs, frames and numbers.

    Parameters
    ----------
    ax : matplotlib Axes
        Taken whole.
    rows : sequence of sequence of MatrixCell
        One row a mic, one column a wedge.
    cell_pt : float
        Size of a cell in points; numbers are left out where they would not fit.

    Returns
    -------
    matplotlib Axes
    """
    from matplotlib.patches import Circle, Rectangle

    ink, quiet, paper = style.LIGHT.ink, style.LIGHT.quiet, style.LIGHT.paper
    for y, row in enumerate(rows):
        for x, cell in enumerate(row):
            ax.add_patch(
                Rectangle(
                    (x - 0.47, y - 0.47),
                    0.94,
                    0.94,
                    fill=False,
                    edgecolor=ink if cell.send or cell.crosswise else style.LIGHT.rule,
                    linewidth=3.2 if cell.deciding else 1.4 if cell.send or cell.crosswise else 0.5,
                    linestyle=style.DASHED if cell.crosswise and not cell.send else style.SOLID,
                    gid="deciding" if cell.deciding else None,
                )
            )
            if cell.level_db is not None:
                share = max(0.0, 1 + cell.level_db / _RANGE_DB)
                radius = _SMALLEST + (_LARGEST - _SMALLEST) * share
                ax.add_patch(
                    Circle((x, y), radius, facecolor=style.LIGHT.rule, edgecolor=quiet, lw=0.8)
                )
            if cell_pt >= 24:
                _say(ax, x, y, "?" if cell.level_db is None else f"{cell.level_db:.0f}", ink)
            if cell.deciding:
                _say(ax, x + 0.33, y - 0.33, "★", style.LIGHT.feedback)
    ax.set_xlim(-0.5, len(rows[0]) - 0.5)
    ax.set_ylim(len(rows) - 0.5, -0.5)
    ax.set_xticks(range(len(rows[0])), [_short(cell.wedge) for cell in rows[0]])
    ax.set_yticks(range(len(rows)), [_short(row[0].mic) for row in rows])
    ax.tick_params(
        length=0, labelsize=style.SMALL_PT, labelcolor=ink, labeltop=True, labelbottom=False
    )
    for label in ax.get_xticklabels():
        label.set(rotation=90, ha="center", va="bottom", parse_math=False)
    for label in ax.get_yticklabels():
        label.set_parse_math(False)
    for spine in ax.spines.values():
        spine.set_visible(False)
    ax.set_facecolor(paper)
    return ax


def _say(ax: Axes, x: float, y: float, text: str, colour: str) -> None:
    ax.text(x, y, text, ha="center", va="center", fontsize=style.SMALL_PT, color=colour)


def _short(name: str) -> str:
    name = shown(name)
    return name if len(name) <= _LONGEST_NAME else f"{name[: _LONGEST_NAME - 1]}…"
