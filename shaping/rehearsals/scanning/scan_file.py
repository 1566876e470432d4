"""One recording: its pieces scanned one after another, or put together where they were spread."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

from shaping.capture.audio import RecordingInfo, inspect
from shaping.errors import CaptureError
from shaping.rehearsals.archive.records import FileScan
from shaping.rehearsals.judging import events_of
from shaping.rehearsals.scanning.pieces import BLOCK_FRAMES, PieceScan, pieces_of, scan_piece
from shaping.text.durations import moment_text
from shaping.text.sentences import listing


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
