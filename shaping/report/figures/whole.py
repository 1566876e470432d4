"""Whole figures of a plan, and how they are saved.

Figures are built on matplotlib's objects, without pyplot: no global state, and a fast start.
"""

from __future__ import annotations

import io
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shaping.analysis.first_row.radiation import WedgeModel
from shaping.errors import OutputError, ParameterError
from shaping.output import check_writable, replacing
from shaping.plan.plan import Plan
from shaping.plan.suggestion import Suggestion
from shaping.plan.thinning.effect import band_change_db
from shaping.report.evidence import (
    Evidence,
    evidence,
    evidence_texts,
    feedback_cuts,
    gain_heading,
    has_gain_curve,
)
from shaping.report.figures import style
from shaping.report.figures.loop import draw_added_gain, draw_gain_for_tone, draw_loop
from shaping.report.figures.marked_frequencies import LABEL_STRIP_PT, plan_marks
from shaping.report.figures.response import draw_response
from shaping.report.figures.spectrogram import draw_spectrogram
from shaping.report.figures.spectrum import draw_spectrum
from shaping.report.figures.thinning import draw_directivity, draw_spill
from shaping.report.words import capture_text, shown_rings
from shaping.text.names import file_text, shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "draw_added_gain",
    "draw_directivity",
    "draw_gain_for_tone",
    "draw_loop",
    "draw_response",
    "draw_spectrogram",
    "draw_spectrum",
    "draw_spill",
    "evidence_figure",
    "gain_figure",
    "plan_figure",
    "response_figure",
    "save_figure",
]

WIDTH_IN = 6.4  # a page's column
DOTS_PER_INCH = 160  # sharp on paper
DESK_RATE_HZ = 48_000.0
"""Rate at which filters are drawn where a capture's own is lower than a desk's would be."""

_LEFT_PT, _RIGHT_PT = 58.0, 20.0  # room for labels beside an axis
_LABELS_RIGHT_PT = 72.0  # room for marked frequencies
_BELOW_PT = 46.0  # room for an axis' labels
_KEY_LINE_PT = 17.0  # height of a line of the key
_HEADING_PT = 26.0  # height of a heading
_EVIDENCE_PT = 190.0  # height of the evidence


def desk_rate_hz(plan: Plan) -> float:
    """Return the sample rate at which a plan's filters are drawn."""
    rates = [float(c.sample_rate_hz) for c in plan.captures if c.sample_rate_hz >= 44_100]
    return rates[0] if rates else DESK_RATE_HZ


def new_figure(width_in: float, height_pt: float) -> Figure:
    """Return an empty figure in the style."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width_in, height_pt / 72), facecolor=style.LIGHT.paper)


def plan_figure(suggestion: Suggestion) -> Figure:
    """Draw a plan: its response above, below it what it rests on and what further cuts would add.

    Parameters
    ----------
    suggestion : Suggestion
        The plan with what it was made from; the first capture is drawn.

    Returns
    -------
    matplotlib Figure
        Tall, with type large enough for a phone.

    Examples
    --------
    >>> from shaping import load_limits, thin
    >>> len(plan_figure(thin(load_limits("parametric-4"))).axes)
    2
    """
    plan = suggestion.plan
    title_pt = 46.0 if plan.captures else 30.0
    basis = evidence(suggestion)
    response_pt = _response_height_pt(plan)
    evidence_pt = 0.0 if basis is None else _evidence_height_pt(plan, basis) + _HEADING_PT
    gain_pt = 110.0 + _BELOW_PT + _HEADING_PT if has_gain_curve(plan) else 0.0
    figure = new_figure(WIDTH_IN, title_pt + response_pt + evidence_pt + gain_pt)
    _write(figure, 15.0, "Settings to dial in, and what they do", style.TITLE_PT, gid="title")
    if plan.captures:
        _write(figure, 34.0, _heard(plan), style.SMALL_PT, quiet=True, gid="captures")
    _add_response(figure, plan, top_pt=title_pt)
    top_pt = title_pt + response_pt
    if basis is not None:
        _write(figure, top_pt + 10, evidence_texts(plan, basis)[0], style.TEXT_PT)
        _add_evidence(figure, suggestion, basis, top_pt=top_pt + _HEADING_PT)
        top_pt += evidence_pt
    if gain_pt:
        _write(figure, top_pt + 10, gain_heading(plan), style.TEXT_PT)
        box = _box(figure, top_pt + _HEADING_PT, 110.0, right_pt=_RIGHT_PT)
        _draw_gain(figure.add_axes(box), plan)
    return figure


def response_figure(plan: Plan, *, width_in: float = WIDTH_IN) -> Figure:
    """Draw the response of a plan alone."""
    figure = new_figure(width_in, _response_height_pt(plan) + 8.0)
    _add_response(figure, plan, top_pt=8.0)
    return figure


def evidence_figure(suggestion: Suggestion, *, width_in: float = WIDTH_IN) -> Figure:
    """Draw what a plan rests on alone (see `shaping.report.evidence.evidence`).

    Raises
    ------
    ParameterError
        If it rests on nothing that can be drawn.
    """
    basis = evidence(suggestion)
    if basis is None:
        raise ParameterError("this plan rests on nothing to draw: a capture or a loop is needed")
    figure = new_figure(width_in, _evidence_height_pt(suggestion.plan, basis) + 8.0)
    _add_evidence(figure, suggestion, basis, top_pt=8.0)
    return figure


def gain_figure(plan: Plan, *, width_in: float = WIDTH_IN) -> Figure:
    """Draw the curve of added gain alone (see `shaping.report.evidence.has_gain_curve`)."""
    figure = new_figure(width_in, 150.0 + _BELOW_PT + 8.0)
    _draw_gain(figure.add_axes(_box(figure, 8.0, 150.0, right_pt=_RIGHT_PT)), plan)
    return figure


def _draw_gain(ax: Axes, plan: Plan) -> None:
    loop = plan.loop
    if loop is None:
        return
    if not loop.gain_for_tone:
        draw_added_gain(ax, loop.added_by_cuts_db, recommended=feedback_cuts(plan))
        return
    # On the curve itself: thinning's share of the gain is not the cuts'.
    gain_db = max(gain for tone, gain in loop.gain_for_tone if tone <= loop.tone_removed_db + 1e-3)
    draw_gain_for_tone(ax, loop.gain_for_tone, plan=(loop.tone_removed_db, gain_db))


def _heard(plan: Plan) -> str:
    first = capture_text(plan.captures[0]).removeprefix(file_text(plan.captures[0].path))
    name = file_text(plan.captures[0].path, longest=max(16, 76 - len(first)))
    if len(plan.captures) == 1:
        return name + first
    return f"{file_text(plan.captures[0].path, longest=44)} and {len(plan.captures) - 1} more"


def _strip_pt(plan: Plan) -> float:
    return LABEL_STRIP_PT if plan_marks(plan) else 6.0


def _response_height_pt(plan: Plan) -> float:
    kinds = {mark.kind for mark in plan_marks(plan)}
    entries = 1 + len({p.purpose for p in plan.filters}) + len(kinds)
    return _strip_pt(plan) + 200.0 + _BELOW_PT + _KEY_LINE_PT * ((entries + 1) // 2) + 6.0


def _evidence_height_pt(plan: Plan, basis: Evidence) -> float:
    key_lines = {Evidence.LOOP: 3, Evidence.SPILL: 2, Evidence.MODEL: 2}.get(basis, 0)
    above = _strip_pt(plan) if basis is Evidence.SPECTRUM else 0.0
    return above + _EVIDENCE_PT + _BELOW_PT + key_lines * _KEY_LINE_PT


def _add_response(figure: Figure, plan: Plan, *, top_pt: float) -> None:
    ax = figure.add_axes(_box(figure, top_pt + _strip_pt(plan), 200.0, right_pt=_RIGHT_PT))
    draw_response(ax, plan, desk_rate_hz(plan))


def _add_evidence(
    figure: Figure, suggestion: Suggestion, basis: Evidence, *, top_pt: float
) -> None:
    plan, spill = suggestion.plan, suggestion.spill
    capture = next(iter(suggestion.captures), None)
    filters = [planned.filter for planned in plan.filters]
    marked = basis is Evidence.SPECTROGRAM and bool(plan.rings)
    above = _strip_pt(plan) if basis is Evidence.SPECTRUM else 0.0
    right_pt = _LABELS_RIGHT_PT if marked else _RIGHT_PT
    ax = figure.add_axes(_box(figure, top_pt + above, _EVIDENCE_PT, right_pt=right_pt))
    if basis is Evidence.LOOP:
        draw_loop(
            ax,
            suggestion.loops,
            filters=filters,
            sample_rate_hz=desk_rate_hz(plan),
            critical=plan.loop.critical if plan.loop is not None else (),
        )
    elif basis is Evidence.SPILL and spill is not None:
        draw_spill(ax, spill, band_change_db(filters, spill.nominal_hz) if filters else None)
    elif basis is Evidence.MODEL:
        draw_directivity(ax, WedgeModel())
    elif basis is Evidence.SPECTROGRAM and capture is not None:
        here = [ring for ring in shown_rings(plan)[0] if ring.capture == 1]  # the one drawn
        draw_spectrogram(ax, capture, here)
    elif capture is not None:
        draw_spectrum(ax, capture, plan.resonances)


def _write(
    figure: Figure,
    top_pt: float,
    text: str,
    size_pt: float,
    *,
    quiet: bool = False,
    gid: str | None = None,
) -> None:
    wide, tall = figure.get_size_inches() * 72
    figure.text(
        14 / wide,
        1 - top_pt / tall,
        text,
        fontsize=size_pt,
        fontweight="normal" if quiet else "bold",
        color=style.LIGHT.quiet if quiet else style.LIGHT.ink,
        va="center",
        parse_math=False,
        gid=gid,
    )


def _box(
    figure: Figure, top_pt: float, height_pt: float, *, right_pt: float
) -> tuple[float, float, float, float]:
    """Return an axes rectangle in figure fractions from points off the top."""
    whole_in, tall_in = figure.get_size_inches()
    wide, tall = whole_in * 72, tall_in * 72
    return (
        _LEFT_PT / wide,
        1 - (top_pt + height_pt) / tall,
        (wide - _LEFT_PT - right_pt) / wide,
        height_pt / tall,
    )


def save_figure(figure: Figure, path: str | Path, *, force: bool = False) -> None:
    """Save a figure as PNG, SVG or PDF, by the suffix of `path`; the same bytes every time.

    Parameters
    ----------
    figure : matplotlib Figure
        What to save.
    path : str or Path
        Where; its suffix decides the format.
    force : bool
        Whether an existing file is replaced.

    Raises
    ------
    OutputError
        If the suffix is another, or the file exists and `force` is False, or cannot be written.

    Examples
    --------
    >>> from shaping import load_limits, thin
    >>> save_figure(plan_figure(thin(load_limits("parametric-4"))), "plan.doc")
    Traceback (most recent call last):
    shaping.errors.OutputError: plan.doc: a plot is written as .png, .svg or .pdf; change the suffix
    """
    from matplotlib import rc_context

    kind = Path(path).suffix.lower().removeprefix(".")
    metadata: dict[str, dict[str, str | None]] = {
        "png": {"Software": None},
        "svg": {"Date": None, "Creator": None},
        "pdf": {"CreationDate": None, "Creator": None, "Producer": None},
    }
    if kind not in metadata:
        raise OutputError(
            f"{shown(path)}: a plot is written as .png, .svg or .pdf; change the suffix"
        )
    settings: Any = {"svg.fonttype": "none", "svg.hashsalt": "shaping", "pdf.fonttype": 42}
    check_writable(path, force=force)
    drawn = io.BytesIO()  # in memory first: on a full disk some formats end in a fault of their own
    with rc_context(settings), warnings.catch_warnings():
        # A file name may hold letters the font lacks: a hollow box then, and no complaint.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        figure.savefig(drawn, format=kind, dpi=DOTS_PER_INCH, metadata=metadata[kind])
    with replacing(path, force=force) as temporary:
        temporary.write_bytes(drawn.getvalue())
