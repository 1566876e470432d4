"""``shaping feeds``, and its test signal, ``shaping signal feeds``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from shaping.cli import options
from shaping.text.names import shown

if TYPE_CHECKING:
    from shaping.analysis.feeds.files.feeds_form import FeedsForm
    from shaping.analysis.feeds.findings import Feed
    from shaping.report.feeds.words import FeedsReport

FAILED = 3
"""Exit code where a feed fails: somebody must act before the packs go on."""

_EXAMPLES = """
\b
Examples:
  shaping signal feeds feeds.wav
  shaping feeds audio_samples/packs/packs.flac --reference audio_samples/packs/feeds.flac \\
    --names audio_samples/packs/packs.toml
  shaping feeds new packs.toml
"""


@click.command("feeds", epilog=_EXAMPLES)
@click.argument("words", nargs=-1, required=True, metavar="RECORDING... | new FILE.toml")
@click.option("--reference", metavar="FILE", help="What was played: see shaping signal feeds.")
@click.option(
    "--known", "known_path", metavar="GOOD.json", help="The last good state to hold the feeds to."
)
@click.option(
    "--save-known",
    is_flag=True,
    help="Keep the sound feeds of this run in the file of --known; with --force if it exists.",
)
@click.option(
    "--names",
    "names_path",
    metavar="FILE",
    help="A packs file (TOML): names, channels and thresholds.",
)
@click.option("--mono", is_flag=True, help="Every channel is a pack of its own.")
@click.option(
    "--together", is_flag=True, help="The recordings were started together, so delays compare."
)
@click.option("--plot", "plot_path", metavar="FILE", help="Draw the feeds: .png, .svg or .pdf.")
@options.html_option
@options.json_option
@options.force_option
def command(
    words: tuple[str, ...],
    reference: str | None,
    known_path: str | None,
    save_known: bool,
    names_path: str | None,
    mono: bool,
    together: bool,
    plot_path: str | None,
    html_path: str | None,
    json_path: str | None,
    force: bool,
) -> int:
    """Say which in-ear packs have a dead, faint, swapped or otherwise faulty feed.

    Take all packs off the ears. Play the file of "shaping signal feeds" left and right into every
    pack's mix, and record each pack's output by a cable at one and the same gain, the pack's
    volume where it is used: one recording per pack, or many packs as channels of one. Exit code 3
    if a feed fails.
    """
    if words[0] == "new":
        _write_example(words[1:], force=force)
        return 0
    if reference is None:
        raise click.UsageError("say what was played with --reference FILE (shaping signal feeds)")
    if save_known and known_path is None:
        raise click.UsageError("--save-known needs --known FILE, where to keep it")
    from shaping.analysis.feeds.files.known import known_feeds, load_known
    from shaping.analysis.feeds.verdict.judge import judge
    from shaping.report.feeds.words import FeedsReport

    kept = known_path if save_known else None
    options.check_outputs([plot_path, html_path, json_path, kept], force=force)
    last = None
    if known_path is not None and not (save_known and not Path(known_path).exists()):
        last = load_known(known_path)
    measures, signal, thresholds = _measured(words, reference, names_path, mono, together)
    feeds = judge(measures, thresholds, known=known_feeds(last) if last else None)
    report = FeedsReport(feeds, thresholds, reference, signal, known_path if last else None)
    result = _result(report)
    if json_path:
        options.emit_json(_text(result), json_path, force=force)
    if kept is not None:
        _keep(kept, result, feeds, last, force=force)
    _emit(report, plot_path, html_path, force=force)
    if json_path != options.STDOUT:
        from rich.console import Console

        from shaping.report.feeds.terminal import print_feeds

        print_feeds(report, Console())
        options.tell_written(plot_path, html_path, json_path, kept)
    return FAILED if any(one.failing for one in feeds) else 0


def _measured(
    words: tuple[str, ...], reference: str, names_path: str | None, mono: bool, together: bool
) -> Any:
    from shaping.analysis.feeds.files.packs_file import load_packs, packs_of
    from shaping.analysis.feeds.measure import measure_packs, read_signal
    from shaping.analysis.feeds.thresholds import Thresholds
    from shaping.capture.audio import inspect

    if len(set(words)) < len(words):
        raise click.UsageError("a recording is named twice")
    form = load_packs(names_path) if names_path else None
    signal = read_signal(reference)
    counts = [(path, inspect(path).channels) for path in words]
    packs = packs_of(counts, form, mono=mono, together=together)
    return measure_packs(packs, signal), signal, form.thresholds if form else Thresholds()


def _result(report: FeedsReport) -> dict[str, Any]:
    from shaping.analysis.feeds.files.to_json import feeds_to_dict
    from shaping.report.feeds.words import cautions

    return feeds_to_dict(
        report.feeds,
        reference=report.reference,
        signal=report.signal,
        thresholds=report.thresholds,
        cautions=cautions(report),
    )


def _text(result: dict[str, Any]) -> str:
    return json.dumps(result, indent=2, allow_nan=False) + "\n"


def _keep(
    path: str,
    result: dict[str, Any],
    feeds: tuple[Feed, ...],
    last: FeedsForm | None,
    *,
    force: bool,
) -> None:
    from shaping.analysis.feeds.files.known import state_to_json
    from shaping.output import write_text

    write_text(path, state_to_json(result, feeds, last), force=force)


def _emit(
    report: FeedsReport, plot_path: str | None, html_path: str | None, *, force: bool
) -> None:
    if plot_path:
        from shaping.report.feeds.figure import feeds_figure
        from shaping.report.figures.whole import save_figure

        save_figure(feeds_figure(report), plot_path, force=force)
    if html_path:
        from shaping.output import write_text
        from shaping.report.feeds.page import feeds_page

        write_text(html_path, feeds_page(report), force=force)


def _write_example(words: tuple[str, ...], *, force: bool) -> None:
    from shaping.analysis.feeds.files.packs_file import PACKS_EXAMPLE
    from shaping.output import write_text

    if len(words) != 1:
        raise click.UsageError("name the file to write: shaping feeds new FILE.toml")
    write_text(words[0], PACKS_EXAMPLE, force=force)
    options.tell_written(words[0])
    click.echo("Next: put in your packs, then: shaping feeds RECORDING... --names " + words[0])


_FIXED = ("duration_s", "low_hz", "high_hz", "fade_s", "seed")


def write_feeds_signal(
    context: click.Context, path: str, json_path: str | None, *, force: bool
) -> None:
    """Write the test signal, and say how it is used.

    Parameters
    ----------
    context : click Context
        Of ``shaping signal``: its level and rate.
    path : str
        The file to write.
    json_path : str or None
        Where its facts go.
    force : bool
        Whether files are replaced.
    """
    from shaping.analysis.feeds.played import FEEDS_LEVEL_DBFS, STEPS_DB, feeds_signal
    from shaping.capture import cautions, signals

    fixed = [
        name for name in _FIXED if context.get_parameter_source(name) is not ParameterSource.DEFAULT
    ]
    if fixed:
        raise click.UsageError(
            "the signal of feeds is always the same but for --level and --rate, so that it is "
            "found again in the recordings"
        )
    rate = int(context.params["sample_rate_hz"])
    given = context.get_parameter_source("level_dbfs") is not ParameterSource.DEFAULT
    level_dbfs = float(context.params["level_dbfs"]) if given else FEEDS_LEVEL_DBFS
    samples = feeds_signal(sample_rate_hz=rate, level_dbfs=level_dbfs)
    signals.write_signal(path, samples, rate, force=force)
    facts = {
        "path": path,
        "kind": "feeds",
        "sample_rate_hz": rate,
        "duration_s": round(len(samples) / rate, 6),
        "level_dbfs": level_dbfs,
        "loudest_dbfs": level_dbfs + STEPS_DB[-1],
        "cautions": list(cautions.FEEDS),
    }
    if json_path:
        options.emit_json(json.dumps(facts, indent=2), json_path, force=force)
    if json_path == options.STDOUT:
        return
    click.echo(
        f"{shown(path)}: {facts['duration_s']:.0f} s, left and right, at {level_dbfs:g} dBFS "
        f"(rms), at most {facts['loudest_dbfs']:g} dBFS: one burst left and two right, a pause, "
        "steps from soft to loud, left alone, right alone, both, two louder steps, the bursts "
        "again."
    )
    click.echo("\nBefore you play it:")
    for caution in (*cautions.FEEDS, cautions.SAFE_LEVELS):
        click.echo(click.wrap_text(f"- {caution}", 78, "  ", "    "))
    click.echo("\nThen:")
    for step in (
        "Send left and right of it to left and right of every pack's mix, all at one gain.",
        "Record the output of each pack by a cable, from before the first burst to after the "
        "last, at one input gain, the volume of each pack where it is used.",
        f"shaping feeds RECORDING... --reference {shown(path)}",
    ):
        click.echo(click.wrap_text(f"- {step}", 78, "  ", "    "))
