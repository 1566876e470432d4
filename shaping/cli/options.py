"""Options that several commands share, so that they read and behave alike."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from shaping.capture.recording import CaptureKind
from shaping.errors import OutputError
from shaping.output import check_writable, write_text
from shaping.text.names import shown

if TYPE_CHECKING:
    from shaping.plan.suggestion import Suggestion

F = TypeVar("F", bound=Callable[..., Any])

STDOUT = "-"

_MADE = (CaptureKind.RING_OUT, CaptureKind.PINK_NOISE, CaptureKind.SWEEP)

json_option = click.option(
    "--json",
    "json_path",
    metavar="FILE",
    help="Write the result as JSON; - for standard output and nothing else there.",
)
html_option = click.option(
    "--html", "html_path", metavar="FILE", help="Write one page for a phone and for A4 paper."
)
name_option = click.option(
    "--name",
    metavar="TEXT",
    help='What it is called on the page, in the plan and on the screen, such as "Wedge 2".',
)
force_option = click.option("--force", is_flag=True, help="Replace files that exist.")
limits_option = click.option(
    "--limits",
    "limits_name",
    metavar="NAME|FILE",
    default="parametric-4",
    show_default=True,
    help="What your equaliser can be set to: free, parametric-4, parametric-6, graphic-31, "
    "narrow-notch, or your own TOML file.",
)
channel_option = click.option(
    "--channel",
    type=click.IntRange(min=1),
    metavar="N",
    help="Channel of the recording, counted from 1; the loudest if not given.",
)

ring_out_channel_option = click.option(
    "--channel",
    type=click.IntRange(min=1),
    metavar="N",
    help="Channel of the recording, counted from 1; if not given, the one that rings, or of "
    "noise the loudest.",
)

kind_option = click.option(
    "--kind",
    type=click.Choice([kind.value for kind in _MADE]),
    help="How the capture was made; ring-out, or pink-noise where a reference is given.",
)


def chosen_kind(kind: str | None, reference: str | None) -> CaptureKind:
    """Return how captures were made, from what the person said."""
    if kind:
        return CaptureKind(kind)
    return CaptureKind.PINK_NOISE if reference else CaptureKind.RING_OUT


def thin_option(name: str, default: str) -> Callable[[F], F]:
    """Return the option that sets how much is thinned, under the name a command gives it."""
    return click.option(
        name,
        "amount",
        type=click.Choice(["none", "light", "medium", "strong"]),
        default=default,
        show_default=True,
        help="How much to thin: high-pass and low-mid cut.",
    )


def check_outputs(paths: Sequence[str | None], *, force: bool) -> None:
    """Refuse outputs that could not be written, before any work is done.

    Raises
    ------
    OutputError
        As `shaping.output.check_writable`, or if two outputs name the same file.
    """
    files = [path for path in paths if path and path != STDOUT]
    for path in files:
        check_writable(path, force=force)
    resolved = [Path(path).resolve() for path in files]
    if len(set(resolved)) < len(resolved):
        raise OutputError("two outputs name the same file; give each its own name")


def emit_json(text: str, path: str, *, force: bool) -> None:
    """Write JSON text to a file, or to standard output for ``-``."""
    if path == STDOUT:
        sys.stdout.write(text if text.endswith("\n") else text + "\n")
        sys.stdout.flush()
    else:
        write_text(path, text, force=force)


def emit_suggestion(
    suggestion: Suggestion,
    *,
    plot_path: str | None,
    html_path: str | None,
    json_path: str | None,
    force: bool,
    name: str | None = None,
) -> None:
    """Write and print a plan in every form that was asked for, under the name it was given."""
    if name:
        suggestion = replace(suggestion, plan=replace(suggestion.plan, name=name))
    if json_path:
        from shaping.plan.to_json import plan_to_json

        emit_json(plan_to_json(suggestion.plan), json_path, force=force)
    if plot_path:
        from shaping.report.figures.whole import plan_figure, save_figure

        save_figure(plan_figure(suggestion), plot_path, force=force)
    if html_path:
        from shaping.report.page import plan_page

        write_text(html_path, plan_page(suggestion), force=force)
    if json_path != STDOUT:
        from rich.console import Console

        from shaping.report.terminal import print_plan

        print_plan(suggestion, Console())
        tell_written(plot_path, html_path, json_path)


def tell_written(*paths: str | None) -> None:
    """Say which files were written."""
    for path in paths:
        if path:
            click.echo(f"Wrote {shown(path)}")
