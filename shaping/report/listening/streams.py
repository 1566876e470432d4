"""Recordings streamed through filters and written again, in bounded memory.

Conventions: sample rate, channels, container and encoding of the recording are kept. Nothing
clips: peaks stay under `CEILING_DBFS`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from shaping.capture.audio import RecordingInfo, read_blocks
from shaping.errors import CaptureError, OutputError
from shaping.filters.apply import apply_sos, initial_state
from shaping.filters.cookbook import Sos
from shaping.output import check_writable, replacing

CEILING_DBFS = -1.0
"""Peaks stay under this, which leaves room for what encoders add between samples."""

FADE_S = 0.02
"""Raised-cosine fade at both ends, so that a loop does not click."""

Block = NDArray[np.float32]


def rendered(sos: Sos, info: RecordingInfo) -> Iterator[Block]:
    """Stream what will be written, but for its gain.

    Raises
    ------
    CaptureError
        If the recording cannot be read or holds samples that are no numbers.
    """
    return _faded(_through(sos, info), info)


def check_destination(destination: str | Path, source: str | Path, *, force: bool) -> None:
    """Refuse a name that cannot be written, or that promises another kind of file.

    Raises
    ------
    OutputError
        With what to name it instead.
    """
    suffix = Path(source).suffix
    if Path(destination).suffix.lower() != suffix.lower():
        raise OutputError(
            f"{destination}: the result keeps the recording's format; "
            + (
                f"give it a name that ends in {suffix}"
                if suffix
                else "give it a name without a dot"
            )
        )
    check_writable(destination, force=force)


@contextmanager
def writing(
    destination: str | Path, info: RecordingInfo, *, force: bool
) -> Iterator[soundfile.SoundFile]:
    """Open a file of the recording's own format, kept only if all goes well.

    Raises
    ------
    OutputError
        If the format cannot be written here.
    """
    with replacing(destination, force=force) as temporary:
        try:
            with soundfile.SoundFile(
                temporary,
                "w",
                samplerate=info.sample_rate_hz,
                channels=info.channels,
                format=info.format,
                subtype=info.subtype,
            ) as out:
                yield out
        except soundfile.SoundFileError as error:
            raise OutputError(
                f"{destination}: {info.format} with {info.subtype} cannot be written here "
                f"({error}); convert the recording to WAV first"
            ) from error


def peak_db(peak: float) -> float:
    """Return a sample magnitude in dBFS."""
    return 20.0 * math.log10(max(peak, 1e-15))


def _through(sos: Sos, info: RecordingInfo) -> Iterator[Block]:
    """Stream a recording through filters."""
    state = initial_state(sos, channels=info.channels)
    done = 0
    for block in read_blocks(info.path):
        if not np.isfinite(block).all():
            raise CaptureError(
                f"{info.path}: holds samples that are not finite numbers at about "
                f"{done / info.sample_rate_hz:.1f} s; export it again from the program that made it"
            )
        filtered, state = apply_sos(sos, block, state)
        done += len(block)
        yield filtered


def _faded(blocks: Iterable[Block], info: RecordingInfo) -> Iterator[Block]:
    """Fade the ends of a stream in and out."""
    fade = max(1, min(round(FADE_S * info.sample_rate_hz), info.frames // 2))
    done = 0
    for block in blocks:
        frame = np.arange(done, done + len(block))
        from_end = np.minimum(frame, info.frames - 1 - frame)
        done += len(block)
        if from_end.min() < fade:
            gain = 0.5 - 0.5 * np.cos(np.pi * np.minimum(from_end / fade, 1.0))
            block = block * gain.astype(np.float32)[:, None]
        yield block
