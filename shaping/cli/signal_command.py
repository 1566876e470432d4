"""``shaping signal``: test signals to play through a wedge."""

from __future__ import annotations

import json

import click

from shaping.cli import options
from shaping.text.names import shown

_EXAMPLES = """
\b
Examples:
  shaping signal pink-noise noise.wav
  shaping signal sweep sweep.wav --duration 20 --level -24
  shaping signal feeds feeds.wav
"""


@click.command("signal", epilog=_EXAMPLES)
@click.argument("kind", type=click.Choice(["pink-noise", "sweep", "feeds"]))
@click.argument("path", metavar="FILE")
@click.option(
    "--duration", "duration_s", type=float, default=30.0, show_default=True, help="Length, s."
)
@click.option(
    "--level",
    "level_dbfs",
    type=float,
    default=-30.0,
    show_default=True,
    help="Level (rms), dB re full scale.",
)
@click.option(
    "--rate", "sample_rate_hz", type=int, default=48_000, show_default=True, help="Sample rate, Hz."
)
@click.option("--low", "low_hz", type=float, default=40.0, show_default=True, help="Lowest, Hz.")
@click.option(
    "--high", "high_hz", type=float, default=16_000.0, show_default=True, help="Highest, Hz."
)
@click.option("--fade", "fade_s", type=float, help="Fades, s; 0.5 for noise, 0.05 for a sweep.")
@click.option("--seed", type=int, default=0, show_default=True, help="Chooses the noise.")
@options.json_option
@options.force_option
def command(
    kind: str,
    path: str,
    duration_s: float,
    level_dbfs: float,
    sample_rate_hz: int,
    low_hz: float,
    high_hz: float,
    fade_s: float | None,
    seed: int,
    json_path: str | None,
    force: bool,
) -> None:
    """Make a test signal as a 24-bit WAV file, quiet on purpose.

    Mute the mic everywhere (mains, every wedge, in-ears, stream), play it through the wedge from
    silence up to the level of loud speech, record the mic before the mute, and give both files to
    `shaping suggest --reference`: a ring-out without a howl.

    The signal of feeds goes into all in-ear packs at once, off the ears (`shaping feeds`); only
    --level and --rate change it.
    """
    from shaping.capture import cautions, signals

    options.check_outputs([path, json_path], force=force)
    if kind == "feeds":
        from shaping.cli.feeds_command import write_feeds_signal

        write_feeds_signal(click.get_current_context(), path, json_path, force=force)
        return
    chosen = signals.SignalKind(kind)
    if chosen is signals.SignalKind.PINK_NOISE:
        samples = signals.pink_noise(
            duration_s,
            sample_rate_hz=sample_rate_hz,
            level_dbfs=level_dbfs,
            seed=seed,
            low_hz=low_hz,
            high_hz=high_hz,
            fade_s=0.5 if fade_s is None else fade_s,
        )
    else:
        samples = signals.exponential_sweep(
            duration_s,
            sample_rate_hz=sample_rate_hz,
            level_dbfs=level_dbfs,
            low_hz=low_hz,
            high_hz=high_hz,
            fade_s=0.05 if fade_s is None else fade_s,
        )
    signals.write_signal(path, samples, sample_rate_hz, force=force)
    facts = {
        "path": path,
        "kind": kind,
        "sample_rate_hz": sample_rate_hz,
        "duration_s": round(samples.size / sample_rate_hz, 6),
        "level_dbfs": level_dbfs,
        "peak_dbfs": round(signals.peak_dbfs(chosen, level_dbfs), 2),
        "low_hz": low_hz,
        "high_hz": high_hz,
        "seed": seed,
        "cautions": list(cautions.TEST_SIGNAL),
    }
    if json_path:
        options.emit_json(json.dumps(facts, indent=2), json_path, force=force)
    if json_path == options.STDOUT:
        return
    click.echo(
        f"{shown(path)}: {facts['duration_s']:.1f} s of {kind.replace('-', ' ')}, {low_hz:g} Hz to "
        f"{high_hz:g} Hz, {level_dbfs:g} dBFS (rms)"
        f" (peaks never above {facts['peak_dbfs']:g} dBFS)."
    )
    click.echo("\nBefore you play it:")
    for caution in (*cautions.TEST_SIGNAL, cautions.EXPOSURE):
        click.echo(click.wrap_text(f"- {caution}", 78, "  ", "    "))
