"""``shaping thin``: thinning alone, from a model or from two first-row captures."""

from __future__ import annotations

from dataclasses import replace

import click

from shaping.cli import options

_EXAMPLES = """
\b
Examples:
  shaping thin --use vocal --amount medium
  shaping thin --wedges audio_samples/first_row_wedges.flac \\
    --mains audio_samples/first_row_mains.flac
"""

_USES = ("vocal", "speech", "acoustic-guitar", "keys", "drum-fill", "side-fill", "in-ear")


@click.command("thin", epilog=_EXAMPLES)
@click.option(
    "--use",
    type=click.Choice(_USES),
    default="vocal",
    show_default=True,
    help="What the monitor is for: where its high-pass may lie.",
)
@options.thin_option("--amount", "light")
@click.option("--wedges", metavar="FILE", help="First row, wedges alone.")
@click.option("--mains", metavar="FILE", help="First row, mains alone, same mic, place and gain.")
@click.option(
    "--under-mains",
    "below_mains_db",
    type=float,
    default=6.0,
    show_default=True,
    help="With --wedges and --mains: dB that the wedges' 125-500 Hz shall lie under the mains'.",
)
@click.option(
    "--pair",
    metavar="M,M",
    help="With side fills that play the same signal: distances in metres from both to one place; "
    "what both together do there is told.",
)
@options.limits_option
@options.channel_option
@click.option("--plot", "plot_path", metavar="FILE", help="Draw it: .png, .svg or .pdf.")
@options.name_option
@options.html_option
@options.json_option
@options.force_option
@click.pass_context
def command(
    context: click.Context,
    use: str,
    amount: str,
    wedges: str | None,
    mains: str | None,
    below_mains_db: float,
    pair: str | None,
    limits_name: str,
    channel: int | None,
    plot_path: str | None,
    name: str | None,
    html_path: str | None,
    json_path: str | None,
    force: bool,
) -> None:
    """Thin a wedge: what the first rows gain by it, and what the musician loses.

    Without recordings the figures come from a model of a wedge, and are labelled so. With two
    recordings at the first row (wedges alone, then mains alone, nothing touched in between) the
    thinning is fitted to what was measured.
    """
    from shaping.equaliser.limits_file import load_limits
    from shaping.errors import ParameterError
    from shaping.plan.thinning.pairs import pair_texts, read_pair
    from shaping.plan.thinning.planner import thin, thin_to_first_row
    from shaping.plan.thinning.starting_points import WedgeUse

    options.check_outputs([plot_path, html_path, json_path], force=force)
    if pair is not None and use != WedgeUse.SIDE_FILL:
        raise click.UsageError("--pair belongs to side fills: add --use side-fill")
    both = () if pair is None else pair_texts(read_pair(pair))
    limits = load_limits(limits_name)
    if wedges is None and mains is None:
        suggestion = thin(limits, amount=amount, use=WedgeUse(use))
    elif wedges is None or mains is None:
        raise ParameterError(
            "a measurement needs both --wedges and --mains; without them a model is used"
        )
    else:
        if context.get_parameter_source("amount") is click.core.ParameterSource.COMMANDLINE:
            raise ParameterError(
                "--amount goes without recordings; with --wedges and --mains the amount is fitted "
                "to --under-mains"
            )
        from shaping.capture.audio import read_capture
        from shaping.capture.recording import CaptureKind

        first, second = (
            read_capture(path, channel=channel, kind=CaptureKind.FIRST_ROW)
            for path in (wedges, mains)
        )
        suggestion = thin_to_first_row(
            first, second, limits, below_mains_db=below_mains_db, use=WedgeUse(use)
        )

    if both:
        told = replace(suggestion.plan, cautions=(*suggestion.plan.cautions, *both))
        suggestion = replace(suggestion, plan=told)
    options.emit_suggestion(
        suggestion,
        plot_path=plot_path,
        html_path=html_path,
        json_path=json_path,
        force=force,
        name=name,
    )
