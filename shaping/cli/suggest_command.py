"""``shaping suggest``: from captures of one wedge to the settings to dial in."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from shaping.cli import options

if TYPE_CHECKING:
    from shaping.plan.walk.walk_plan import WalkPlan

_EXAMPLES = """
\b
Examples:
  shaping suggest audio_samples/vocal_wedge_ring_out.flac
  shaping suggest audio_samples/vocal_wedge_ring_out.flac --limits graphic-31 --thin medium
"""


@click.command("suggest", epilog=_EXAMPLES)
@click.argument("captures", nargs=-1, required=True, metavar="CAPTURE...")
@options.kind_option
@click.option("--reference", metavar="FILE", help="The test signal that was played.")
@options.limits_option
@click.option(
    "--cuts", type=click.IntRange(min=0), metavar="N", help="At most so many feedback cuts."
)
@options.thin_option("--thin", "light")
@click.option(
    "--favour",
    type=click.Choice(["tone", "balanced", "gain"]),
    default="balanced",
    show_default=True,
    help="With pink noise or a sweep: how much tone for how much gain.",
)
@click.option(
    "--margin",
    "margin_db",
    type=click.FloatRange(0.0, 30.0),
    metavar="DB",
    help="Leave so much: with a reference under the gain that is promised (6 if not given), in a "
    "ring-out over its highest send (3 if not given).",
)
@click.option(
    "--same-start",
    is_flag=True,
    help="With a reference: player and recorder share a clock and a start, so that the delay from "
    "file to file is the loop's own. Not so where a computer played and recorded: its own delay is "
    "in the files.",
)
@options.ring_out_channel_option
@click.option(
    "--in-place",
    metavar="PLAN|FILE|TEXT",
    help="What was dialled in while a ring-out was recorded: a plan's .json, a .toml file of "
    'filters, or typed, such as "hp 100, 545 -6 q8".',
)
@click.option(
    "--walking",
    is_flag=True,
    help="With a reference: the mic was carried about while the noise played; one plan for the "
    "whole walk, and what every stretch of it costs.",
)
@click.option(
    "--mark",
    "marks",
    multiple=True,
    metavar="TIME=PLACE",
    help='With --walking: where the mic was, such as "12.5=drum riser"; once for each place.',
)
@click.option("--plot", "plot_path", metavar="FILE", help="Draw it: .png, .svg or .pdf.")
@options.name_option
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
    favour: str,
    margin_db: float | None,
    same_start: bool,
    channel: int | None,
    in_place: str | None,
    walking: bool,
    marks: tuple[str, ...],
    plot_path: str | None,
    name: str | None,
    html_path: str | None,
    json_path: str | None,
    force: bool,
) -> None:
    """Suggest high-pass, low-mid and feedback cuts from recordings of one wedge.

    A ring-out is a recording made while the send was raised until the wedge rang. Pink noise (or
    a sweep) is a recording of a test signal played through the wedge, the mic muted
    everywhere and recorded before the mute;
    with --reference it gives the loop's stable gain as well.

    Step by step: record a ring-out, dial in the plan, record again with it in place, and run
    suggest on that with --in-place, until the margin is reached.
    """
    from shaping.capture.audio import read_capture
    from shaping.capture.recording import CaptureKind
    from shaping.equaliser.limits_file import load_limits
    from shaping.plan.loop.wishes import Wishes
    from shaping.plan.ring_out.channels import read_ring_out
    from shaping.plan.ring_out.in_place import read_in_place
    from shaping.plan.suggest import suggest
    from shaping.plan.thinning.starting_points import ThinningAmount

    options.check_outputs([plot_path, html_path, json_path], force=force)
    limits = load_limits(limits_name)
    made = options.chosen_kind(kind, reference)
    rang = made is CaptureKind.RING_OUT
    if walking or marks:
        if not walking:
            raise click.UsageError("--mark names places of a walk: add --walking")
        if made is not CaptureKind.PINK_NOISE or reference is None or len(captures) != 1:
            raise click.UsageError(
                "--walking takes one recording, and the pink noise that was played as --reference"
            )
        from shaping.plan.walk.planner import plan_walk
        from shaping.plan.walk.stretches import read_mark

        made_of_walk = plan_walk(
            read_capture(captures[0], channel=channel, kind=made),
            read_capture(reference, kind=made),
            limits,
            thinning=ThinningAmount(amount),
            wishes=Wishes(cuts=cuts, favour=favour, margin_db=margin_db),
            marks=[read_mark(text) for text in marks],
        )
        _emit_walk(made_of_walk, plot_path, html_path, json_path, force=force)
        return
    if in_place and not rang:
        raise click.UsageError("--in-place belongs to a ring-out: noise is played past the send")
    suggestion = suggest(
        [
            read_ring_out(path, channel=channel)
            if rang
            else read_capture(path, channel=channel, kind=made)
            for path in captures
        ],
        limits,
        reference=read_capture(reference, kind=made) if reference else None,
        thinning=ThinningAmount(amount),
        cuts=cuts,
        wishes=Wishes(
            favour=favour,
            same_start=same_start,
            margin_db=margin_db,
            in_place=tuple(read_in_place(in_place)) if in_place else (),
        ),
    )
    options.emit_suggestion(
        suggestion,
        plot_path=plot_path,
        html_path=html_path,
        json_path=json_path,
        force=force,
        name=name,
    )


def _emit_walk(
    made: WalkPlan,
    plot_path: str | None,
    html_path: str | None,
    json_path: str | None,
    *,
    force: bool,
) -> None:
    if json_path:
        from shaping.plan.walk.to_json import walk_to_json

        options.emit_json(walk_to_json(made), json_path, force=force)
    if plot_path:
        from shaping.report.figures.walk import walk_figure
        from shaping.report.figures.whole import save_figure

        save_figure(walk_figure(made), plot_path, force=force)
    if html_path:
        from shaping.output import write_text
        from shaping.report.walk.page import walk_page

        write_text(html_path, walk_page(made), force=force)
    if json_path != options.STDOUT:
        from rich.console import Console

        from shaping.report.walk.terminal import print_walk

        print_walk(made, Console())
        options.tell_written(plot_path, html_path, json_path)
