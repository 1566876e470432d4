"""Figures inside a page: SVG that takes the page's colours and keeps its own names apart."""

from __future__ import annotations

import io
import re
import warnings
from dataclasses import fields
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from shaping.report.figures import style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_RASTER_DPI = 130  # of pictures within a drawing: sharp on a page, and small


def inline_svg(figure: Figure, *, name: str, title: str, description: str) -> str:
    """Return a figure as an ``<svg>`` element for an HTML page.

    Parameters
    ----------
    figure : matplotlib Figure
        Drawn in the colours of `shaping.report.figures.style.LIGHT`.
    name : str
        Prefix of every id in it; another one for each figure of a page.
    title, description : str
        What people who cannot see it are told.

    Returns
    -------
    str
        Markup: text as text, colours as the page's custom properties (``var(--ink)`` ...), no
        size of its own but its proportions.
    """
    from matplotlib import rc_context

    buffer = io.StringIO()
    settings: Any = {"svg.fonttype": "none", "svg.hashsalt": name}
    with rc_context(settings), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        figure.savefig(
            buffer,
            format="svg",
            dpi=_RASTER_DPI,
            metadata={"Date": None, "Creator": None, "Format": None, "Type": None},
            transparent=True,
        )
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    referred = set(re.findall(r'(?:href="|url\()#([^")]+)', text))
    text = re.sub(
        r' id="([^"]*)"',
        lambda found: f' id="{name}-{found[1]}"' if found[1] in referred else "",
        text,
    )
    text = re.sub(r'(href="|url\()#', rf"\1#{name}-", text)
    for role in fields(style.Colours):
        text = text.replace(getattr(style.LIGHT, role.name), f"var(--{role.name})")
    opening, _, rest = text.partition(">")
    (view_box,) = re.findall(r'viewBox="[^"]*"', opening)
    return (
        f'<svg {view_box} role="img" aria-labelledby="{name}-title {name}-description">'
        f'<title id="{name}-title">{escape(title)}</title>'
        f'<desc id="{name}-description">{escape(description)}</desc>{rest}'
    )
