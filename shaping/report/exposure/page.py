"""One self-contained page of an exposure: no scripts, no network; what is foreign is escaped."""

from __future__ import annotations

from dataclasses import asdict

from markupsafe import Markup

from shaping.analysis.exposure.exposure import Exposure
from shaping.capture.cautions import MEASURED_LEVELS
from shaping.report.exposure import words
from shaping.report.figures import style
from shaping.report.figures.levels import levels_figure
from shaping.report.figures.svg import inline_svg
from shaping.report.page import PAGE_FIGURE_IN
from shaping.report.templating import environment
from shaping.text.durations import moment_text


def exposure_page(exposure: Exposure) -> str:
    """Return the page of an exposure.

    Parameters
    ----------
    exposure : Exposure
        What was measured.

    Returns
    -------
    str
        A whole HTML document, the same for the same input.
    """
    drawn = inline_svg(
        levels_figure(exposure, width_in=PAGE_FIGURE_IN),
        name="levels",
        title="Level over time",
        description=" ".join(words.answer(exposure)[:2]),
    )
    return (
        environment()
        .get_template("exposure.html")
        .render(
            title=words.title(exposure),
            light=asdict(style.LIGHT),
            dark=asdict(style.DARK),
            answer=words.answer(exposure),
            figure=Markup(drawn),
            documents_heading=words.DOCUMENTS_HEADING,
            rows=words.rows(exposure),
            energy=words.energy_texts(exposure),
            minutes=[
                (
                    moment_text(one.start_s),
                    words.level_text(one.laeq_db),
                    words.level_text(one.lceq_db, "dBC"),
                    words.level_text(one.lcpeak_db, "dBC"),
                )
                for one in exposure.minutes
            ],
            mind=(*exposure.notes, *MEASURED_LEVELS),
            basis=words.basis_texts(exposure),
        )
    )
