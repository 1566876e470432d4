"""What turns a recording into levels: tones on files, or a stated sensitivity.

Conventions: as in `shaping.analysis.exposure.calibration`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.exposure.calibration import (
    CALIBRATOR_HZ,
    LONGEST_TONE_S,
    Tone,
    measure_tone,
    refuse_other_format,
    sensitivity_of,
)
from shaping.capture.audio import RecordingInfo, inspect, loudest_channel, read_blocks
from shaping.errors import CaptureError, ParameterError
from shaping.text.durations import duration_text
from shaping.text.names import shown

FULL_SCALE_DB = (60.0, 180.0)
"""Where a full-scale sine of mic and recorder can lie."""

_SINE_DB = 10 * math.log10(2.0)  # a sine's peak over its rms value


@dataclass(frozen=True, slots=True)
class Calibration:
    """What turns a recording into levels.

    Attributes
    ----------
    sensitivity_db : float
        Sound pressure level of a mean square of 1.
    calibrator_db : float
        Level of the calibrator; NaN where a sensitivity was stated.
    tones : tuple of Tone
        As recorded; empty where a sensitivity was stated.
    channel : int or None
        Channel that the tone was on.
    """

    sensitivity_db: float
    calibrator_db: float
    tones: tuple[Tone, ...]
    channel: int | None

    @property
    def stated(self) -> bool:
        """Whether nothing was measured on the day."""
        return not self.tones


def calibrate(
    recording: RecordingInfo,
    tone_paths: Sequence[str],
    *,
    calibrator_db: float,
    calibrator_hz: float = CALIBRATOR_HZ,
    channel: int | None = None,
) -> Calibration:
    """Return what calibration tones say of a recording.

    Parameters
    ----------
    recording : RecordingInfo
        The recording that the tones belong to.
    tone_paths : sequence of str
        Files of one tone, or of those before and after.
    calibrator_db, calibrator_hz : float
        Level and frequency of the calibrator.
    channel : int, optional
        Channel counted from 1; the loudest of the first tone if not given.

    Raises
    ------
    CaptureError
        If a tone is wrong (see `measure_tone`), or was recorded otherwise than the recording.
    ParameterError
        If no calibrator has such a level.
    """
    tones = []
    for path in tone_paths:
        info = inspect(path)
        if info.duration_s > LONGEST_TONE_S:
            raise CaptureError(
                f"{shown(path)}: {duration_text(info.duration_s)} is too long for a calibration "
                "tone; cut out the 10 s with the calibrator on the mic"
            )
        refuse_other_format(recording, info)
        if channel is None:
            channel = loudest_channel(info)
        refuse_no_channel(info, channel)
        tones.append(
            measure_tone(
                np.concatenate(list(one_channel(info, channel))),
                info.sample_rate_hz,
                path=info.path,
                channel=channel,
                expected_hz=calibrator_hz,
            )
        )
    return Calibration(sensitivity_of(tones, calibrator_db), calibrator_db, tuple(tones), channel)


def stated_sensitivity(full_scale_sine_db: float) -> Calibration:
    """Return a sensitivity that somebody states: the level of a sine that touches full scale.

    Raises
    ------
    ParameterError
        If no mic and recorder have such a one.
    """
    low, high = FULL_SCALE_DB
    if not low <= full_scale_sine_db <= high:
        raise ParameterError(
            f"a full-scale sine lies between {low:g} and {high:g} dB SPL, not at "
            f"{full_scale_sine_db:g}; take it from the recorder's and the mic's papers"
        )
    return Calibration(full_scale_sine_db + _SINE_DB, math.nan, (), None)


def one_channel(info: RecordingInfo, channel: int) -> Iterator[NDArray[np.float32]]:
    """Yield one channel of a recording by blocks.

    Raises
    ------
    CaptureError
        If samples are no numbers, or as `read_blocks`.
    """
    for block in read_blocks(info):
        samples = np.ascontiguousarray(block[:, channel - 1])
        if not np.isfinite(samples).all():
            raise CaptureError(
                f"{shown(info.path)}: channel {channel} holds samples that are not numbers, so it "
                "has no level; export it again"
            )
        yield samples


def refuse_no_channel(info: RecordingInfo, channel: int) -> None:
    """Refuse a channel that is not there.

    Raises
    ------
    CaptureError
        If there are fewer.
    """
    if not 1 <= channel <= info.channels:
        raise CaptureError(
            f"{shown(info.path)}: there is no channel {channel}; it has {info.channels}, counted "
            "from 1"
        )
