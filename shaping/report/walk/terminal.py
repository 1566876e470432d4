"""A walk as terminal text."""

from __future__ import annotations

from rich.console import Console

from shaping.capture.recording import Severity
from shaping.plan.walk.walk_plan import WalkPlan
from shaping.report import safety
from shaping.report import words as plan_words
from shaping.report.terminal_text import Column, bold, heading, lines, rows, setting_rows
from shaping.report.walk import words
from shaping.text.names import shown

_STRETCH = (
    Column("From", leads=True),
    Column("Time", leads=True),
    Column("Send", right=True),
    Column("With settings", right=True, bold=True),
    Column("Costs", right=True),
    Column("Howls around"),
)
_WORST = (
    Column("At", leads=True),
    Column("Place", leads=True),
    Column("Send", right=True, bold=True),
    Column("Howls around"),
)


def print_walk(made: WalkPlan, console: Console) -> None:
    """Print a walk's plan for a person at a desk.

    Parameters
    ----------
    made : WalkPlan
        The plan and what it was made from.
    console : rich Console
        Where to print; its width decides the layout.
    """
    plan = made.plan
    bold(console, words.title(made))
    lines(console, [("-", text) for text in words.answer(made)])
    notes = plan_words.quality_notes(plan)
    marks = ["-" if severity is Severity.INFO else "!" for severity, _ in notes]
    lines(console, [(mark, text) for mark, (_, text) in zip(marks, notes, strict=True)])
    before, said = safety.before_acting(plan)
    heading(console, before)
    lines(console, [("!", caution) for caution in said])
    if plan.filters:
        heading(console, f"Settings to dial in, in this order ({shown(plan.limits.name)})")
        settings = plan_words.settings(plan)
        setting_rows(console, settings)
        heading(console, "Why")
        lines(console, [(str(one.number), one.reason) for one in settings])
    else:
        heading(console, "Nothing to dial in")
    heading(console, words.ALONG_HEADING)
    rows(console, _STRETCH, words.stretch_rows(made))
    heading(console, words.WORST_HEADING)
    rows(console, _WORST, words.worst_rows(made))
    lines(console, [("-", text) for text in words.heard_texts(made)])
    for title, texts in (
        ("Mind", safety.to_mind(plan)),
        (safety.AGAIN_HEADING, safety.before_measuring(plan)),
    ):
        heading(console, title)
        lines(console, [("!", shown(text)) for text in texts])
    heading(console, "What the figures rest on")
    lines(console, [("-", text) for text in words.BASIS])
    lines(console, [("!", safety.exposure(plan))])
