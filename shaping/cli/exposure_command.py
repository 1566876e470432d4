"""``shaping exposure``: levels and doses, only from a calibrated recording."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from shaping.cli import options

if TYPE_CHECKING:
    from shaping.analysis.exposure.exposure import Exposure

_EXAMPLES = """
\b
Example:
  shaping exposure audio_samples/levels/rehearsal.flac \\
    --calibration audio_samples/levels/calibrator.flac
"""


@click.command("exposure", epilog=_EXAMPLES)
@click.argument("recording")
@click.option(
    "--calibration",
    "tones",
    multiple=True,
    metavar="FILE",
    help="The calibrator's tone, recorded with the same mic and gain; once more for the one "
    "recorded afterwards.",
)
@click.option(
    "--calibrator",
    "calibrator_db",
    type=float,
    default=94.0,
    show_default=True,
    metavar="DB",
    help="Level of the calibrator.",
)
@click.option(
    "--calibrator-hz",
    type=click.FloatRange(100.0, 4000.0),
    default=1000.0,
    show_default=True,
    metavar="HZ",
    help="Frequency of the calibrator.",
)
@click.option(
    "--sensitivity",
    "full_scale_db",
    type=float,
    metavar="DB",
    help="In place of a tone: the sound pressure level of a sine that touches full scale.",
)
@click.option(
    "--mic-class",
    type=click.Choice(["1", "2", "unknown"]),
    default="unknown",
    show_default=True,
    help="Class of mic and recorder (IEC 61672-1): how sure the levels are.",
)
@click.option(
    "--in-ear",
    "ear",
    type=click.Choice(["ear-simulator", "coupler", "electrical"]),
    help="An in-ear was recorded: on what. A pack's output (electrical) has no level at the ear.",
)
@options.channel_option
@click.option("--plot", "plot_path", metavar="FILE", help="Draw it: .png, .svg or .pdf.")
@options.html_option
@options.json_option
@options.force_option
def command(
    recording: str,
    tones: tuple[str, ...],
    calibrator_db: float,
    calibrator_hz: float,
    full_scale_db: float | None,
    mic_class: str,
    ear: str | None,
    channel: int | None,
    plot_path: str | None,
    html_path: str | None,
    json_path: str | None,
    force: bool,
) -> int:
    """Tell how loud a RECORDING was, and what published documents say of such levels.

    Only a recording with a calibrator's tone, or a stated sensitivity, has a level; the gain must
    not have been touched. How loud and how long is safe is for local codes and qualified people to
    say.

    Exit code 3: the recording alone reaches a value of one of the documents.
    """
    from shaping.analysis.exposure.calibrated import (
        calibrate,
        one_channel,
        refuse_no_channel,
        stated_sensitivity,
    )
    from shaping.analysis.exposure.ear import EarMeasurement, refuse_electrical
    from shaping.analysis.exposure.exposure import measure_exposure
    from shaping.analysis.exposure.shares import Howl
    from shaping.analysis.exposure.uncertainty import MicClass
    from shaping.capture.audio import inspect, loudest_channel
    from shaping.rehearsals.scanning.one_channel import sure_howls

    options.check_outputs([plot_path, html_path, json_path], force=force)
    if bool(tones) == (full_scale_db is not None):
        raise click.UsageError(
            "levels need either --calibration (a calibrator's tone) or --sensitivity; an "
            "uncalibrated recording has none"
            if not tones
            else "give --calibration or --sensitivity, not both"
        )
    where = EarMeasurement(ear) if ear else None
    if where is not None:
        refuse_electrical(where)
    info = inspect(recording)
    if full_scale_db is None:
        calibration = calibrate(
            info, tones, calibrator_db=calibrator_db, calibrator_hz=calibrator_hz, channel=channel
        )
    else:
        calibration = stated_sensitivity(full_scale_db)
    number = channel or calibration.channel or loudest_channel(info)
    refuse_no_channel(info, number)
    howls = [
        Howl(one.start_s, one.stop_s, one.frequency_hz)
        for one in sure_howls(one_channel(info, number), info.sample_rate_hz, channel=number)
    ]
    exposure = measure_exposure(
        info, calibration, channel=number, mic_class=MicClass(mic_class), ear=where, howls=howls
    )
    _emit(exposure, plot_path, html_path, json_path, force=force)
    return 3 if exposure.any_passed else 0


def _emit(
    exposure: Exposure,
    plot_path: str | None,
    html_path: str | None,
    json_path: str | None,
    *,
    force: bool,
) -> None:
    if json_path:
        from shaping.analysis.exposure.to_json import exposure_to_json
        from shaping.capture.cautions import MEASURED_LEVELS

        options.emit_json(exposure_to_json(exposure, MEASURED_LEVELS), json_path, force=force)
    if plot_path:
        from shaping.report.figures.levels import levels_figure
        from shaping.report.figures.whole import save_figure

        save_figure(levels_figure(exposure), plot_path, force=force)
    if html_path:
        from shaping.output import write_text
        from shaping.report.exposure.page import exposure_page

        write_text(html_path, exposure_page(exposure), force=force)
    if json_path != options.STDOUT:
        from rich.console import Console

        from shaping.report.exposure.terminal import print_exposure

        print_exposure(exposure, Console())
        options.tell_written(plot_path, html_path, json_path)
