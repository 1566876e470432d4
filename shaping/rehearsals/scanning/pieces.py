"""Pieces of recordings: the unit of work, small enough for a core, a progress bar and a restart.

A recording is cut in time, at places that depend on nothing but its sample rate. Each piece is
read from a few seconds before its start, so that a tone that crosses a seam is seen whole by one
side, and candidates that both sides see are joined later by `shaping.rehearsals.judging`.
Within a piece, a few channels are looked at in one reading, so that memory does not grow with
their number.

`scan_piece` runs in a worker: it takes and returns plain picklable values.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from shaping.capture.audio import RecordingInfo, inspect, read_blocks
from shaping.errors import CaptureError
from shaping.rehearsals.detector import Candidate, Detector
from shaping.rehearsals.features import Features

PlainT = TypeVar("PlainT", Candidate, Features)

BLOCK_FRAMES = 65_536  # 1.4 s at 48 kHz; no result depends on it

PIECE_S = 300.0
"""About; a fifth of a minute of every piece is read twice."""

LEAD_S = 10.0
"""A piece is read from this long before its start: longer than a tone is looked at in one go."""

_SETTLED_S = 2.5
"""After this long, what a detector says no longer depends on where it began."""

_SEAM_S = 0.25  # three frames: two pieces see the end of one tone no closer than that
_GRID_FRAMES = 8_192
"""Pieces begin at a multiple of this, which every grid of frames has in common."""

_AT_ONCE = 12
"""Channels looked at in one reading."""

_BLOCK_VALUES = 2**20
"""Most samples read at once, whatever the number of channels: 4 MB."""

_ABSURD = 1_000.0
"""Samples beyond 60 dB over full scale are no audio."""

_DIGEST_FRAMES = 512  # of every second, enough to tell two recordings apart


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of one file, in frames."""

    path: str
    first: int
    stop: int


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of a recording.

    Attributes
    ----------
    number : int
        Within the recording, from 0.
    span : Span
        What is its own.
    lead : Span or None
        What is read before it.
    last : bool
        Whether the recording ends with it.
    """

    number: int
    span: Span
    lead: Span | None
    last: bool


@dataclass(frozen=True, slots=True)
class PieceScan:
    """What the scan of one piece found; times count from the start of its file.

    Attributes
    ----------
    frames : int
        Read, the lead left out.
    candidates : tuple of (int, Candidate)
        Channel, from 1, and candidate.
    broken : dict of int to int
        By channel: samples that are no audio and count as silence.
    digest : str
        Of the decoded samples; empty where they are all zero.
    damage : str or None
        What is wrong with the file, in one sentence.
    failure : str or None
        Why it could not be read although nothing need be wrong with it.
    """

    frames: int = 0
    candidates: tuple[tuple[int, Candidate], ...] = ()
    broken: tuple[tuple[int, int], ...] = ()
    digest: str = ""
    damage: str | None = None
    failure: str | None = None

    def as_record(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "frames": self.frames,
            "candidates": [[channel, asdict(candidate)] for channel, candidate in self.candidates],
            "broken": [list(pair) for pair in self.broken],
            "digest": self.digest,
            "damage": self.damage,
        }

    @classmethod
    def from_record(cls, record: dict[str, Any]) -> PieceScan:
        """Return the scan of a record made by `as_record`.

        Raises
        ------
        KeyError, TypeError, ValueError
            If it is none, or one of another version.
        """
        return cls(
            frames=int(record["frames"]),
            candidates=tuple(
                (int(channel), Candidate(**values | {"features": Features(**values["features"])}))
                for channel, values in record["candidates"]
            ),
            broken=tuple((int(channel), int(count)) for channel, count in record["broken"]),
            digest=str(record["digest"]),
            damage=record["damage"],
        )


def pieces_of(info: RecordingInfo, before: Span | None = None) -> list[Piece]:
    """Cut a recording into pieces.

    Parameters
    ----------
    info : RecordingInfo
        The recording.
    before : Span, optional
        The end of the recording that it goes on from.
    """
    length = max(1, round(PIECE_S * info.sample_rate_hz / _GRID_FRAMES)) * _GRID_FRAMES
    # A short rest is no piece of its own.
    count = max(1, round(info.frames / length))
    pieces = []
    for number in range(count):
        first = number * length
        last = number == count - 1
        lead = before
        if number:
            lead = Span(info.path, first - _lead_frames(info.sample_rate_hz), first)
        stop = info.frames if last else first + length
        pieces.append(Piece(number, Span(info.path, first, stop), lead, last))
    return pieces


def end_of(info: RecordingInfo) -> Span:
    """Return the end of a recording, to be read before the one that goes on from it."""
    first = max(0, info.frames - _lead_frames(info.sample_rate_hz))
    # Whole frames of every grid, so that the next file's own grid begins at its start.
    first += (info.frames - first) % _GRID_FRAMES
    return Span(info.path, first, info.frames)


def scan_piece(piece: Piece, block_frames: int = BLOCK_FRAMES) -> PieceScan:
    """Scan one piece; damage and failures are reported, not raised."""
    try:
        with Path(piece.span.path).open("rb") as stream:
            stream.read(1)
    except OSError as error:
        return PieceScan(failure=error.strerror or str(error))
    try:
        info = inspect(piece.span.path)
        lead = None if piece.lead is None else _lead_info(piece, info)
    except CaptureError as error:
        return PieceScan(damage=str(error))
    scans = [
        _scan_channels(
            piece, info, lead, range(low, min(low + _AT_ONCE, info.channels)), block_frames
        )
        for low in range(0, info.channels, _AT_ONCE)
    ]
    return replace(
        scans[0],
        candidates=tuple(pair for scan in scans for pair in scan.candidates),
        broken=tuple(pair for scan in scans for pair in scan.broken),
    )


def _scan_channels(
    piece: Piece,
    info: RecordingInfo,
    lead: RecordingInfo | None,
    channels: Sequence[int],
    block_frames: int,
) -> PieceScan:
    detectors = [Detector(info.sample_rate_hz) for _ in channels]
    found: list[list[Candidate]] = [[] for _ in channels]
    broken = dict.fromkeys(channels, 0)
    digest = hashlib.blake2b(digest_size=12)
    silent = True
    own, led = 0, 0
    damage = None
    try:
        if piece.lead is not None and lead is not None:
            for block in _blocks(lead, piece.lead, block_frames):
                led += len(block)
                _feed(block, channels, detectors, found, dict(broken))
        for block in _blocks(info, piece.span, block_frames):
            if channels[0] == 0:
                told = _told(block, piece.span.first + own, info.sample_rate_hz)
                silent = silent and not told.any()
                digest.update(told.tobytes())
            own += len(block)
            _feed(block, channels, detectors, found, broken)
    except CaptureError as error:
        damage = str(error)
    for index, detector in enumerate(detectors):
        found[index] += detector.finish()
    begin_s = piece.span.first / info.sample_rate_hz
    shift_s = begin_s - led / info.sample_rate_hz
    end_s = None if piece.last else piece.span.stop / info.sample_rate_hz
    return PieceScan(
        frames=own,
        candidates=tuple(
            (channel + 1, late)
            for channel, candidates in zip(channels, found, strict=True)
            for late in (_later(c, shift_s) for c in candidates)
            if _belongs(late, begin_s if led else None, end_s)
        ),
        broken=tuple((channel + 1, count) for channel, count in broken.items() if count),
        digest="" if silent else digest.hexdigest(),
        damage=damage,
    )


def _blocks(info: RecordingInfo, span: Span, block_frames: int) -> Any:
    frames = min(block_frames, max(1, _BLOCK_VALUES // info.channels))
    return read_blocks(info, block_frames=frames, first_frame=span.first, stop_frame=span.stop)


def _lead_info(piece: Piece, info: RecordingInfo) -> RecordingInfo | None:
    """Return what the lead is read from; None where it does not fit."""
    if piece.lead is None or piece.lead.path == info.path:
        return info
    try:
        before = inspect(piece.lead.path)
    except CaptureError:
        return None
    alike = (before.sample_rate_hz, before.channels) == (info.sample_rate_hz, info.channels)
    return before if alike else None


def _feed(
    block: NDArray[np.float32],
    channels: Sequence[int],
    detectors: Sequence[Detector],
    found: list[list[Candidate]],
    broken: dict[int, int],
) -> None:
    for index, channel in enumerate(channels):
        samples, bad = audible(block[:, channel])
        broken[channel] += bad
        found[index] += detectors[index].feed(samples)


def audible(samples: NDArray[np.float32]) -> tuple[NDArray[np.float32], int]:
    """Return samples with those that are no audio set to silence, and how many they were."""
    straight = np.ascontiguousarray(samples)
    with np.errstate(all="ignore"):
        energy = float(straight @ straight)
        if energy <= _ABSURD**2:  # none is larger; false where any is not a number
            return straight, 0
        bad = ~(np.abs(straight) <= _ABSURD)
    count = int(np.count_nonzero(bad))
    return (np.where(bad, np.float32(0), straight), count) if count else (straight, 0)


def _told(block: NDArray[np.float32], first: int, rate_hz: int) -> NDArray[np.float32]:
    """Return the first few frames of each second, the same ones for every size of block."""
    parts = [
        block[max(0, second * rate_hz - first) : max(0, second * rate_hz + _DIGEST_FRAMES - first)]
        for second in range(first // rate_hz, (first + len(block)) // rate_hz + 1)
    ]
    return np.ascontiguousarray(np.concatenate(parts))


def _later(candidate: Candidate, shift_s: float) -> Candidate:
    features = _plain(replace(candidate.features, start_s=candidate.features.start_s + shift_s))
    return _plain(
        replace(
            candidate,
            start_s=candidate.start_s + shift_s,
            stop_s=candidate.stop_s + shift_s,
            features=features,
        )
    )


def _plain(record: PlainT) -> PlainT:
    """Return a record with Python's own numbers in place of numpy's, as the journal keeps them."""
    names = [field.name for field in fields(record)]
    values = {name: getattr(record, name) for name in names}
    return type(record)(
        **{name: v.item() if isinstance(v, np.generic) else v for name, v in values.items()}
    )


def _belongs(candidate: Candidate, begin_s: float | None, end_s: float | None) -> bool:
    """Tell whether a piece answers for a candidate.

    It does not where the candidate ended before the piece began, or runs into the end of the
    piece so late that the next one sees it whole.
    """
    if begin_s is not None and candidate.stop_s < begin_s - _SEAM_S:
        return False
    whole_in_next = end_s is not None and candidate.start_s > end_s - LEAD_S + _SETTLED_S
    return not (whole_in_next and end_s is not None and candidate.stop_s > end_s - _SEAM_S)


def _lead_frames(sample_rate_hz: int) -> int:
    return round(LEAD_S * sample_rate_hz / _GRID_FRAMES) * _GRID_FRAMES
