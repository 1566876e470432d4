"""One self-contained sheet of a stage, for a phone at the desk and A4 paper; evidence behind it.

As `shaping.report.page`: no scripts, no network, everything from outside escaped.
"""

from __future__ import annotations

from dataclasses import asdict

from markupsafe import Markup

from shaping.capture.cautions import EXPOSURE, TEST_SIGNAL
from shaping.report import stage_words, words
from shaping.report.evidence import evidence, evidence_texts
from shaping.report.figures import style
from shaping.report.figures.matrix import matrix_figure
from shaping.report.figures.svg import inline_svg
from shaping.report.figures.whole import evidence_figure, response_figure
from shaping.report.page import PAGE_FIGURE_IN, Picture
from shaping.report.safety import AGAIN_HEADING
from shaping.report.templating import environment
from shaping.stage.stage_plan import StagePlan, StageSuggestion, WedgePlan
from shaping.text.names import shown
from shaping.text.quantities import gain_text


def stage_page(suggestion: StageSuggestion, *, title: str | None = None) -> str:
    """Return the sheet of a stage.

    Parameters
    ----------
    suggestion : StageSuggestion
        The plan with what it was made from.
    title : str, optional
        Heading; by default it counts wedges and mics.

    Returns
    -------
    str
        A whole HTML document, the same for the same input.
    """
    plan = suggestion.plan
    return (
        environment()
        .get_template("stage.html")
        .render(
            title=shown(title) if title else stage_words.title(plan),
            light=asdict(style.LIGHT),
            dark=asdict(style.DARK),
            answer=stage_words.answer(plan),
            before_heading=stage_words.BEFORE_HEADING,
            before=stage_words.BEFORE,
            wedges=[
                (
                    shown(one.name),
                    shown(one.plan.limits.name),
                    stage_words.wedge_margin(one),
                    list(zip(stage_words.settings_lines(one), one.plan.filters, strict=True)),
                )
                for one in plan.wedges
            ],
            matrix=_matrix(plan),
            sends=[
                (
                    shown(one.mic),
                    shown(one.wedge),
                    gain_text(one.gain_db),
                    stage_words.margin_text(one.headroom_db),
                    stage_words.margin_text(one.headroom_after_db),
                )
                for one in plan.sends
            ],
            remedies=stage_words.remedy_texts(plan),
            places=stage_words.place_texts(plan),
            mind=stage_words.to_mind(plan),
            again_heading=AGAIN_HEADING,
            again=(*TEST_SIGNAL, EXPOSURE),
            evidence=[_evidence(suggestion, at, one) for at, one in enumerate(plan.wedges)],
            conventions=stage_words.conventions(plan),
        )
    )


def _matrix(plan: StagePlan) -> Picture | None:
    if not plan.paths:
        return None
    rows = stage_words.matrix(plan)
    return Picture(
        "Who hears whom",
        Markup(
            inline_svg(
                matrix_figure(rows, width_in=PAGE_FIGURE_IN),
                name="matrix",
                title="How loudly each mic hears each wedge",
                description=stage_words.matrix_description(rows),
            )
        ),
        stage_words.DRAWN_MATRIX_CAPTION,
    )


def _evidence(
    suggestion: StageSuggestion, at: int, one: WedgePlan
) -> tuple[str, list[str], list[Picture], list[str]]:
    """Return name, reasons, pictures and quality notes of one wedge."""
    own = suggestion.wedges[one.name]
    reasons = [f"{s.number}. {s.reason}" for s in stage_words.settings_lines(one)]
    pictures = []
    if one.plan.filters:
        pictures.append(
            Picture(
                "What the settings do",
                Markup(
                    inline_svg(
                        response_figure(one.plan, width_in=PAGE_FIGURE_IN),
                        name=f"response{at}",
                        title=f"Response of the settings of {shown(one.name)}",
                        description="Gain against frequency.",
                    )
                ),
                "The thick line is all settings together.",
            )
        )
    basis = evidence(own)
    if basis is not None and own.captures:
        heading, caption = evidence_texts(one.plan, basis)
        pictures.append(
            Picture(
                heading,
                Markup(
                    inline_svg(
                        evidence_figure(own, width_in=PAGE_FIGURE_IN),
                        name=f"evidence{at}",
                        title=f"{heading}: {shown(one.name)}",
                        description="Level against frequency.",
                    )
                ),
                caption,
            )
        )
    notes = [text for _, text in words.quality_notes(one.plan)]
    return shown(one.name), reasons, pictures, notes
