"""``shaping suggest``: from captures of one wedge to the settings to dial in."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from shaping.cli import options
from shaping.capture.recording import CaptureKind
from shaping.errors import ParameterError

if TYPE_CHECKING:
    from shaping.capture.recording import Capture
    from shaping.plan.limits import Limits
    from shaping.plan.plan import Plan

_EXAMPLES = """
\b
Examples:
  shaping suggest audio_samples/ring_out_vocal_wedge.flac
  shaping suggest audio_samples/ring_out_vocal_wedge.flac --limits graphic-31 --thin medium
"""


@click.command("suggest", epilog=_EXAMPLES)
@click.argument("captures", nargs=-1, required=True, metavar="CAPTURE...")
@click.option(
    "--kind",
    type=click.Choice([kind.value for kind in CaptureKind]),
    help="How the capture was made; ring-out, or pink-noise where a reference is given.",
)
@click.option("--reference", metavar="FILE", help="The test signal that was played.")
@options.limits_option
@click.option(
    "--cuts", type=click.IntRange(min=0), metavar="N", help="At most so many feedback cuts."
)
@options.thin_option("--thin", "light")
@options.channel_option
@click.option("--plot", "plot_path", metavar="FILE", help="Draw it: .png, .svg or .pdf.")
@options.html_option
@options.json_option
@options.force_option
def command(
    captures: tuple[str, ...],
    kind: str | None,
    reference: str | None,
    limits_name: str,
    cuts: int | None,
    amount: str,
    channel: int | None,
    plot_path: str | None,
    html_path: str | None,
    json_path: str | None,
    force: bool,
) -> None:
    """Suggest high-pass, low-mid and feedback cuts from recordings of one wedge.

    A ring-out is a recording made while the send was raised until the wedge rang. Pink noise (or
    a sweep) is a recording of a test signal played through the wedge with the mic's send muted;
    with --reference it gives the loop's stable gain as well.
    """
    from shaping.plan.limits_file import load_limits
    from shaping.plan.thinning import ThinningAmount

    options.check_outputs([plot_path, html_path, json_path], force=force)
    limits = load_limits(limits_name)
    loaded, plan = _plan(
        captures,
        kind=CaptureKind(kind) if kind else None,
        reference=reference,
        limits=limits,
        cuts=cuts,
        amount=ThinningAmount(amount),
        channel=channel,
    )
    if json_path:
        from shaping.plan.serialise import plan_to_json

        options.emit_json(plan_to_json(plan), json_path, force=force)
    if plot_path:
        from shaping.report.figures import plan_figure, save_figure

        save_figure(plan_figure(plan, loaded[0]), plot_path, force=force)
    if html_path:
        from shaping.output import write_text
        from shaping.report.page import plan_page

        write_text(html_path, plan_page(plan, loaded), force=force)
    if json_path != options.STDOUT:
        from rich.console import Console

        from shaping.report.terminal import print_plan

        print_plan(plan, Console())
