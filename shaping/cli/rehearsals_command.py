"""``shaping rehearsals``: find feedback in many recordings."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import click

from shaping.cli import options

if TYPE_CHECKING:
    from rich.console import Console

    from shaping.rehearsals.results import Summary
    from shaping.rehearsals.scan import Progress

_EXAMPLES = """
\b
Example:
  shaping rehearsals audio_samples --out found
"""

_MOST_PROBLEMS = 20


@click.command("rehearsals", epilog=_EXAMPLES)
@click.argument("paths", nargs=-1, required=True, metavar="PATH...")
@click.option("--out", required=True, metavar="DIR", help="Folder for the results.")
@click.option(
    "--jobs", type=click.IntRange(min=1), metavar="N", help="Processes; all cores if not given."
)
@click.option(
    "--cluster", metavar="ADDRESS", help="Dask scheduler to work on (pip install shaping[cluster])."
)
@options.limits_option
@options.json_option
@options.force_option
def command(
    paths: tuple[str, ...],
    out: str,
    jobs: int | None,
    cluster: str | None,
    limits_name: str,
    json_path: str | None,
    force: bool,
) -> None:
    """Find feedback in recordings: files and folders, any length, any number of channels.

    Writes events.csv, summary.json and report.html into DIR. A scan that was stopped goes on
    where it was when run again, and a scan of new recordings adds to what DIR holds.
    """
    from rich.console import Console

    from shaping.equaliser.limits_file import load_limits
    from shaping.rehearsals.results import summary_to_dict
    from shaping.rehearsals.scan import scan_rehearsals

    options.check_outputs([json_path], force=force)
    limits = load_limits(limits_name)
    with _Bar(Console(stderr=True)) as bar:
        summary = scan_rehearsals(
            paths, out, jobs=jobs, cluster=cluster, progress=bar.update, limits=limits
        )
    if json_path:
        options.emit_json(json.dumps(summary_to_dict(summary), indent=2), json_path, force=force)
    if json_path != options.STDOUT:
        _print(summary, Console())


class _Bar:
    """A progress bar with time left; silent where stderr is no terminal."""

    def __init__(self, console: Console) -> None:
        from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

        self._bar = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            TextColumn("{task.fields[files]}"),
            TimeRemainingColumn(),
            console=console,
            disable=not console.is_terminal,
        )
        self._task = self._bar.add_task("Scanning", total=None, files="")

    def __enter__(self) -> _Bar:
        if not self._bar.disable:  # older releases of rich print an empty line all the same
            self._bar.start()
        return self

    def __exit__(self, *failure: object) -> None:
        self._bar.stop()

    def update(self, done: Progress) -> None:
        """Show how far the scan is."""
        self._bar.update(
            self._task,
            total=done.audio_total_s or 1.0,
            completed=done.audio_done_s,
            files=f"{done.files_done} of {done.files_total} files",
        )


def _print(summary: Summary, console: Console) -> None:
    from rich.text import Text

    from shaping.report.terminal_text import Column, rows, wrapped
    from shaping.text.durations import duration_text
    from shaping.text.frequency import frequency_text
    from shaping.text.names import shown

    files = f"{summary.files} recording{'' if summary.files == 1 else 's'}"
    length = duration_text(3600 * summary.hours)
    told = (
        f"{files}, {length} counting each channel: {summary.events} feedback "
        f"event{'' if summary.events == 1 else 's'}, {summary.possible} possible."
    )
    console.print(Text(wrapped(told, console.width)))
    ringing = [channel for channel in summary.channels if channel.recurring]
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
                for channel in ringing
                for index, recurring in enumerate(channel.recurring)
            ],
        )
    for problem in summary.problems[:_MOST_PROBLEMS]:
        console.print(Text(f"! {problem}"))
    if len(summary.problems) > _MOST_PROBLEMS:
        console.print(f"! and {len(summary.problems) - _MOST_PROBLEMS} more; see summary.json")
    console.print(Text(f"Open {summary.out / 'report.html'}"))
