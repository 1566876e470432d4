"""``shaping signal feeds``: one test signal for all in-ear packs at once."""

from __future__ import annotations

import json

import click
from click.core import ParameterSource

from shaping.cli import options
from shaping.text.names import shown

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
