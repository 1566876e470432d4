"""``shaping demo``: the main job on shipped captures, with a guided text."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import click

from shaping.capture.recording import CaptureKind
from shaping.cli import options
from shaping.cli.shipped import shipped_capture

if TYPE_CHECKING:
    from shaping.capture.recording import Capture

_EXAMPLES = """
\b
Examples:
  shaping demo
  shaping demo pink-noise --html demo.html
"""


@dataclass(frozen=True, slots=True)
class _Story:
    captures: tuple[str, ...]
    reference: str | None
    before: str
    after: tuple[str, ...]


_STORIES = {
    CaptureKind.RING_OUT: _Story(
        ("vocal_wedge_ring_out.flac",),
        None,
        "Quillhaven Hall, an invented place. A singer's mic, a wedge in front of it. Somebody "
        "talks while the engineer raises the wedge's send until it rings, cuts that frequency, "
        "and raises it again: three rings in 20 seconds, recorded on the mic's own channel. Below "
        "is what the recording tells. A feedback ring gives itself away: its level climbs in a "
        "straight line in dB, at one pitch that does not waver. No voice does that.",
        (
            "Place first: the wedge where the mic hears it least, the singer close to the mic.",
            "EQ flat. Record the mic's channel, before its fader and its EQ.",
            "Warn the stage, in-ears out, limiter in. Raise the wedge's send slowly, a hand on the "
            "fader, until it just rings; pull it back. Two or three times will do.",
            "shaping suggest YOUR_RECORDING.wav --limits parametric-4 --html plan.html",
            "Dial the settings in, in their order, then raise the send again: it should stay "
            "quiet where it rang. Pull it back 6 dB for the service.",
        ),
    ),
    CaptureKind.PINK_NOISE: _Story(
        ("vocal_wedge_noise.flac", "vocal_wedge_noise_moved.flac"),
        "pink_noise_reference.flac",
        "Quillhaven Hall, an invented place. The mic is muted everywhere, so nothing can howl. "
        "Pink noise plays through the wedge as loudly as somebody speaks up, and the mic is "
        "recorded twice: where the singer stands, and a step aside. The file that was played and "
        "what the mic heard of it together tell how much louder the wedge may go, and what the "
        "cuts would add.",
        (
            "shaping signal pink-noise noise.wav",
            "Mute the mic everywhere: mains, every wedge, in-ears, stream; record it before the "
            "mute. Warn the stage, in-ears out, limiter in.",
            "Play noise.wav through the wedge, from silence up to the level of loud speech, and "
            "record the mic's channel. Move the mic a little and record again.",
            "shaping suggest FIRST.wav SECOND.wav --reference noise.wav --html plan.html",
            "Dial the settings in, in their order, and unmute with the fader down.",
        ),
    ),
}


@click.command("demo", epilog=_EXAMPLES)
@click.argument(
    "kind",
    type=click.Choice([kind.value for kind in _STORIES]),
    default=CaptureKind.RING_OUT.value,
)
@options.limits_option
@click.option("--plot", "plot_path", metavar="FILE", help="Draw it: .png, .svg or .pdf.")
@options.html_option
@options.json_option
@options.force_option
def command(
    kind: str,
    limits_name: str,
    plot_path: str | None,
    html_path: str | None,
    json_path: str | None,
    force: bool,
) -> None:
    """Show the main job on a shipped capture: a ring-out, or the quiet one with pink noise."""
    from shaping.capture.audio import read_capture
    from shaping.equaliser.limits_file import load_limits
    from shaping.plan.suggest import suggest

    options.check_outputs([plot_path, html_path, json_path], force=force)
    limits = load_limits(limits_name)
    made = CaptureKind(kind)
    story = _STORIES[made]

    def read(name: str) -> Capture:
        # The name alone: where the package is installed is of no interest in a report.
        return replace(read_capture(shipped_capture(name), kind=made), path=name)

    suggestion = suggest(
        [read(name) for name in story.captures],
        limits,
        reference=read(story.reference) if story.reference else None,
    )
    told = json_path != options.STDOUT
    if told:
        _tell("What was recorded", story.before)
        click.echo()
    options.emit_suggestion(
        suggestion,
        plot_path=plot_path,
        html_path=html_path,
        json_path=json_path,
        force=force,
    )
    if told:
        click.echo()
        _tell("The same on your stage")
        for number, step in enumerate(story.after, 1):
            click.echo(textwrap.fill(f"{number}. {step}", 78, subsequent_indent="   "))


def _tell(heading: str, text: str = "") -> None:
    click.secho(heading, bold=True)
    if text:
        click.echo(textwrap.fill(text, 78))
