"""Reading recordings: anything libsndfile reads, by blocks, in bounded memory.

Conventions: channels are counted from 1, as on a desk; samples are float32 with full scale at +-1;
a block is an array of shape (frames, channels). Every way in which a file can be broken ends in a
`CaptureError` of one line; the file traps it looks for are those where the decoder alone would
stay silent.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaping.capture.decoder import DECODER_ERRORS, EXPORT, opened, quiet_decoder
from shaping.capture.extent import audio_extent, ogg_end_is_missing
from shaping.capture.quality import QualityCode, judge
from shaping.capture.recording import Capture, CaptureKind, QualityNote, Severity
from shaping.errors import CaptureError
from shaping.text.durations import duration_text, moment_text
from shaping.text.names import shown

MIN_SAMPLE_RATE_HZ = 8_000
"""Telephone rate: below it nothing of the feedback range is left."""

MAX_SAMPLE_RATE_HZ = 192_000
"""The highest rate in common use; more is a damaged header."""

MAX_CHANNELS = 1_024
"""The decoder's own limit."""

MAX_CAPTURE_FRAMES = 20 * 60 * 48_000
"""Frames a capture may hold: 20 minutes at 48 kHz, 230 MB. A ring-out takes minutes, not hours."""

_BLOCK_VALUES = 2**23
"""Most values held at once while streaming (32 MB), whatever the number of channels."""

_OF_PHONES = (b"\x1aE\xdf\xa3", b"ADIF", b"#!AMR", b"\x30\x26\xb2\x75\x8e\x66\xcf\x11")
"""First bytes of Matroska, of AAC in one piece, of speech as phones record it, and of ASF."""

_RECOPY = "copy it again from the recorder"
_RESCUE = "sox --ignore-length OLD NEW.wav"


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
        Samples per channel.
    duration_s : float
        Length in seconds.
    format, subtype : str
        Container and encoding in libsndfile's terms, such as ``WAV`` and ``PCM_24``.
    """

    path: str
    sample_rate_hz: int
    channels: int
    frames: int
    duration_s: float
    format: str
    subtype: str


def inspect(path: str | os.PathLike[str]) -> RecordingInfo:
    """Read a recording's header and check that the file holds what it promises.

    Costs milliseconds whatever the length: compressed files are tried at their end, not decoded.

    Raises
    ------
    CaptureError
        If the file is missing, unreadable, no audio, damaged, cut short, or out of range.
    """
    _check_bytes(path)
    with opened(path) as file:
        info = RecordingInfo(
            path=os.fsdecode(path),
            sample_rate_hz=int(file.samplerate),
            channels=int(file.channels),
            frames=int(file.frames),
            duration_s=file.frames / max(1, file.samplerate),
            format=str(file.format),
            subtype=str(file.subtype),
        )
        _check_header(info)
        _check_end(info, file)
    return info


def read_blocks(
    path: str | os.PathLike[str], *, block_frames: int = 65_536
) -> Iterator[NDArray[np.float32]]:
    """Check a recording at once, then stream it.

    Parameters
    ----------
    path : str or path-like
        The recording.
    block_frames : int
        Frames per block. The last block is shorter, and all are in files of more than
        128 channels, so that memory stays bounded.

    Returns
    -------
    iterator of ndarray of float32, shape (frames, channels)

    Raises
    ------
    CaptureError
        At once as `inspect`, or while iterating if decoding fails or the file ends early.
    """
    info = inspect(path)
    return _stream(info, max(1, min(block_frames, _BLOCK_VALUES // info.channels)))


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
    if channel is None:
        channel = 1
        if info.channels > 1:
            channel = _loudest_channel(info)
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


def _stream(info: RecordingInfo, block_frames: int) -> Iterator[NDArray[np.float32]]:
    done = 0
    with opened(info.path) as file:
        while done < info.frames:
            wanted = min(block_frames, info.frames - done)
            try:
                with quiet_decoder("MPEG" in info.subtype):
                    block = file.read(wanted, dtype="float32", always_2d=True)
            except DECODER_ERRORS as error:
                raise CaptureError(
                    f"{shown(info.path)}: the audio is damaged or cut short after "
                    f"{moment_text(done / info.sample_rate_hz)} of "
                    f"{duration_text(info.duration_s)}; {_RECOPY}, or {EXPORT}"
                ) from error
            if not len(block):
                raise _short(info, done)
            done += len(block)
            yield block


def _loudest_channel(info: RecordingInfo) -> int:
    """Return the channel, from 1, of the greatest power about its mean; broken ones come last."""
    total = np.zeros(info.channels)
    squares = np.zeros(info.channels)
    for block in _stream(info, max(1, min(65_536, _BLOCK_VALUES // info.channels))):
        with np.errstate(invalid="ignore", over="ignore"):
            total += block.sum(axis=0, dtype=np.float64)
            squares += np.einsum("fc,fc->c", block, block, dtype=np.float64)
    with np.errstate(invalid="ignore", over="ignore"):
        power = squares / info.frames - (total / info.frames) ** 2
    return int(np.argmax(np.where(np.isfinite(power), power, -1.0))) + 1


def _read_channel(info: RecordingInfo, channel: int) -> NDArray[np.float32]:
    samples = np.empty(info.frames, dtype=np.float32)
    done = 0
    for block in _stream(info, max(1, min(65_536, _BLOCK_VALUES // info.channels))):
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
    return samples


def _check_bytes(path: str | os.PathLike[str]) -> None:
    """Refuse what is no regular file, or whose header contradicts the file's length."""
    name = shown(path)
    try:
        status = Path(path).stat()
        if stat.S_ISDIR(status.st_mode):
            raise CaptureError(f"{name}: this is a folder; name a recording")
        if not stat.S_ISREG(status.st_mode):
            raise CaptureError(f"{name}: this is not a regular file; name a recording")
        size = status.st_size
        with Path(path).open("rb") as stream:
            head = stream.read(64)
            extent = audio_extent(stream, size)
            ogg_cut = head[:4] == b"OggS" and ogg_end_is_missing(stream, size)
    except FileNotFoundError:
        raise CaptureError(
            f"{name}: there is no such file; check the name and the folder"
        ) from None
    except PermissionError:
        raise CaptureError(f"{name}: you have no permission to read this file") from None
    except (OSError, ValueError) as error:
        if isinstance(error, CaptureError):
            raise
        reason = getattr(error, "strerror", None) or str(error)
        raise CaptureError(f"{name}: cannot be opened ({shown(reason)})") from None
    if size == 0:
        raise CaptureError(f"{name}: the file is empty; {_RECOPY}")
    if Path(path).suffix.lower() == ".raw":
        raise CaptureError(f"{name}: raw samples carry no sample rate or channel count; {EXPORT}")
    _refuse_other_files(name, head)
    if ogg_cut:
        raise CaptureError(
            f"{name}: the file is cut short (its last page is missing); copy it again from the "
            f"recorder"
        )
    if extent is None:
        return
    if extent.promised is None:
        raise CaptureError(
            f"{name}: its header was never filled in, as when a recorder loses power or a stream "
            f"is saved, although {extent.held} bytes of audio follow; rescue it with: {_RESCUE}"
        )
    if extent.missing and extent.held:
        share = 100 * extent.missing / extent.promised
        raise CaptureError(
            f"{name}: the file is cut short: its header promises {extent.promised} bytes of audio "
            f"and {extent.missing} of them ({max(share, 0.1):.1f} %) are missing; copy it again "
            f"from the recorder, or keep what is there with: {_RESCUE}"
        )


def _refuse_other_files(name: str, head: bytes) -> None:
    """Name the commonest kinds of file that are no readable recording."""
    if _is_of_a_phone(name, head):
        raise CaptureError(
            f"{name}: this is a phone or video recording (such as AAC, MPEG-4 or Matroska), which "
            f"cannot be read; convert it first with: ffmpeg -i OLD NEW.wav"
        )
    text = len(head) >= 16 and head[:4] not in (
        b"RIFF",
        b"RIFX",
        b"FORM",
        b"OggS",
        b"RF64",
        b"caff",
        b".snd",
        b"riff",
    )
    if text and all(32 <= byte < 127 or byte in b"\t\r\n" for byte in head):
        raise CaptureError(f"{name}: this looks like a text file, not a recording; check the name")


def _is_of_a_phone(name: str, head: bytes) -> bool:
    """Tell whether a file begins as the sound of phones and video does."""
    # ISO/IEC 14496-3, an AAC frame: twelve ones, then a layer of zero, which no MP3 has.
    aac = len(head) > 1 and head[0] == 0xFF and head[1] & 0xF6 == 0xF0
    tagged = head[:3] == b"ID3" and name.lower().endswith(".aac")
    return aac or tagged or head[4:8] == b"ftyp" or head.startswith(_OF_PHONES)


def _check_header(info: RecordingInfo) -> None:
    name = shown(info.path)
    if info.format == "RAW":
        raise CaptureError(f"{name}: raw samples carry no sample rate or channel count; {EXPORT}")
    if info.frames <= 0:
        raise CaptureError(f"{name}: the recording holds no audio (0 frames); record it again")
    if not MIN_SAMPLE_RATE_HZ <= info.sample_rate_hz <= MAX_SAMPLE_RATE_HZ:
        raise CaptureError(
            f"{name}: its header gives a sample rate of {info.sample_rate_hz} Hz, outside "
            f"{MIN_SAMPLE_RATE_HZ} to {MAX_SAMPLE_RATE_HZ} Hz; {EXPORT} at its true rate"
        )
    if not 1 <= info.channels <= MAX_CHANNELS:
        raise CaptureError(
            f"{name}: its header gives {info.channels} channels, more than {MAX_CHANNELS}; {EXPORT}"
        )


def _check_end(info: RecordingInfo, file: Any) -> None:
    """Decode the last frame of the formats whose length is a promise of the header alone."""
    if info.format not in ("FLAC", "MP3") and not info.subtype.startswith("ALAC"):
        return
    try:
        with quiet_decoder("MPEG" in info.subtype):
            file.seek(info.frames - 1)
            last = len(file.read(1, dtype="float32"))
    except DECODER_ERRORS:
        last = 0
    if last != 1:
        length = duration_text(info.duration_s) if info.frames < 2**40 else "an unknown length"
        raise CaptureError(
            f"{shown(info.path)}: the file is cut short or damaged (its header promises {length}, "
            f"and its end cannot be decoded); {_RECOPY}, or {EXPORT}"
        )


def _short(info: RecordingInfo, done: int) -> CaptureError:
    return CaptureError(
        f"{shown(info.path)}: the audio ends after {moment_text(done / info.sample_rate_hz)} of "
        f"the {duration_text(info.duration_s)} that its header promises; copy it again from the "
        f"recorder, or {EXPORT}"
    )
