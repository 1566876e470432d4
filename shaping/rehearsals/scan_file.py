"""Scanning one file: all channels in one reading pass, in bounded memory.

Runs in a worker; takes and returns plain picklable values.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.capture.audio import inspect, read_blocks
from shaping.errors import CaptureError
from shaping.rehearsals.detector import Candidate, Detector
from shaping.rehearsals.events import Event
from shaping.rehearsals.judging import events_of

BLOCK_FRAMES = 65_536


@dataclass(frozen=True, slots=True)
class FileScan:
    """What the scan of one file found.

    Attributes
    ----------
    sample_rate_hz, channels : int
        Of the file; 0 when it could not be read.
    duration_s : float
        Scanned length.
    events : tuple of Event
        In order of channel and time.
    problem : str or None
        Why the file could not be scanned, or not to its end, in one sentence.
    """

    sample_rate_hz: int
    channels: int
    duration_s: float
    events: tuple[Event, ...]
    problem: str | None = None


def scan_file(path: str, block_frames: int = BLOCK_FRAMES) -> FileScan:
    """Scan one recording; damage is reported, not raised, and what comes before it counts."""
    try:
        info = inspect(path)
    except CaptureError as error:
        return FileScan(0, 0, 0.0, (), str(error))
    detectors = [Detector(info.sample_rate_hz) for _ in range(info.channels)]
    candidates: list[list[Candidate]] = [[] for _ in detectors]
    frames = 0
    problem = None
    try:
        for block in read_blocks(path, block_frames=block_frames):
            frames += len(block)
            for channel, detector in enumerate(detectors):
                candidates[channel] += detector.feed(_finite(block[:, channel]))
    except CaptureError as error:
        problem = str(error)
    for channel, detector in enumerate(detectors):
        candidates[channel] += detector.finish()
    events = [
        event
        for channel, found in enumerate(candidates, start=1)
        for event in events_of(found, channel=channel)
    ]
    duration_s = frames / info.sample_rate_hz
    return FileScan(info.sample_rate_hz, info.channels, duration_s, tuple(events), problem)


def _finite(samples: NDArray[np.float32]) -> NDArray[np.float32]:
    """Damaged samples count as silence."""
    total = float(samples.sum())
    if np.isfinite(total):
        return np.ascontiguousarray(samples)
    return np.nan_to_num(samples, nan=0.0, posinf=0.0, neginf=0.0)
