"""``shaping lesson``: one page to hear and see why, for a phone, without Python or network."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import click

from shaping.cli import options
from shaping.cli.shipped import shipped_capture
from shaping.text.names import file_text

if TYPE_CHECKING:
    from shaping.capture.recording import Capture, CaptureKind
    from shaping.report.lesson.own_wedge import OwnWedge

_EXAMPLES = """
\b
Examples:
  shaping lesson lesson.html
  shaping lesson my_wedge.html --plan plan.json --recording audio_samples/rehearsal.flac
"""


@click.command("lesson", epilog=_EXAMPLES)
@click.argument("path", metavar="FILE")
@click.option(
    "--plan", "plan_path", metavar="FILE", help="A plan of your wedge, from suggest --json."
)
@click.option(
    "--recording",
    "recording_path",
    metavar="FILE",
    help="With --plan: what its mic recorded, to be heard through each setting.",
)
@click.option(
    "--from",
    "start_s",
    type=click.FloatRange(min=0.0),
    default=0.0,
    show_default=True,
    help="With --recording: where in it to begin, s; about 8 s are taken.",
)
@options.channel_option
@options.json_option
@options.force_option
def command(
    path: str,
    plan_path: str | None,
    recording_path: str | None,
    start_s: float,
    channel: int | None,
    json_path: str | None,
    force: bool,
) -> None:
    """Write the lesson as one page, FILE.html: hear what thinning does, and which frequency rings.

    It opens in any current browser, on a phone too, without network; its sounds are in it. With a
    plan and a recording it begins with your own wedge: each setting on and off by itself, and the
    send raised until a simulated loop would howl.
    """
    import json

    from shaping.capture import cautions
    from shaping.capture.recording import CaptureKind
    from shaping.equaliser.limits_file import load_limits
    from shaping.errors import ParameterError
    from shaping.output import write_text
    from shaping.report.lesson.page import Programme, lesson_page

    options.check_outputs([path, json_path], force=force)
    if (plan_path is None) != (recording_path is None):
        raise ParameterError("your own wedge needs both --plan and --recording")
    own = None
    if plan_path is not None and recording_path is not None:
        own = _own(plan_path, recording_path, channel, start_s)
    programmes = [
        Programme(
            key,
            name,
            _shipped(f"{prefix}_wedges.flac", CaptureKind.FIRST_ROW),
            _shipped(f"{prefix}_mains.flac", CaptureKind.FIRST_ROW),
        )
        for key, name, prefix in (
            ("band", "a band", "first_row"),
            ("talk", "a talk", "lesson/talk"),
        )
    ]
    page = lesson_page(
        programmes,
        _shipped("lesson/talk.flac", CaptureKind.FIRST_ROW),
        load_limits("parametric-4"),
        own=own,
        own_name=file_text(recording_path or ""),
    )
    write_text(path, page, force=force)
    if json_path:
        facts = {
            "path": path,
            "bytes": len(page.encode("utf-8")),
            "settings": 0 if own is None else len(own.plan.filters),
            "loop_points_hz": [] if own is None else [p.frequency_hz for p in own.points],
        }
        options.emit_json(json.dumps(facts, indent=2), json_path, force=force)
    if json_path != options.STDOUT:
        options.tell_written(path, json_path)
        click.echo("Open it in a browser; on a phone, send it to yourself and open it there.")
        for line in cautions.LISTENING:
            click.echo(line)


def _own(plan_path: str, recording_path: str, channel: int | None, start_s: float) -> OwnWedge:
    from shaping.capture.audio import read_capture
    from shaping.capture.recording import CaptureKind
    from shaping.plan.to_json import load_plan
    from shaping.report.lesson.own_wedge import own_wedge

    plan = load_plan(plan_path)
    recording = read_capture(recording_path, channel=channel, kind=CaptureKind.RING_OUT)
    return own_wedge(plan, recording, start_s=start_s)


def _shipped(name: str, kind: CaptureKind) -> Capture:
    from shaping.capture.audio import read_capture

    return replace(read_capture(shipped_capture(name), kind=kind), path=name)
