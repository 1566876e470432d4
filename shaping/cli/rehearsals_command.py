"""``shaping rehearsals``: find feedback in many recordings."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import click

from shaping.cli import options

if TYPE_CHECKING:
    from rich.console import Console

    from shaping.rehearsals.results import Summary
    from shaping.rehearsals.scanning.work import Progress

_EXAMPLES = """
\b
Example:
  shaping rehearsals audio_samples --out found

\b
Exit codes:
  0  everything was scanned
  3  some recordings were not (a drive or a cluster went away): run again
  2  bad input or usage
"""

_NOT_SCANNED = 3  # somebody must act on what was found (DEVELOPERS.md)

_MOST_PROBLEMS = 20  # lines, as many as fit a terminal
_MOST_CHANNELS, _MOST_PLACES = 12, 3  # lines, and frequencies in each


@click.command("rehearsals", epilog=_EXAMPLES)
@click.argument("paths", nargs=-1, metavar="PATH...")
@click.option("--out", required=True, metavar="DIR", help="Folder for the results.")
@click.option(
    "--jobs", type=click.IntRange(min=1), metavar="N", help="Processes; all cores if not given."
)
@click.option(
    "--cluster", metavar="ADDRESS", help="Dask scheduler to work on (pip install shaping[cluster])."
)
@click.option(
    "--wait",
    "wait_s",
    type=click.FloatRange(min=0),
    default=60.0,
    show_default=True,
    metavar="SECONDS",
    help="How long to wait for the cluster and its workers.",
)
@click.option(
    "--names",
    metavar="NAMES|FILE",
    help='What the channels are called, as "1=lead vocal, 2=choir", or a TOML file; DIR/names.toml '
    "is taken if it is there.",
)
@click.option(
    "--leave-out",
    multiple=True,
    metavar="CHANNEL",
    help="Number or name of a channel that the results leave out; may be given again.",
)
@click.option("--retry", is_flag=True, help="Try damaged recordings again.")
@click.option(
    "--forget",
    multiple=True,
    metavar="PATH",
    help="Let go all results of a recording or a folder first; may be given again.",
)
@options.limits_option
@options.json_option
@options.force_option
def command(
    paths: tuple[str, ...],
    out: str,
    jobs: int | None,
    cluster: str | None,
    wait_s: float,
    names: str | None,
    leave_out: tuple[str, ...],
    retry: bool,
    forget: tuple[str, ...],
    limits_name: str,
    json_path: str | None,
    force: bool,
) -> int:
    """Find feedback in recordings: files and folders, any length, any number of channels.

    Writes events.csv, summary.json and report.html into DIR. A scan that was stopped goes on
    where it was when run again, and a scan of new recordings adds to what DIR holds.
    """
    from pathlib import Path

    from rich.console import Console

    from shaping.equaliser.limits_file import load_limits
    from shaping.rehearsals.archive.naming import naming_for
    from shaping.rehearsals.results import summary_to_dict
    from shaping.rehearsals.scan import Earlier, scan_rehearsals
    from shaping.rehearsals.scanning.executors import Cluster

    if not paths and not forget:
        raise click.UsageError("Missing argument 'PATH...'.")
    options.check_outputs([json_path], force=force)
    limits = load_limits(limits_name)
    naming = naming_for(Path(out), names, leave_out)
    with _Bar(Console(stderr=True)) as bar:
        summary = scan_rehearsals(
            paths,
            out,
            jobs=jobs if cluster is None else Cluster(cluster, wait_s),
            progress=bar.update,
            limits=limits,
            naming=naming,
            earlier=Earlier(retry, forget),
        )
    if json_path:
        options.emit_json(json.dumps(summary_to_dict(summary), indent=2), json_path, force=force)
    if json_path != options.STDOUT:
        _print(summary, Console())
    return _NOT_SCANNED if summary.unscanned else 0


class _Bar:
    """A progress bar with time left; silent where stderr is no terminal."""

    def __init__(self, console: Console) -> None:
        from rich.progress import BarColumn, Progress, TextColumn

        self._bar = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            TextColumn("{task.fields[files]}"),
            TextColumn("{task.fields[left]}"),
            console=console,
            disable=not console.is_terminal,
        )
        self._task = self._bar.add_task("Scanning", total=None, files="", left="")

    def __enter__(self) -> _Bar:
        if not self._bar.disable:  # older releases of rich print an empty line all the same
            self._bar.start()
        return self

    def __exit__(self, *failure: object) -> None:
        self._bar.stop()

    def update(self, done: Progress) -> None:
        """Show how far the scan is, and what is waited for."""
        from rich.text import Text

        from shaping.text.durations import duration_text

        if done.note:
            self._bar.console.print(Text(done.note), highlight=False)
        left = done.remaining_s
        self._bar.update(
            self._task,
            total=done.audio_total_s or 1.0,
            completed=done.audio_done_s,
            files=f"{done.files_done} of {done.files_total} files",
            left="" if left is None else f"about {duration_text(left)} left",
        )


def _print(summary: Summary, console: Console) -> None:
    from rich.text import Text

    from shaping.report.terminal_text import Column, rows, wrapped
    from shaping.text.durations import duration_text
    from shaping.text.frequency import frequency_text
    from shaping.text.names import shown

    def say(text: str) -> None:
        console.print(Text(wrapped(text, console.width)))

    files = f"{summary.files} recording{'' if summary.files == 1 else 's'}"
    length = duration_text(3600 * summary.hours)
    say(
        f"{files}, {length} counting each channel: {summary.events} feedback "
        f"event{'' if summary.events == 1 else 's'}, {summary.possible} possible."
    )
    ringing = [channel for channel in summary.channels if channel.recurring]
    ringing.sort(key=lambda channel: -channel.events)
    if ringing:
        rows(
            console,
            (Column("Channel", leads=True), Column("Comes back at"), Column("Times", right=True)),
            [
                (
                    "" if index else shown(channel.name),
                    frequency_text(recurring.frequency_hz),
                    str(recurring.events),
                )
                for channel in ringing[:_MOST_CHANNELS]
                for index, recurring in enumerate(channel.recurring[:_MOST_PLACES])
            ],
        )
    if len(ringing) > _MOST_CHANNELS:
        say(f"and {len(ringing) - _MOST_CHANNELS} more channels; see the page")
    told = [*summary.unscanned, *summary.problems, *summary.notes]
    for line in told[:_MOST_PROBLEMS]:
        console.print(Text(f"! {shown(line)}"), soft_wrap=True)
    if len(told) > _MOST_PROBLEMS:
        say(f"! and {len(told) - _MOST_PROBLEMS} more; see summary.json")
    if summary.unscanned:
        count = len(summary.unscanned)
        say(f"{count} recording{' was' if count == 1 else 's were'} not scanned: run again.")
    console.print(Text(f"Open {summary.out / 'report.html'}"))
