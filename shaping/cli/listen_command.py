"""``shaping listen``: hear a recording through a plan."""

from __future__ import annotations

import json
from dataclasses import asdict

import click

from shaping.cli import options
from shaping.text.names import shown

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
@options.json_option
@options.force_option
def command(
    plan_path: str,
    source: str,
    destination: str,
    pair: bool,
    json_path: str | None,
    force: bool,
) -> None:
    """Render the recording IN through the filters of PLAN, as OUT.

    Sample rate, channels and format stay those of IN, and nothing clips. Louder sounds better to
    everyone, so compare with --pair, which matches the loudness.
    """
    from shaping.capture import cautions
    from shaping.capture.audio import inspect
    from shaping.plan.to_json import load_plan
    from shaping.report import listen

    options.check_outputs([json_path], force=force)
    filters = [planned.filter for planned in load_plan(plan_path).filters]
    if pair:
        both = listen.render_pair(filters, source, *listen.pair_paths(destination), force=force)
        facts = asdict(both)
        told = [
            f"Wrote {shown(both.without_path)} (as it was) and {shown(both.with_path)} "
            "(through the plan).",
            f"Both play at {both.loudness_lufs:.1f} LUFS; the plan alone would change the "
            f"loudness by {both.plan_loudness_change_db:+.1f} dB.",
        ]
    else:
        one = listen.render(filters, source, destination, force=force)
        facts = asdict(one)
        turned = f", turned down by {-one.gain_db:.1f} dB so as not to clip" if one.gain_db else ""
        told = [f"Wrote {shown(one.path)}{turned}."]
    cut_short = inspect(source).cut_short
    if cut_short is not None:
        told.append(cut_short)
    if json_path:
        options.emit_json(json.dumps(facts, indent=2), json_path, force=force)
    if json_path != options.STDOUT:
        for line in (*told, *cautions.LISTENING):
            click.echo(line)
