"""One self-contained page of a walk: no scripts, no network; what is foreign is escaped."""

from __future__ import annotations

from dataclasses import asdict

from markupsafe import Markup

from shaping.plan.walk.walk_plan import WalkPlan
from shaping.report import safety
from shaping.report import words as plan_words
from shaping.report.figures import style
from shaping.report.figures.svg import inline_svg
from shaping.report.figures.walk import walk_figure
from shaping.report.figures.whole import response_figure
from shaping.report.page import PAGE_FIGURE_IN, Picture
from shaping.report.templating import environment
from shaping.report.walk import words
from shaping.text.names import shown


def walk_page(made: WalkPlan) -> str:
    """Return the page of a walk.

    Parameters
    ----------
    made : WalkPlan
        The plan and what it was made from.

    Returns
    -------
    str
        A whole HTML document, the same for the same input.
    """
    plan = made.plan
    before_heading, before = safety.before_acting(plan)
    return (
        environment()
        .get_template("walk.html")
        .render(
            title=words.title(made),
            light=asdict(style.LIGHT),
            dark=asdict(style.DARK),
            answer=words.answer(made),
            before_heading=before_heading,
            before=before,
            equaliser=shown(f"{plan.limits.name}: {plan.limits.description}"),
            settings=list(zip(plan_words.settings(plan), plan.filters, strict=True)),
            pictures=_pictures(made),
            along_heading=words.ALONG_HEADING,
            stretches=words.stretch_rows(made),
            worst_heading=words.WORST_HEADING,
            worst=words.worst_rows(made),
            heard=words.heard_texts(made),
            notes=[text for _, text in plan_words.quality_notes(plan)],
            mind=safety.to_mind(plan),
            again_heading=safety.AGAIN_HEADING,
            again=safety.before_measuring(plan),
            basis=(
                *words.BASIS,
                plan_words.convention_text(plan.limits),
                safety.exposure(plan),
            ),
        )
    )


def _pictures(made: WalkPlan) -> list[Picture]:
    found = [
        Picture(
            "The send each moment allows",
            Markup(
                inline_svg(
                    walk_figure(made, width_in=PAGE_FIGURE_IN),
                    name="walk",
                    title="Send that each moment of the walk allows",
                    description=" ".join(words.answer(made)),
                )
            ),
            "The lower the line, the sooner it howls there. Gaps were not measured.",
        )
    ]
    if made.plan.filters:
        found.append(
            Picture(
                "What the settings do",
                Markup(
                    inline_svg(
                        response_figure(made.plan, width_in=PAGE_FIGURE_IN),
                        name="response",
                        title="Response of the settings",
                        description="Gain against frequency.",
                    )
                ),
                "The thick line is all settings together.",
            )
        )
    return found
