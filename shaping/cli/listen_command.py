"""``shaping listen``: hear a recording through a plan."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import TYPE_CHECKING

import click

from shaping.cli import options

if TYPE_CHECKING:
    from shaping.report.listening.pair import RenderedPair
    from shaping.report.listening.render import Rendering

_EXAMPLES = """
\b
Example, with the plan that `shaping suggest --json plan.json` wrote:
  shaping listen plan.json audio_samples/rehearsal.flac thinned.flac --pair
"""


@click.command("listen", epilog=_EXAMPLES)
@click.argument("plan_path", metavar="PLAN")
@click.argument("source", metavar="IN")
@click.argument("destination", metavar="OUT")
@click.option(
    "--pair",
    is_flag=True,
    help="Write two files beside OUT's name, without and with the plan, equally loud.",
)
@click.option(
    "--true-level",
    is_flag=True,
    help="With --pair: keep the true difference in loudness between the two.",
)
@options.json_option
@options.force_option
def command(
    plan_path: str,
    source: str,
    destination: str,
    pair: bool,
    true_level: bool,
    json_path: str | None,
    force: bool,
) -> None:
    """Render the recording IN through the filters of PLAN, as OUT.

    Sample rate, channels and format stay those of IN, and nothing clips. Louder sounds better to
    everyone, so compare with --pair: second by second the two are equally loud, by what is not
    howl. A howl is never louder with the plan, and both are held down where it would be much
    louder than the rest. The recording is then no proof of what would howl: it is as it was.
    """
    from shaping.capture import cautions
    from shaping.capture.audio import inspect
    from shaping.plan.to_json import load_plan
    from shaping.report.listening import words
    from shaping.report.listening.pair import pair_paths, render_pair
    from shaping.report.listening.render import render

    options.check_outputs([json_path], force=force)
    if true_level and not pair:
        raise click.UsageError("--true-level goes with --pair")
    filters = [planned.filter for planned in load_plan(plan_path).filters]
    made: Rendering | RenderedPair
    if pair:
        made = render_pair(
            filters,
            source,
            *pair_paths(destination),
            howls=_howls(source),
            equally_loud=not true_level,
            force=force,
        )
        told = words.pair_texts(made)
    else:
        made = render(filters, source, destination, force=force)
        told = words.rendering_texts(made)
    cut_short = inspect(source).cut_short
    if json_path:
        options.emit_json(json.dumps(asdict(made), indent=2), json_path, force=force)
    if json_path != options.STDOUT:
        for line in (*told, *([cut_short] if cut_short else []), *cautions.LISTENING):
            click.echo(line)


def _howls(source: str) -> list[tuple[float, float]]:
    """Return when a recording howls, by what searches rehearsals."""
    from shaping.rehearsals.scanning.scan_file import scan_file

    return [(event.start_s, event.stop_s) for event in scan_file(source).events]
