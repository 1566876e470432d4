"""One self-contained page of a plan, for a phone at the desk and for one sheet of A4 paper.

No scripts and no network: it opens from a memory stick. Everything a person or a file name brings
in is escaped by the template engine; only figures come in as markup.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from shaping.analysis.findings import LoopResponse
from shaping.analysis.pitch import hertz_text, note_text
from shaping.capture import cautions
from shaping.capture.recording import Capture, CaptureKind, QualityNote, Severity
from shaping.plan.plan import Plan, PlannedFilter, Purpose
from shaping.report import style, words
from shaping.report.figures import evidence_figure, gain_figure, response_figure
from shaping.report.marks import MOST_CRITICAL
from shaping.report.svg import inline_svg

PAGE_FIGURE_IN = 4.6
"""Width of the figures: on a phone their small type is then about 11 pixels high."""


@dataclass(frozen=True, slots=True)
class Picture:
    """A figure in the page, with the words that stand for it."""

    heading: str
    svg: Markup
    caption: str


def plan_page(
    plan: Plan,
    captures: Sequence[Capture],
    *,
    title: str | None = None,
    loops: Sequence[LoopResponse] = (),
    added_gain_db: Sequence[float] = (),
) -> str:
    """Return the page of a plan.

    Parameters
    ----------
    plan : Plan
        The plan; thinning alone will do.
    captures : sequence of Capture
        The captures it rests on, for the evidence; the first is drawn. May be empty.
    title : str, optional
        Heading of the page; by default it names the first capture.
    loops : sequence of LoopResponse
        The measured loops, one for each capture; the first is drawn as the evidence.
    added_gain_db : sequence of float
        Added stable gain with 0, 1, 2, ... cuts, drawn where given.

    Returns
    -------
    str
        A whole HTML document, the same for the same input.
    """
    feedback_cuts = sum(planned.purpose is Purpose.FEEDBACK for planned in plan.filters)
    return (
        _environment()
        .get_template("plan.html")
        .render(
            title=words.plain(title) if title else _title(plan),
            light=asdict(style.LIGHT),
            dark=asdict(style.DARK),
            captures=[words.capture_text(capture) for capture in plan.captures],
            notes=list(
                dict.fromkeys(_note(n) for capture in plan.captures for n in capture.quality)
            ),
            before=cautions.RING_OUT,
            settings=list(zip(words.settings(plan), plan.filters, strict=True)),
            equaliser=words.plain(f"{plan.limits.name}: {plan.limits.description}"),
            pictures=_pictures(plan, captures, next(iter(loops), None)),
            gains=_gains(plan),
            gain_picture=_gain_picture(added_gain_db, feedback_cuts) if added_gain_db else None,
            rings=[
                (
                    ring,
                    hertz_text(ring.frequency_hz),
                    note_text(ring.frequency_hz),
                    f"{words.ring_word(ring)}: {words.growth_text(ring)}",
                    words.duration_text(ring.onset_s),
                )
                for ring in words.shown_rings(plan)[0]
            ],
            other_rings=words.shown_rings(plan)[1],
            rings_sought=bool(plan.captures) and plan.captures[0].kind is CaptureKind.RING_OUT,
            critical=[
                (
                    point,
                    hertz_text(point.frequency_hz),
                    note_text(point.frequency_hz),
                    words.gain_text(point.gain_db),
                )
                for point in (plan.loop.critical[:MOST_CRITICAL] if plan.loop else ())
            ],
            resonances=[
                (
                    peak,
                    hertz_text(peak.frequency_hz),
                    note_text(peak.frequency_hz),
                    words.q_text(peak.q),
                )
                for peak in plan.resonances
            ],
            left=[words.finding_text(finding) for finding in plan.unserved],
            cautions=[c for c in plan.cautions if c not in (*cautions.RING_OUT, cautions.EXPOSURE)],
            conventions=_conventions(plan),
        )
    )


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("shaping.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["minus"] = _minus
    environment.filters["plain"] = words.plain
    return environment


def _minus(text: str) -> str:
    """Return text whose negative numbers carry a true minus sign, as screen readers need it."""
    return re.sub(r"(?<![\w.-])-(?=\d)", "\N{MINUS SIGN}", text)


def _title(plan: Plan) -> str:
    if not plan.captures:
        return "Settings to dial in"
    return f"Settings for {words.file_text(plan.captures[0].path)}"


def _note(note: QualityNote) -> tuple[str, str]:
    word = {Severity.INFO: "Note", Severity.WARNING: "Warning", Severity.UNUSABLE: "Unusable"}
    return word[note.severity], words.plain(note.message)


def _gains(plan: Plan) -> list[str]:
    sentences = list(words.thinning_texts(plan.thinning)) if plan.thinning else []
    if plan.loop is not None:
        return [*words.loop_texts(plan.loop), *sentences]
    if any(planned.purpose is Purpose.FEEDBACK for planned in plan.filters):
        sentences.append(words.GAIN_UNKNOWN)
    return sentences


def _pictures(
    plan: Plan,
    captures: Sequence[Capture],
    loop: LoopResponse | None,
) -> list[Picture]:
    pictures = []
    if plan.filters or plan.rings:
        pictures.append(
            Picture(
                "What the settings do",
                Markup(
                    inline_svg(
                        response_figure(plan, width_in=PAGE_FIGURE_IN),
                        name="response",
                        title="Response of the settings",
                        description=_response_description(plan),
                    )
                ),
                "The thick line is all settings together; a dip takes that frequency down.",
            )
        )
    if loop is not None or captures:
        picture = evidence_figure(
            plan, captures[0] if captures else None, loop=loop, width_in=PAGE_FIGURE_IN
        )
        heading, caption = words.evidence_texts(plan, loop is not None)
        if len(captures) > 1:
            caption += f" Shown: {words.file_text(captures[0].path)}."
        pictures.append(
            Picture(
                heading,
                Markup(
                    inline_svg(
                        picture,
                        name="evidence",
                        title=heading,
                        description=_evidence_description(plan, loop),
                    )
                ),
                caption,
            )
        )
    return pictures


def _gain_picture(added_gain_db: Sequence[float], cuts: int) -> Picture:
    figure = gain_figure(added_gain_db, recommended=cuts, width_in=PAGE_FIGURE_IN)
    return Picture(
        "What each cut adds",
        Markup(
            inline_svg(
                figure,
                name="gain",
                title="Added gain with each number of cuts",
                description=", ".join(
                    f"{number} cuts: {words.gain_text(gain)}"
                    for number, gain in enumerate(added_gain_db)
                ),
            )
        ),
        "Stable gain that each number of cuts adds. Where the line flattens, more cuts only cost "
        "tone.",
    )


def _response_description(plan: Plan) -> str:
    def one(setting: words.Setting, planned: PlannedFilter) -> str:
        return " ".join(
            part
            for part in (setting.kind, setting.gain, "at", setting.hertz, setting.width)
            if part
        )

    parts = [
        one(setting, planned)
        for setting, planned in zip(words.settings(plan), plan.filters, strict=True)
    ]
    return "Gain against frequency: " + ("; ".join(parts) if parts else "flat") + "."


def _evidence_description(plan: Plan, loop: LoopResponse | None) -> str:
    if loop is not None:
        return "Level of the path from wedge to mic against frequency, before and after."
    parts = [words.finding_text(ring) for ring in words.shown_rings(plan)[0]] or [
        words.finding_text(peak) for peak in plan.resonances
    ]
    return "Recorded level. " + ("; ".join(parts) if parts else "No rings were found") + "."


def _conventions(plan: Plan) -> list[str]:
    return [
        words.convention_text(plan.limits),
        "Gains are relative, in dB. "
        "Settings are rounded to what the equaliser offers, and effects computed from that.",
        "Notes: A4 is 440 Hz, middle C is C4.",
        *(plan.thinning.assumptions if plan.thinning is not None else ()),
        cautions.EXPOSURE,
    ]
