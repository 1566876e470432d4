"""``shaping stage``: every mic in every wedge, one plan per wedge, one sheet."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

from shaping.cli import options
from shaping.errors import ParameterError

if TYPE_CHECKING:
    from shaping.stage.plan_stage import Progress

_EXAMPLES = """
\b
Examples:
  shaping stage new stage.toml
  shaping stage audio_samples/stage/stage.toml --html sheet.html
  shaping stage audio_samples/stage/stage.toml --set "vocal wedge: 3 gain -4" --set "choir: mute"
"""


@click.command("stage", epilog=_EXAMPLES)
@click.argument("words", nargs=-1, required=True, metavar="FILE.toml | new FILE.toml")
@click.option(
    "--set",
    "changes",
    multiple=True,
    metavar="TEXT",
    help="What if: 'WEDGE: 3 gain -4', 'WEDGE: 3 off', 'WEDGE: limits NAME', 'MIC > WEDGE: -8', "
    "'MIC: mute'. May be given several times.",
)
@click.option(
    "--last",
    metavar="PLAN",
    help="Last week's plan (the JSON of this command): what changed since, and as few new settings "
    "as pay.",
)
@options.name_option
@options.html_option
@options.json_option
@options.force_option
def command(
    words: tuple[str, ...],
    changes: tuple[str, ...],
    last: str | None,
    name: str | None,
    html_path: str | None,
    json_path: str | None,
    force: bool,
) -> None:
    """Plan a whole stage: every mic in every wedge, from one recording per wedge.

    FILE.toml names wedges, mics, open sends and recordings; "shaping stage new FILE.toml" writes an
    example with remarks. Each recording holds all mics while one wedge plays noise, every send
    muted. The plans of all wedges are judged together.
    """
    if words[0] == "new":
        _write_example(words[1:], force=force)
        return
    if len(words) > 1:
        raise click.UsageError("name one stage file")
    from shaping.stage.description.changes import apply_changes
    from shaping.stage.description.stage_file import load_stage
    from shaping.stage.plan_stage import plan_stage, read_stage
    from shaping.stage.weeks.last_plan import load_last_plan, week_to_week

    options.check_outputs([html_path, json_path], force=force)
    stage = load_stage(words[0])
    last_plan = load_last_plan(last) if last else None
    week = None
    with _bar() as progress:
        recordings = read_stage(stage, progress=progress)
        if last_plan is not None:
            week = week_to_week(stage, recordings, last_plan, progress=progress)
            planned = week.suggestion
        else:
            planned = plan_stage(stage, recordings, progress=progress)
        shown = planned
        if changes:
            settings = {
                one.name: tuple(f.filter for f in one.plan.filters) for one in planned.plan.wedges
            }
            changed = apply_changes(stage, settings, changes)
            shown = plan_stage(
                changed.stage, recordings, settings=changed.settings, progress=progress
            )
    if json_path:
        from shaping.stage.to_json import stage_plan_to_json

        options.emit_json(stage_plan_to_json(shown.plan), json_path, force=force)
    if html_path:
        from shaping.output import write_text
        from shaping.report.stage_page import stage_page

        write_text(html_path, stage_page(shown, title=name), force=force)
    if json_path != options.STDOUT:
        from rich.console import Console

        from shaping.report.stage_terminal import print_margins, print_stage

        if changes:
            print_margins(planned.plan, shown.plan, Console())
        else:
            print_stage(shown.plan, Console(), week=week)
        options.tell_written(html_path, json_path)


def _write_example(words: tuple[str, ...], *, force: bool) -> None:
    from shaping.output import write_text
    from shaping.stage.description.stage_file import EXAMPLE

    if len(words) != 1:
        raise ParameterError("name the file to write: shaping stage new FILE.toml")
    write_text(words[0], EXAMPLE, force=force)
    options.tell_written(words[0])
    click.echo("Next: put in your wedges, mics and recordings, then: shaping stage " + words[0])


@contextmanager
def _bar() -> Iterator[Progress | None]:
    """Show a progress bar with time left; silent where stderr is no terminal."""
    from rich.console import Console

    console = Console(stderr=True)
    if not console.is_terminal:
        yield None
        return
    from rich.progress import BarColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bar

    names = {"paths": "Measuring paths", "cuts": "Choosing cuts"}
    with Bar(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.completed}/{task.total}"),
        TimeRemainingColumn(),
        console=console,
        transient=True,
    ) as bar:
        tasks: dict[str, object] = {}

        def update(what: str, done: int, total: int) -> None:
            if what not in tasks:
                tasks[what] = bar.add_task(names[what], total=total)
            bar.update(tasks[what], completed=done, total=total)  # type: ignore[arg-type]

        yield update
