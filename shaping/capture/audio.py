"""Reading recordings: anything libsndfile reads, by blocks, in bounded memory.

Conventions: channels are counted from 1, as on a desk; samples are float32 with full scale at +-1;
a block is an array of shape (frames, channels). A recording that lost its end, or whose header a
crashed recorder never filled in, is read to where it ends, and `RecordingInfo.cut_short` says so;
every other way in which a file can be broken ends in a `CaptureError` of one line.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.capture.checks import Checked, check_bytes, check_header, frames_to_the_end
from shaping.capture.decoder import DECODER_ERRORS, EXPORT, opened, quiet_decoder
from shaping.capture.quality import QualityCode, judge
from shaping.capture.recording import Capture, CaptureKind, QualityNote, Severity
from shaping.errors import CaptureError
from shaping.text.durations import duration_text, moment_text
from shaping.text.names import shown

MAX_CAPTURE_FRAMES = 20 * 60 * 48_000
"""Frames a capture may hold: 20 minutes at 48 kHz, 230 MB. A ring-out takes minutes, not hours."""

_BLOCK_VALUES = 2**23
"""Most values held at once while streaming (32 MB), whatever the number of channels."""

_RECOPY = "copy it again from the recorder"
_SALVAGE_FRAMES = (1_024, 64, 1)
"""Where decoding breaks off within a block, what comes before is read in blocks of these sizes."""


@dataclass(frozen=True, slots=True)
class RecordingInfo:
    """What a recording's header says, checked against the file.

    Attributes
    ----------
    path : str
        The file as the person named it.
    sample_rate_hz : int
        Sample rate in Hz.
    channels : int
        Number of channels.
    frames : int
        Samples per channel that can be read.
    duration_s : float
        Length in seconds.
    format, subtype : str
        Container and encoding in libsndfile's terms, such as ``WAV`` and ``PCM_24``.
    cut_short : str or None
        In one sentence, why it ends where it does, if it lost its end or its header its length.
    checked : Checked
        How it is opened.
    """

    path: str
    sample_rate_hz: int
    channels: int
    frames: int
    duration_s: float
    format: str
    subtype: str
    cut_short: str | None
    checked: Checked


def inspect(path: str | os.PathLike[str]) -> RecordingInfo:
    """Read a recording's header and check it against what the file holds.

    Costs milliseconds whatever the length: compressed files are tried at their end, not decoded.

    Raises
    ------
    CaptureError
        If the file is missing, unreadable, no audio, damaged, or out of range.
    """
    checked = check_bytes(path)
    with opened(path, checked.view()) as file:
        rate, channels = int(file.samplerate), int(file.channels)
        check_header(path, file)
        frames, cut_short = frames_to_the_end(path, file, checked)
        return RecordingInfo(
            path=os.fsdecode(path),
            sample_rate_hz=rate,
            channels=channels,
            frames=frames,
            duration_s=frames / rate,
            format=str(file.format),
            subtype=str(file.subtype),
            cut_short=cut_short,
            checked=checked,
        )


def read_blocks(
    path: str | os.PathLike[str] | RecordingInfo,
    *,
    block_frames: int = 65_536,
    first_frame: int = 0,
    stop_frame: int | None = None,
) -> Iterator[NDArray[np.float32]]:
    """Check a recording at once, then stream it.

    Parameters
    ----------
    path : str, path-like or RecordingInfo
        The recording; not checked again where `inspect` has been asked already.
    block_frames : int
        Frames per block. The last block is shorter, and all are in files of more than
        128 channels, so that memory stays bounded.
    first_frame, stop_frame : int, optional
        Where to begin and end; the whole recording by default.

    Returns
    -------
    iterator of ndarray of float32, shape (frames, channels)

    Raises
    ------
    CaptureError
        At once as `inspect`, or while iterating if decoding fails or the file ends early.
    """
    info = path if isinstance(path, RecordingInfo) else inspect(path)
    stop = info.frames if stop_frame is None else min(stop_frame, info.frames)
    size = max(1, min(block_frames, _BLOCK_VALUES // info.channels))
    return _stream(info, size, first_frame, stop)


def read_capture(
    path: str | os.PathLike[str], *, channel: int | None = None, kind: CaptureKind
) -> Capture:
    """Read one channel of a recording and judge its quality.

    Parameters
    ----------
    path : str or path-like
        The recording.
    channel : int, optional
        Channel counted from 1. By default the only one, or else the loudest, and a note says so.
    kind : CaptureKind
        How the capture was made: it decides what counts as a fault.

    Returns
    -------
    Capture
        With `quality` filled. Nothing is raised for poor quality:
        see `shaping.capture.quality.require_usable`.

    Raises
    ------
    CaptureError
        As `read_blocks`; if there is no such channel; if the recording is too long to be a
        capture; if a sample is not a finite number.

    Examples
    --------
    >>> path = "audio_samples/vocal_wedge_ring_out.flac"
    >>> capture = read_capture(path, kind=CaptureKind.RING_OUT)
    >>> capture.sample_rate_hz, capture.channel, round(capture.duration_s)
    (48000, 1, 21)
    """
    info = inspect(path)
    name = shown(path)
    if channel is not None and not 1 <= channel <= info.channels:
        holds = "1 channel" if info.channels == 1 else f"{info.channels} channels"
        raise CaptureError(
            f"{name}: there is no channel {channel}; the recording has {holds}, counted from 1"
        )
    if info.frames > MAX_CAPTURE_FRAMES:
        limit_s = MAX_CAPTURE_FRAMES / info.sample_rate_hz
        raise CaptureError(
            f"{name}: {duration_text(info.duration_s)} is too long for a capture (at most "
            f"{duration_text(limit_s)} at {info.sample_rate_hz} Hz); cut out the ring-out, or scan "
            f"long recordings with: shaping rehearsals"
        )
    notes: list[QualityNote] = []
    if info.cut_short:
        notes.append(QualityNote(QualityCode.CUT_SHORT, Severity.WARNING, info.cut_short))
    if channel is None:
        channel = 1
        if info.channels > 1:
            channel = loudest_channel(info)
            notes.append(
                QualityNote(
                    QualityCode.LOUDEST_CHANNEL,
                    Severity.INFO,
                    f"Channel {channel} of {info.channels} was used because it is the loudest; "
                    f"choose another with --channel N.",
                )
            )
    samples = _read_channel(info, channel)
    samples.setflags(write=False)
    notes.extend(judge(samples, info.sample_rate_hz, kind))
    return Capture(info.path, info.sample_rate_hz, channel, samples, kind, tuple(notes))


def _stream(
    info: RecordingInfo, block_frames: int, first: int, stop: int
) -> Iterator[NDArray[np.float32]]:
    done = first
    broken: Exception | None = None
    for size in (block_frames, *_SALVAGE_FRAMES):
        try:
            for block in _straight(info, size, done, stop):
                done += len(block)
                yield block
            broken = None
            break
        except DECODER_ERRORS as error:
            if isinstance(error, CaptureError):
                raise
            broken = error
    if done >= stop or info.cut_short:  # it ends somewhere near what was found at its end
        return
    if broken is None:
        raise _short(info, done)
    raise CaptureError(
        f"{shown(info.path)}: the audio is damaged or cut short after "
        f"{moment_text(done / info.sample_rate_hz)} of "
        f"{duration_text(info.duration_s)}; {_RECOPY}, or {EXPORT}"
    ) from broken


def _straight(
    info: RecordingInfo, block_frames: int, first: int, stop: int
) -> Iterator[NDArray[np.float32]]:
    """Yield blocks until `stop`, or until there are none."""
    done = first
    with opened(info.path, info.checked.view()) as file:
        if first:
            file.seek(first)
        while done < stop:
            with quiet_decoder("MPEG" in info.subtype):
                block = file.read(min(block_frames, stop - done), dtype="float32", always_2d=True)
            if not len(block):
                return
            done += len(block)
            yield block


def loudest_channel(info: RecordingInfo) -> int:
    """Return the channel, from 1, of the greatest power about its mean; broken ones come last."""
    total = np.zeros(info.channels)
    squares = np.zeros(info.channels)
    for block in read_blocks(info):
        with np.errstate(invalid="ignore", over="ignore"):
            total += block.sum(axis=0, dtype=np.float64)
            squares += np.einsum("fc,fc->c", block, block, dtype=np.float64)
    with np.errstate(invalid="ignore", over="ignore"):
        power = squares / info.frames - (total / info.frames) ** 2
    return int(np.argmax(np.where(np.isfinite(power), power, -1.0))) + 1


def _read_channel(info: RecordingInfo, channel: int) -> NDArray[np.float32]:
    samples = np.empty(info.frames, dtype=np.float32)
    done = 0
    for block in read_blocks(info):
        column = block[:, channel - 1]
        finite = np.isfinite(column)
        if not finite.all():
            first = done + int(np.argmin(finite))
            raise CaptureError(
                f"{shown(info.path)}: channel {channel} holds samples that are not finite numbers, "
                f"first at {first / info.sample_rate_hz:.3f} s; {EXPORT} from the program that "
                f"made it"
            )
        samples[done : done + len(block)] = column
        done += len(block)
    return samples[:done]


def _short(info: RecordingInfo, done: int) -> CaptureError:
    return CaptureError(
        f"{shown(info.path)}: the audio ends after {moment_text(done / info.sample_rate_hz)} of "
        f"the {duration_text(info.duration_s)} that its header promises; copy it again from the "
        f"recorder, or {EXPORT}"
    )
