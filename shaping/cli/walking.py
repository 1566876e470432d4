"""``shaping suggest --walking``: what is made of a walk, in every form that was asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from shaping.capture.recording import Capture
from shaping.cli import options
from shaping.equaliser.limits import Limits
from shaping.output import write_text
from shaping.plan.loop.wishes import Wishes
from shaping.plan.thinning.starting_points import ThinningAmount
from shaping.plan.walk.planner import plan_walk
from shaping.plan.walk.stretches import read_mark


@dataclass(frozen=True, slots=True)
class Outputs:
    """Where results go, and whether over files that exist."""

    plot: str | None
    html: str | None
    json: str | None
    force: bool


def suggest_walk(
    capture: Capture,
    reference: Capture,
    limits: Limits,
    *,
    thinning: ThinningAmount,
    wishes: Wishes,
    marks: Sequence[str],
    outputs: Outputs,
) -> None:
    """Plan a walk, and write and print it."""
    made = plan_walk(
        capture,
        reference,
        limits,
        thinning=thinning,
        wishes=wishes,
        marks=[read_mark(text) for text in marks],
    )
    if outputs.json:
        from shaping.plan.walk.to_json import walk_to_json

        options.emit_json(walk_to_json(made), outputs.json, force=outputs.force)
    if outputs.plot:
        from shaping.report.figures.walk import walk_figure
        from shaping.report.figures.whole import save_figure

        save_figure(walk_figure(made), outputs.plot, force=outputs.force)
    if outputs.html:
        from shaping.report.walk.page import walk_page

        write_text(outputs.html, walk_page(made), force=outputs.force)
    if outputs.json != options.STDOUT:
        from rich.console import Console

        from shaping.report.walk.terminal import print_walk

        print_walk(made, Console())
        options.tell_written(outputs.plot, outputs.html, outputs.json)
