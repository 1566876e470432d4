"""``shaping watch``: rings as they grow, on any number of inputs."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING

import click

from shaping.cli import options

if TYPE_CHECKING:
    from shaping.live.ring_out_steps import Progress
    from shaping.live.sources import Source
    from shaping.live.watching import Watch

_EXAMPLES = """
\b
Examples:
  shaping watch audio_samples/vocal_wedge_ring_out.flac --fast
  shaping watch --device DESK --inputs "lead=1, choir=2" --out rings.txt
  shaping watch --device DESK --inputs "lead=1" --until-quiet
"""

MOST_TOGETHER = 8
"""A ring-out keeps the last 30 s of every input: 46 MB of eight."""


@click.command("watch", epilog=_EXAMPLES)
@click.argument("recording", required=False, metavar="[RECORDING]")
@click.option("--device", metavar="NAME", help="The sound device, as `shaping devices` names it.")
@click.option(
    "--inputs",
    metavar="TEXT",
    help='Inputs to watch, such as "lead=1, choir=2"; all if not given.',
)
@click.option(
    "--rate", "sample_rate_hz", type=int, default=48_000, show_default=True, help="Sample rate, Hz."
)
@options.limits_option
@click.option(
    "--until-quiet",
    is_flag=True,
    help="Lead a ring-out: raise, pull down, dial in, raise again; ends with the plan.",
)
@click.option("--fast", is_flag=True, help="A recording as fast as it can be watched.")
@click.option("--seconds", "most_s", type=float, metavar="S", help="End after so long.")
@click.option("--out", "out_path", metavar="FILE", help="Write a plain log, a line for every ring.")
@options.json_option
@options.force_option
def command(
    recording: str | None,
    device: str | None,
    inputs: str | None,
    sample_rate_hz: int,
    limits_name: str,
    until_quiet: bool,
    fast: bool,
    most_s: float | None,
    out_path: str | None,
    json_path: str | None,
    force: bool,
) -> int:
    """List rings as they grow: frequency, note, channel, growth, and the cut that would stop it.

    Watches inputs of a sound device, or a recording as if it were live. It plays nothing. q or
    Ctrl-C ends it; --out keeps a plain log.
    """
    from shaping.equaliser.limits_file import load_limits

    if (recording is None) == (device is None):
        raise click.UsageError("name a recording, or a sound device with --device")
    options.check_outputs([out_path, json_path], force=force)
    from shaping.live.ring_out_loop import lead_ring_out
    from shaping.live.screen.shows import Shows, watch_json
    from shaping.live.watch_log import watch_log
    from shaping.live.watching import watch

    limits = load_limits(limits_name)
    quiet = json_path == options.STDOUT
    led: Progress | None = None
    with contextlib.ExitStack() as stack:
        source, names = stack.enter_context(
            _source(recording, device, inputs, sample_rate_hz, fast=fast)
        )
        if until_quiet and len(names) > MOST_TOGETHER:
            raise click.UsageError(
                f"--until-quiet keeps what it hears: name at most {MOST_TOGETHER} --inputs"
            )
        log = stack.enter_context(watch_log(out_path, force=force))
        shows = Shows(source.name, names, log, quiet=quiet, leads=until_quiet)

        def look(seen: Watch, told: str = "") -> bool:
            return shows.look(seen, told) and (most_s is None or seen.now_s < most_s)

        with shows.running():
            if until_quiet:
                seen, led = lead_ring_out(
                    source, limits, keys=shows.keys, tell=shows.tell, look=look
                )
            else:
                seen = watch(source, limits, tell=shows.tell, look=look)
    if json_path:
        options.emit_json(watch_json(seen, names), json_path, force=force)
    if not quiet:
        _sum_up(seen, led)
        options.tell_written(out_path, json_path)
    return 0


@contextlib.contextmanager
def _source(
    recording: str | None, device: str | None, inputs: str | None, rate: int, *, fast: bool
) -> Iterator[tuple[Source, tuple[str, ...]]]:
    """Open what is watched; give it with the names of its channels."""
    from shaping.live.sources import device_source, file_source
    from shaping.live.wiring import mics_of

    given = mics_of(inputs) if inputs else {}
    chosen = tuple(n - 1 for n in given.values()) if given else None
    if recording is not None:
        paced = not fast and sys.stdout.isatty()
        source = file_source(recording, chosen, at_pace=paced)
        yield source, _names(given, source.inputs)
        return
    from shaping.errors import DeviceError
    from shaping.live.devices import find_device, list_devices

    found = find_device(list_devices(rates=False), device, for_command="watch")
    chosen = chosen if chosen is not None else tuple(range(found.inputs))
    if max(chosen) >= found.inputs:
        raise DeviceError(
            f"{found.name} has {found.inputs} inputs; there is none {max(chosen) + 1}"
        )
    with device_source(found, chosen, rate) as source:
        yield source, _names(given, chosen)


def _names(given: dict[str, int], chosen: tuple[int, ...]) -> tuple[str, ...]:
    return tuple(given) or tuple(f"channel {n + 1}" for n in chosen)


def _sum_up(seen: Watch, led: Progress | None) -> None:
    from shaping.text.durations import duration_text

    lost = seen.source.lost()
    if lost:
        click.echo(f"{lost} blocks were lost: what rang meanwhile may be missing.")
    sure = sum(told.shown.entry.certain for told in seen.told)
    if led is None:
        click.echo(f"Watched {duration_text(seen.now_s)}: {sure} certain rings were told.")
        return
    from rich.console import Console

    from shaping.live.ring_out_steps import summary
    from shaping.report.terminal import print_plan

    for line in summary(led):
        click.echo(line)
    if led.suggestion is not None:
        print_plan(led.suggestion, Console())
