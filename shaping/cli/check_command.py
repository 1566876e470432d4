"""``shaping check``: what if, for one wedge."""

from __future__ import annotations

import json

import click

from shaping.cli import options

_EXAMPLES = """
\b
Examples:
  shaping suggest audio_samples/vocal_wedge_noise.flac \\
    --reference audio_samples/pink_noise_reference.flac --json plan.json --force
  shaping check plan.json --set "3 gain -4" --set "add 545 -6 q8"
"""


@click.command("check", epilog=_EXAMPLES)
@click.argument("plan_path", metavar="PLAN")
@click.option(
    "--set",
    "changes",
    multiple=True,
    metavar="TEXT",
    help="'3 gain -4', '3 frequency 500', '3 q 6', '3 off', 'add 545 -6 q8', 'flat' or "
    "'limits NAME'. May be given several times.",
)
@click.option(
    "--reference", metavar="FILE", help="What was played: the plan's captures are measured again."
)
@options.json_option
@options.force_option
def command(
    plan_path: str,
    changes: tuple[str, ...],
    reference: str | None,
    json_path: str | None,
    force: bool,
) -> None:
    """Tell what other settings than those of PLAN would do to its wedge's margins.

    PLAN is the JSON of "shaping suggest". For a whole stage: shaping stage FILE --set TEXT.
    """
    from shaping.capture.audio import read_capture
    from shaping.capture.recording import CaptureKind
    from shaping.errors import ParameterError
    from shaping.plan.to_json import load_plan
    from shaping.stage.check import changed_settings, check_plan, check_to_dict

    options.check_outputs([json_path], force=force)
    plan, filters = changed_settings(load_plan(plan_path), changes)
    loops = []
    if reference is not None:
        from shaping.analysis.loop.response import estimate_loop_response

        if not plan.captures or plan.captures[0].kind is CaptureKind.RING_OUT:
            raise ParameterError(
                "this plan rests on no noise, so it has no reference; leave --reference out"
            )
        kind = plan.captures[0].kind
        played = read_capture(reference, kind=kind)
        for one in plan.captures:
            heard = read_capture(one.path, channel=one.channel, kind=kind)
            loops.append(
                estimate_loop_response(
                    heard.samples,
                    played.samples,
                    capture_rate_hz=heard.sample_rate_hz,
                    reference_rate_hz=played.sample_rate_hz,
                    kind=kind,
                )
            )
    checked = check_plan(plan, filters, loops=loops)
    if json_path:
        text = json.dumps(check_to_dict(plan, checked), indent=2, allow_nan=False) + "\n"
        options.emit_json(text, json_path, force=force)
    if json_path != options.STDOUT:
        from rich.console import Console

        from shaping.report.check_terminal import print_check

        print_check(plan, checked, Console())
        options.tell_written(json_path)
