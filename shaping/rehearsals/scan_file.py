"""Scanning one file: all channels in one reading pass, in bounded memory.

Runs in a worker; takes and returns plain picklable values.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.capture.audio import inspect, read_blocks
from shaping.errors import CaptureError
from shaping.rehearsals.detector import Candidate, Detector
from shaping.rehearsals.events import Event
from shaping.rehearsals.model import (
    LISTED,
    confidence_of,
    reason_for,
    weighed,
)

BLOCK_FRAMES = 65_536

_GAP_S = 0.6
"""A howl that breaks off for less than this is one event."""

_SAME_RATIO = 1.01
_MULTIPLES = range(2, 9)


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


def events_of(
    candidates: Iterable[Candidate], *, channel: int, listed: float = LISTED
) -> list[Event]:
    """Join what belongs together and return the events worth listing, in order of time.

    Parameters
    ----------
    candidates : iterable of Candidate
        All candidates of one channel of one file.
    channel : int
        Counted from 1.
    listed : float
        Least confidence of what is returned.

    Returns
    -------
    list of Event
    """
    distinct = without_harmonics(joined(candidates))
    evidence = weighed(
        [c.evidence for c, _ in distinct],
        [c.start_s for c, _ in distinct],
        [c.stop_s for c, _ in distinct],
        [c.features.frequency_hz for c, _ in distinct],
        [c.grew for c, _ in distinct],
    )
    events = []
    for (candidate, clipped), strength in zip(distinct, evidence, strict=True):
        confidence = confidence_of(strength)
        if confidence < listed:
            continue
        events.append(
            Event(
                channel=channel,
                start_s=candidate.start_s,
                duration_s=candidate.stop_s - candidate.start_s,
                frequency_hz=candidate.features.frequency_hz,
                growth_db_per_s=max(candidate.features.growth_db_per_s, 0.0),
                # A clipped tone is squarer than a sine, whose peak its level would be.
                peak_dbfs=min(candidate.features.peak_dbfs, 0.0),
                over_db=candidate.features.best_dominance_db,
                clipped=clipped,
                confidence=confidence,
                reason=reason_for(candidate.features, confidence, clipped=clipped),
            )
        )
    return events


def _finite(samples: NDArray[np.float32]) -> NDArray[np.float32]:
    """Damaged samples count as silence."""
    total = float(samples.sum())
    if np.isfinite(total):
        return np.ascontiguousarray(samples)
    return np.nan_to_num(samples, nan=0.0, posinf=0.0, neginf=0.0)


def joined(candidates: Iterable[Candidate]) -> list[Candidate]:
    """Join candidates of one frequency that a short gap parts."""
    result: list[Candidate] = []
    for late in sorted(candidates, key=lambda c: (c.start_s, c.features.frequency_hz)):
        for index in range(len(result) - 1, -1, -1):
            early = result[index]
            ratio = late.features.frequency_hz / early.features.frequency_hz
            close = late.start_s - early.stop_s < _GAP_S
            if close and 1 / _SAME_RATIO < ratio < _SAME_RATIO:
                result[index] = early.joined(late)
                break
            if len(result) - index > 64:
                result.append(late)
                break
        else:
            result.append(late)
    return sorted(result, key=lambda c: (c.start_s, c.features.frequency_hz))


def without_harmonics(candidates: list[Candidate]) -> list[tuple[Candidate, bool]]:
    """Drop the harmonics of louder howls; tell which howls had them, for they clipped."""
    kept: list[tuple[Candidate, bool]] = []
    dropped: set[int] = set()
    clipped: set[int] = set()
    for i, low in enumerate(candidates):
        for j, high in enumerate(candidates):
            if i == j or high.features.peak_dbfs >= low.features.peak_dbfs:
                continue
            ratio = high.features.frequency_hz / low.features.frequency_hz
            if round(ratio) not in _MULTIPLES or abs(ratio / round(ratio) - 1) > 0.004:
                continue
            overlap = min(low.stop_s, high.stop_s) - max(low.start_s, high.start_s)
            if overlap > 0.5 * (high.stop_s - high.start_s) and low.evidence >= 0:
                dropped.add(j)
                clipped.add(i)
    for i, candidate in enumerate(candidates):
        if i not in dropped:
            kept.append((candidate, i in clipped))
    return kept
