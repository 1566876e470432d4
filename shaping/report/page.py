"""One self-contained page of a plan, for a phone at the desk and for one sheet of A4 paper.

No scripts and no network: it opens from a memory stick. Everything a person or a file name brings
in is escaped by the template engine; only figures come in as markup.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass

from markupsafe import Markup

from shaping.capture.recording import CaptureKind, Severity
from shaping.plan.plan import Plan, PlannedFilter
from shaping.plan.suggestion import Suggestion
from shaping.report import gains_text, safety, words
from shaping.report.evidence import (
    Evidence,
    evidence,
    evidence_texts,
    gain_heading,
    has_gain_curve,
    thins_only,
)
from shaping.report.figures import style
from shaping.report.figures.marked_frequencies import MOST_CRITICAL
from shaping.report.figures.svg import inline_svg
from shaping.report.figures.whole import evidence_figure, gain_figure, response_figure
from shaping.report.templating import environment
from shaping.text.frequency import hertz_text, note_text
from shaping.text.names import file_text, shown
from shaping.text.quantities import gain_text

PAGE_FIGURE_IN = 4.6
"""Width of the figures: on a phone their small type is then about 11 pixels high."""


_SEVERITY = {Severity.INFO: "Note", Severity.WARNING: "Warning", Severity.UNUSABLE: "Unusable"}


@dataclass(frozen=True, slots=True)
class Picture:
    """A figure in the page, with the words that stand for it."""

    heading: str
    svg: Markup
    caption: str


def plan_page(suggestion: Suggestion, *, title: str | None = None) -> str:
    """Return the page of a plan.

    Parameters
    ----------
    suggestion : Suggestion
        The plan, thinning alone will do, with what it was made from: loops are drawn, or wedges
        and mains, or else the first capture, if there is any.
    title : str, optional
        Heading of the page; by default it names the wedge, or else the first capture.

    Returns
    -------
    str
        A whole HTML document, the same for the same input.

    Examples
    --------
    >>> from shaping import load_limits, thin
    >>> "Thinning to dial in" in plan_page(thin(load_limits("parametric-4")))
    True
    """
    plan = suggestion.plan
    before_heading, before = safety.before_acting(plan)
    notes = [(_SEVERITY[severity], text) for severity, text in words.quality_notes(plan)]
    return (
        environment()
        .get_template("plan.html")
        .render(
            title=shown(title) if title else _title(plan),
            light=asdict(style.LIGHT),
            dark=asdict(style.DARK),
            captures=[words.capture_text(capture) for capture in plan.captures],
            notes=notes,
            warnings=[(word, text) for word, text in notes if word != _SEVERITY[Severity.INFO]],
            before_heading=before_heading,
            before=before if plan.filters or plan.rings else (),
            settings=list(zip(words.settings(plan), plan.filters, strict=True)),
            equaliser=shown(f"Equaliser: {plan.limits.name}."),
            q_convention=words.convention_text(plan.limits),
            pictures=_pictures(suggestion),
            gains=gains_text.gain_texts(plan),
            gain_picture=_gain_picture(plan),
            rings=[
                (
                    ring,
                    hertz_text(ring.frequency_hz),
                    note_text(ring.frequency_hz),
                    f"{words.ring_word(ring)}: {words.growth_text(ring)}",
                    words.peak_text(ring),
                    words.onset_text(ring, plan),
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
                    gain_text(point.gain_db),
                )
                for point in (plan.loop.critical[:MOST_CRITICAL] if plan.loop else ())
            ],
            resonances=[
                (
                    peak,
                    hertz_text(peak.frequency_hz),
                    note_text(peak.frequency_hz),
                    words.height_text(peak),
                    words.width_text(peak.q),
                )
                for peak in plan.resonances
            ],
            left=gains_text.left_texts(plan),
            cautions=safety.to_mind(plan),
            again_heading=safety.AGAIN_HEADING,
            again=safety.before_measuring(plan),
            conventions=_conventions(plan),
        )
    )


def _title(plan: Plan) -> str:
    if plan.name:
        return f"{shown(plan.name)}: {'thinning' if thins_only(plan) else 'settings'} to dial in"
    if thins_only(plan):
        return "Thinning to dial in"
    if not plan.captures:
        return "Settings to dial in"
    return f"Settings for {file_text(plan.captures[0].path)}"


def _pictures(suggestion: Suggestion) -> list[Picture]:
    plan, captures = suggestion.plan, suggestion.captures
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
    basis = evidence(suggestion)
    if basis is not None:
        heading, caption = evidence_texts(plan, basis)
        if len(captures) > 1 and basis in (Evidence.SPECTROGRAM, Evidence.SPECTRUM):
            caption += f" Shown: {file_text(captures[0].path)}."
        picture = evidence_figure(suggestion, width_in=PAGE_FIGURE_IN)
        pictures.append(
            Picture(
                heading,
                Markup(
                    inline_svg(
                        picture,
                        name="evidence",
                        title=heading,
                        description=_evidence_description(plan, basis),
                    )
                ),
                caption,
            )
        )
    return pictures


def _gain_picture(plan: Plan) -> Picture | None:
    loop = plan.loop
    if loop is None or not has_gain_curve(plan):
        return None
    heading = gain_heading(plan)
    if loop.gain_for_tone:
        description = ", ".join(
            f"{tone:.1f} dB of tone: {gain_text(gain)}" for tone, gain in loop.gain_for_tone
        )
        caption = (
            "Stable gain against the level removed on average, as the cuts are set gentler and "
            "deeper. --favour tone and --favour gain choose other points."
        )
    else:
        description = ", ".join(
            f"{number} cuts: {gain_text(gain)}" for number, gain in enumerate(loop.added_by_cuts_db)
        )
        caption = (
            "Stable gain that each number of cuts adds. Where the line flattens, more cuts only "
            "cost tone."
        )
    figure = gain_figure(plan, width_in=PAGE_FIGURE_IN)
    drawn = inline_svg(figure, name="gain", title=heading, description=description)
    return Picture(heading, Markup(drawn), caption)


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


def _evidence_description(plan: Plan, basis: Evidence) -> str:
    if basis is Evidence.LOOP:
        return "Level of the path from wedge to mic against frequency, before and after."
    if basis is Evidence.SPILL:
        return "Level of mains, wedges and thinned wedges in the first row, by third octave."
    if basis is Evidence.MODEL:
        return "Level of a model wedge to several sides against frequency; even at low frequencies."
    parts = [words.finding_text(ring) for ring in words.shown_rings(plan)[0]] or [
        words.finding_text(peak) for peak in plan.resonances
    ]
    return "Recorded level. " + ("; ".join(parts) if parts else "No rings were found") + "."


def _conventions(plan: Plan) -> list[str]:
    return [
        *words.READING,
        f"Equaliser {plan.limits.name}: {plan.limits.description}",
        "Gains are relative, in dB. "
        "Settings are rounded to what the equaliser offers, and effects computed from that.",
        "Notes: A4 is 440 Hz, middle C is C4.",
        *gains_text.assumption_texts(plan),
        safety.exposure(plan),
    ]
