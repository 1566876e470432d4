"""``shaping measure``: the quiet ring-out, played and recorded from here."""

from __future__ import annotations

import contextlib
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from shaping.cli import options
from shaping.errors import DeviceError, ParameterError

if TYPE_CHECKING:
    from shaping.equaliser.limits import Limits
    from shaping.live.measuring import Asked, Runs, Say, WedgeTake
    from shaping.live.stopping import Stop
    from shaping.stage.description.stage import Stage

_EXAMPLES = """
\b
Examples:
  shaping measure --device DESK --output 1 --mics "lead=1, choir=2"
  shaping measure stage.toml --device DESK --output "vocal left=1" --output "side fill=2"
"""


@dataclass(frozen=True, slots=True)
class _Wedge:
    """One wedge to measure, and where its files go."""

    name: str
    output: int
    channels: dict[str, int]
    file: Path
    reference: Path


@click.command("measure", epilog=_EXAMPLES)
@click.argument("stage_file", required=False, metavar="[STAGE.toml]")
@click.option("--device", metavar="NAME", help="The sound device, as `shaping devices` names it.")
@click.option(
    "--output",
    "outputs",
    multiple=True,
    metavar="N|WEDGE=N",
    help="Output that feeds the wedge; with a stage file one for each wedge to measure.",
)
@click.option(
    "--mics", metavar="TEXT", help='Inputs of the mics, such as "lead=1, choir=2"; all of them.'
)
@click.option("--wedge", default="wedge", show_default=True, help="What the wedge is called.")
@click.option(
    "--into",
    metavar="FOLDER",
    help="Where recordings go; the stage file's folder, or this one, if not given.",
)
@click.option(
    "--kind",
    type=click.Choice(["pink-noise", "sweep"]),
    default="pink-noise",
    show_default=True,
    help="What is played.",
)
@click.option(
    "--duration", "duration_s", type=float, default=20.0, show_default=True, help="Its length, s."
)
@click.option(
    "--level",
    "level_dbfs",
    type=float,
    default=-30.0,
    show_default=True,
    help="Most that is played (rms), dB re full scale; never more than -20.",
)
@click.option(
    "--rate", "sample_rate_hz", type=int, default=48_000, show_default=True, help="Sample rate, Hz."
)
@options.limits_option
@options.thin_option("--thin", "light")
@click.option("--yes", is_flag=True, help="Do not ask before anything is played.")
@options.html_option
@options.json_option
@options.force_option
def command(
    stage_file: str | None,
    device: str | None,
    outputs: tuple[str, ...],
    mics: str | None,
    wedge: str,
    into: str | None,
    kind: str,
    duration_s: float,
    level_dbfs: float,
    sample_rate_hz: int,
    limits_name: str,
    amount: str,
    yes: bool,
    html_path: str | None,
    json_path: str | None,
    force: bool,
) -> int:
    """Play noise through a wedge, record its mics, and give the settings to dial in.

    MUTE EVERY SEND FIRST. The inputs are checked, then the noise rises slowly from silence and goes
    no further than 20 dB over the room. Any key or Ctrl-C stops it at once; so does an input that
    climbs, clips or falls silent. The recording, what was played and an entry for a stage
    file are kept.

    Exit code 3: the sound was stopped because of what was heard, or the device went away.
    """
    from shaping.capture.signals import SignalKind
    from shaping.equaliser.limits_file import load_limits
    from shaping.live.devices import find_device, list_devices
    from shaping.live.duplex import Duplex
    from shaping.live.measuring import DELAY_NOT_KNOWN, Asked, SoundStopped
    from shaping.live.recording import with_entries
    from shaping.live.stopping import Cause
    from shaping.output import write_text

    stage = _loaded(stage_file)
    limits = load_limits(limits_name)
    if not outputs:
        raise click.UsageError("name the output that feeds the wedge, with --output")
    folder = Path(into) if into else (Path(stage_file).parent if stage_file else Path())
    wedges = _wedges(stage, outputs, mics, wedge, folder)
    asked = [
        Asked(
            one.output - 1,
            tuple(n - 1 for n in one.channels.values()),
            tuple(one.channels),
            SignalKind(kind),
            duration_s,
            level_dbfs,
        )
        for one in wedges
    ]
    written = [str(path) for one in wedges for path in (one.file, one.reference)]
    if stage_file:
        written.append(str(_measured_stage(Path(stage_file), folder)))
    options.check_outputs([html_path, json_path, *written], force=force)
    found = find_device(list_devices(rates=False), device, for_command="measure")
    _channels_there(found.name, found.inputs, found.outputs, wedges)
    say = _say(json_path)
    _cautions(wedges, found.name, duration_s, level_dbfs, say)
    _agreed(yes)
    try:
        takes = _measure(Duplex(found, sample_rate_hz), asked, wedges, say)
    except SoundStopped as stopped:
        click.echo(f"shaping: {stopped}", err=True)
        return 130 if stopped.cause in (Cause.KEY, Cause.SIGNAL) else 3
    entries = _written(wedges, takes, sample_rate_hz, say, force=force)
    say("\n" + click.wrap_text(DELAY_NOT_KNOWN, 78) + "\n")
    if stage is None:
        _one_plan(wedges[0], kind, limits, amount, html_path, json_path, force=force)
        if json_path != options.STDOUT:
            click.echo("\nFor a stage file:\n" + "\n".join(entries))
    else:
        measured = _measured_stage(Path(stage_file or ""), folder)
        text = with_entries(Path(stage_file or "").read_text(encoding="utf-8"), entries)
        write_text(measured, text, force=force)
        say(f"Wrote {measured}: the stage file with these recordings")
        _stage_plan(measured, say, html_path, json_path, force=force)
    return 0


def _measured_stage(stage_file: Path, folder: Path) -> Path:
    """Return where the stage file goes that names the new recordings."""
    return folder / f"{stage_file.stem.removesuffix('_measured')}_measured.toml"


def _loaded(stage_file: str | None) -> Stage | None:
    if stage_file is None:
        return None
    from shaping.stage.description.stage_file import load_stage

    return load_stage(stage_file)


def _wedges(
    stage: Stage | None, outputs: tuple[str, ...], mics: str | None, wedge: str, folder: Path
) -> list[_Wedge]:
    from shaping.live.recording import file_name
    from shaping.live.wiring import mics_of, outputs_of

    names = [wedge] if stage is None else [one.name for one in stage.wedges]
    given = mics_of(mics) if mics else {}
    if stage is None and not given:
        raise click.UsageError('name the inputs of the mics, such as --mics "lead=1, choir=2"')
    known = {one.name for one in stage.mics} if stage else set(given)
    if strangers := [name for name in given if name not in known]:
        raise ParameterError(f"the stage file has no mic named {strangers[0]!r}; check --mics")
    found = []
    for name, output in outputs_of(outputs, names).items():
        every = [take for take in stage.takes if take.reference] if stage else []
        own = [take for take in every if take.wedge == name] or every
        channels = given or (dict(own[0].channels) if own else {})
        if not channels:
            raise click.UsageError('name the inputs of the mics, such as --mics "lead=1, choir=2"')
        file = folder / f"{file_name(name)}.wav"
        reference = folder / f"{file_name(name)}_played.wav"
        found.append(_Wedge(name, output, channels, file, reference))
    return found


def _channels_there(name: str, inputs: int, outputs: int, wedges: list[_Wedge]) -> None:
    for one in wedges:
        if one.output > outputs or max(one.channels.values()) > inputs:
            raise DeviceError(
                f"{name} has {inputs} inputs and {outputs} outputs, but {one.name} asks for output "
                f"{one.output} and input {max(one.channels.values())}"
            )


def _say(json_path: str | None) -> Say:
    def say(text: str) -> None:
        click.echo(text, err=json_path == options.STDOUT)

    return say


def _cautions(
    wedges: list[_Wedge], device: str, duration_s: float, level_dbfs: float, say: Say
) -> None:
    from shaping.capture.cautions import TEST_SIGNAL
    from shaping.text.names import shown

    for one in wedges:
        mics = ", ".join(f"{shown(mic)} on {n}" for mic, n in one.channels.items())
        say(f"{shown(one.name)}: output {one.output} of {shown(device)}; {mics}")
    say(f"{duration_s:g} s each, at most {level_dbfs:g} dBFS, rising from silence.\n")
    for caution in TEST_SIGNAL:
        say(click.wrap_text(f"- {caution}", 78, "  ", "    "))
    say("")


def _agreed(yes: bool) -> None:
    if yes:
        return
    if not sys.stdin.isatty():
        raise click.UsageError("nobody is there to ask: add --yes once the stage is warned")
    click.confirm("Every send muted, everybody warned, hand on the level: go on?", abort=True)


def _measure(device: Runs, asked: list[Asked], wedges: list[_Wedge], say: Say) -> list[WedgeTake]:
    from shaping.live.stopping import Stop, stop_on_any_key, stop_on_signals

    stop = Stop()
    with stop_on_signals(stop), contextlib.ExitStack() as stack:
        stack.enter_context(stop_on_any_key(stop))
        return [
            _one_wedge(device, one, wedge, stop, say)
            for one, wedge in zip(asked, wedges, strict=True)
        ]


def _one_wedge(device: Runs, asked: Asked, wedge: _Wedge, stop: Stop, say: Say) -> WedgeTake:
    from shaping.live.level import input_problems
    from shaping.live.measuring import listen, measure_wedge
    from shaping.text.names import shown

    say(f"{shown(wedge.name)}: listening to the inputs")
    quiet = listen(device, asked, stop)
    stops, notes = input_problems(quiet, asked.names)
    if stops:
        raise DeviceError("; ".join(stops))
    for name, level_db in zip(asked.names, quiet.level_db, strict=True):
        say(f"  {shown(name)} is alive, its noise {level_db:.0f} dBFS")
    take = measure_wedge(device, asked, quiet, stop, say=say)
    for note in (*notes, *take.notes):
        say(f"  {note}")
    heard = ", ".join(
        f"{shown(name)} {db:.0f} dB" for name, db in zip(asked.names, take.snr_db, strict=True)
    )
    say(f"  done; over the room: {heard}")
    return take


def _written(
    wedges: list[_Wedge], takes: list[WedgeTake], rate: int, say: Say, *, force: bool
) -> list[str]:
    from shaping.capture.signals import write_signal
    from shaping.live.recording import stage_entry, write_recording

    entries = []
    for one, take in zip(wedges, takes, strict=True):
        # Inputs are recorded in the order of the mics; the file counts them from 1.
        write_recording(one.file, take.recorded, rate, force=force)
        write_signal(one.reference, take.reference, rate, force=force)
        say(f"Wrote {one.file} and {one.reference}")
        channels = {mic: n + 1 for n, mic in enumerate(one.channels)}
        entries.append(stage_entry(one.name, one.file.name, one.reference.name, channels, ""))
    return entries


def _one_plan(
    wedge: _Wedge,
    kind: str,
    limits: Limits,
    amount: str,
    html_path: str | None,
    json_path: str | None,
    *,
    force: bool,
) -> None:
    from shaping.capture.audio import read_capture
    from shaping.capture.recording import CaptureKind
    from shaping.plan.suggest import suggest

    made = CaptureKind(kind)
    captures = [
        read_capture(str(wedge.file), channel=n + 1, kind=made) for n in range(len(wedge.channels))
    ]
    suggestion = suggest(
        captures, limits, reference=read_capture(str(wedge.reference), kind=made), thinning=amount
    )
    options.emit_suggestion(
        suggestion, plot_path=None, html_path=html_path, json_path=json_path, force=force
    )


def _stage_plan(
    measured: Path, say: Say, html_path: str | None, json_path: str | None, *, force: bool
) -> None:
    from shaping.stage.description.stage_file import load_stage
    from shaping.stage.plan_stage import plan_stage, read_stage
    from shaping.stage.to_json import stage_plan_to_json

    say("Planning the stage")
    stage = load_stage(measured)
    planned = plan_stage(stage, read_stage(stage))
    if json_path:
        options.emit_json(stage_plan_to_json(planned.plan), json_path, force=force)
    if html_path:
        from shaping.output import write_text
        from shaping.report.stage_page import stage_page

        write_text(html_path, stage_page(planned), force=force)
    if json_path != options.STDOUT:
        from rich.console import Console

        from shaping.report.stage_terminal import print_stage

        print_stage(planned.plan, Console())
        options.tell_written(html_path, json_path)
