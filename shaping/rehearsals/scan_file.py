"""From the candidates of a recording's pieces to its events."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from shaping.capture.audio import RecordingInfo, inspect
from shaping.errors import CaptureError
from shaping.rehearsals.detector import Candidate
from shaping.rehearsals.events import Event
from shaping.rehearsals.model import (
    LISTED,
    confidence_of,
    evidence_in_context,
    reason_for,
)
from shaping.rehearsals.pieces import BLOCK_FRAMES, PieceScan, pieces_of, scan_piece
from shaping.text.durations import moment_text
from shaping.text.sentences import listing

_GAP_S = 0.6
"""A howl that breaks off for less than this is one event."""

_SAME_RATIO = 1.01
_MULTIPLES = range(2, 9)


@dataclass(frozen=True, slots=True)
class FileScan:
    """What the scan of one file found.

    Attributes
    ----------
    sample_rate_hz, channels, frames : int
        Of the file, frames as far as they were read; 0 when it could not be read.
    duration_s : float
        Scanned length.
    events : tuple of Event
        In order of channel and time.
    problem : str or None
        What is damaged in the file, so that it could not be scanned, or not all of it.
    notes : tuple of str
        What else should be known of it: that it was cut short, or holds samples that are no audio.
    audio : str
        Digest of the decoded samples; empty where they are all zero.
    """

    sample_rate_hz: int
    channels: int
    frames: int
    duration_s: float
    events: tuple[Event, ...]
    problem: str | None = None
    notes: tuple[str, ...] = ()
    audio: str = ""


def scan_file(path: str, block_frames: int = BLOCK_FRAMES) -> FileScan:
    """Scan one recording here; damage is reported, not raised, and what is whole counts."""
    try:
        info = inspect(path)
    except CaptureError as error:
        return damaged(str(error))
    return assembled(info, [scan_piece(piece, block_frames) for piece in pieces_of(info)])


def damaged(problem: str) -> FileScan:
    """Return the scan of a file of which nothing can be read."""
    return FileScan(0, 0, 0, 0.0, (), problem)


def assembled(info: RecordingInfo, pieces: Sequence[PieceScan]) -> FileScan:
    """Join the scans of all pieces of a recording, in their order."""
    frames = sum(piece.frames for piece in pieces)
    digest = hashlib.blake2b(f"{info.sample_rate_hz} {info.channels}".encode(), digest_size=12)
    for piece in pieces:
        digest.update(piece.digest.encode() + b";")
    return FileScan(
        sample_rate_hz=info.sample_rate_hz,
        channels=info.channels,
        frames=frames,
        duration_s=frames / info.sample_rate_hz,
        events=tuple(
            event
            for channel in range(1, info.channels + 1)
            for event in events_of(
                (c for piece in pieces for number, c in piece.candidates if number == channel),
                channel=channel,
            )
        ),
        problem=next((piece.damage for piece in pieces if piece.damage), None),
        notes=_notes(info, pieces),
        audio=digest.hexdigest() if any(piece.digest for piece in pieces) else "",
    )


def _notes(info: RecordingInfo, pieces: Sequence[PieceScan]) -> tuple[str, ...]:
    notes = [info.cut_short] if info.cut_short else []
    broken: dict[int, int] = {}
    for piece in pieces:
        for channel, count in piece.broken:
            broken[channel] = broken.get(channel, 0) + count
    if broken:
        longest_s = max(broken.values()) / info.sample_rate_hz
        where = listing([str(channel) for channel in sorted(broken)])
        notes.append(
            f"Channel{'' if len(broken) == 1 else 's'} {where}: samples that are no audio (not a "
            f"number, or more than 60 dB over full scale), {moment_text(longest_s)} of them at "
            f"most, counted as silence."
        )
    return tuple(notes)


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
    joined = _without_harmonics(_joined(candidates))
    evidence = evidence_in_context(
        [c.evidence for c, _ in joined],
        [c.start_s for c, _ in joined],
        [c.features.frequency_hz for c, _ in joined],
    )
    events = []
    for (candidate, clipped), strength in zip(joined, evidence, strict=True):
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


def _joined(candidates: Iterable[Candidate]) -> list[Candidate]:
    """Join candidates of one frequency that a short gap parts."""
    result: list[Candidate] = []
    for late in sorted(candidates, key=lambda c: (c.start_s, c.features.frequency_hz)):
        for index in range(len(result) - 1, -1, -1):
            early = result[index]
            ratio = late.features.frequency_hz / early.features.frequency_hz
            close = late.start_s - early.stop_s < _GAP_S
            if close and 1 / _SAME_RATIO < ratio < _SAME_RATIO:
                surer = early if early.evidence >= late.evidence else late
                result[index] = Candidate(
                    early.start_s,
                    max(early.stop_s, late.stop_s),
                    surer.evidence,
                    surer.features,
                )
                break
            if len(result) - index > 64:
                result.append(late)
                break
        else:
            result.append(late)
    return sorted(result, key=lambda c: (c.start_s, c.features.frequency_hz))


def _without_harmonics(candidates: list[Candidate]) -> list[tuple[Candidate, bool]]:
    """Drop the harmonics of louder howls; tell which howls had them, for they clipped."""
    kept: list[tuple[Candidate, bool]] = []
    dropped: set[int] = set()
    clipped: set[int] = set()
    for first, early in enumerate(candidates):
        for second in range(first + 1, len(candidates)):
            late = candidates[second]
            if late.start_s >= early.stop_s:  # in order of time: none after it overlaps
                break
            for i, low, j, high in ((first, early, second, late), (second, late, first, early)):
                if _is_harmonic(low, high):
                    dropped.add(j)
                    clipped.add(i)
    for i, candidate in enumerate(candidates):
        if i not in dropped:
            kept.append((candidate, i in clipped))
    return kept


def _is_harmonic(low: Candidate, high: Candidate) -> bool:
    if high.features.peak_dbfs >= low.features.peak_dbfs or low.evidence < 0:
        return False
    ratio = high.features.frequency_hz / low.features.frequency_hz
    if round(ratio) not in _MULTIPLES or abs(ratio / round(ratio) - 1) > 0.004:
        return False
    overlap = min(low.stop_s, high.stop_s) - max(low.start_s, high.start_s)
    return overlap > 0.5 * (high.stop_s - high.start_s)
