"""One self-contained page of in-ear feeds, for a phone and for A4 paper.

As `shaping.report.page`: no scripts, no network, everything from outside escaped.
"""

from __future__ import annotations

from dataclasses import asdict

from markupsafe import Markup

from shaping.capture.cautions import EXPOSURE, FEEDS
from shaping.report.feeds import words
from shaping.report.feeds.figure import levels_figure, responses_figure
from shaping.report.figures import style
from shaping.report.figures.svg import inline_svg
from shaping.report.page import PAGE_FIGURE_IN, Picture
from shaping.report.templating import environment
from shaping.text.names import file_text, shown


def feeds_page(report: words.FeedsReport, *, title: str | None = None) -> str:
    """Return the page of in-ear feeds.

    Parameters
    ----------
    report : FeedsReport
        The feeds.
    title : str, optional
        Heading; by default it counts the feeds that fail.

    Returns
    -------
    str
        A whole HTML document, the same for the same input.
    """
    return (
        environment()
        .get_template("feeds.html")
        .render(
            title=shown(title) if title else words.title(report),
            light=asdict(style.LIGHT),
            dark=asdict(style.DARK),
            answer=words.answer(report),
            feeds=[
                (
                    shown(one.name),
                    words.verdict_text(one),
                    words.level_text(one),
                    words.change_text(one),
                    words.ears_sentence(one),
                    one.failing,
                )
                for one in report.feeds
            ],
            pictures=_pictures(report),
            notes=words.notes(report),
            cannot=words.limits_of_this(report),
            before_heading=words.FEEDS_HEADING,
            before=FEEDS,
            exposure=EXPOSURE,
            played=file_text(report.reference),
            thresholds=[(name.replace("_", " "), value) for name, value in _values(report).items()],
        )
    )


def _values(report: words.FeedsReport) -> dict[str, str]:
    units = {"db": "dB", "ms": "ms"}
    found = {}
    for name in report.thresholds.__struct_fields__:
        stem, _, unit = name.rpartition("_")
        value = f"{getattr(report.thresholds, name):g}"
        found[stem if unit in units else name] = (
            f"{value} {units[unit]}" if unit in units else value
        )
    return found


def _pictures(report: words.FeedsReport) -> list[Picture]:
    return [
        Picture(
            "Level of each ear",
            Markup(
                inline_svg(
                    levels_figure(report, width_in=PAGE_FIGURE_IN),
                    name="levels",
                    title="Level of each ear against its siblings",
                    description="; ".join(
                        f"{shown(one.name)}: {words.ears_sentence(one)}" for one in report.feeds
                    ),
                )
            ),
            "The grey band is what counts as alike. Hollow marks belong to feeds that fail.",
        ),
        Picture(
            "Response",
            Markup(
                inline_svg(
                    responses_figure(report, width_in=PAGE_FIGURE_IN),
                    name="responses",
                    title="Response of each ear about its own middle",
                    description="Gain against frequency; uneven feeds stand out.",
                )
            ),
            "Each curve about its own middle, so that levels do not count.",
        ),
    ]
