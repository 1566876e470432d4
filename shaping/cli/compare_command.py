"""``shaping compare``: what dialling a plan in really changed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from shaping.capture.recording import CaptureKind
from shaping.cli import options
from shaping.errors import ParameterError

if TYPE_CHECKING:
    from shaping.plan.plan import Plan

_EXAMPLES = """
\b
Example:
  shaping compare audio_samples/vocal_wedge_noise.flac \\
    audio_samples/vocal_wedge_noise_after.flac \\
    --reference audio_samples/pink_noise_reference.flac
"""


@click.command("compare", epilog=_EXAMPLES)
@click.argument("before")
@click.argument("after")
@click.option("--plan", "plan_path", metavar="FILE", help="The plan that was to be dialled in.")
@options.kind_option
@click.option("--reference", metavar="FILE", help="The test signal that was played.")
@options.channel_option
@click.option("--plot", "plot_path", metavar="FILE", help="Draw it: .png, .svg or .pdf.")
@options.json_option
@options.force_option
def command(
    before: str,
    after: str,
    plan_path: str | None,
    kind: str | None,
    reference: str | None,
    channel: int | None,
    plot_path: str | None,
    json_path: str | None,
    force: bool,
) -> None:
    """Compare two captures of one wedge, BEFORE and AFTER dialling in.

    BEFORE may be the plan itself (a .json file): then AFTER, a ring-out, is held against the
    rings that the plan was made for.
    """
    from shaping.capture.audio import read_capture
    from shaping.comparison.compare import compare
    from shaping.plan.to_json import load_plan

    options.check_outputs([plot_path, json_path], force=force)
    from_plan = before.lower().endswith(".json")
    if from_plan and plan_path:
        raise ParameterError("two plans are given; name the capture made before, or one plan")
    plan_file = before if from_plan else plan_path
    plan = load_plan(plan_file) if plan_file else None
    made = _kind(kind, reference, plan)
    if plot_path and made is CaptureKind.RING_OUT:
        raise ParameterError(
            "ring-outs do not tell how the response changed, so there is no plot; "
            "compare pink-noise captures, or leave --plot out"
        )
    comparison = compare(
        None if from_plan else read_capture(before, channel=channel, kind=made),
        read_capture(after, channel=channel, kind=made),
        plan=plan,
        reference=read_capture(reference, kind=made) if reference else None,
    )
    if json_path:
        from shaping.comparison.to_json import comparison_to_json

        options.emit_json(comparison_to_json(comparison), json_path, force=force)
    if plot_path:
        from shaping.report.figures.comparison import comparison_figure
        from shaping.report.figures.whole import save_figure

        save_figure(comparison_figure(comparison), plot_path, force=force)
    if json_path != options.STDOUT:
        from rich.console import Console

        from shaping.report.compare_terminal import print_comparison

        print_comparison(comparison, Console())
        options.tell_written(plot_path, json_path)


def _kind(kind: str | None, reference: str | None, plan: Plan | None) -> CaptureKind:
    """Return how the captures were made: as said, else as the plan's were."""
    if kind is None and plan is not None and plan.captures:
        return plan.captures[0].kind
    return options.chosen_kind(kind, reference)
