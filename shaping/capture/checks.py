"""What a file must pass before a recording is read from it, and where the recording ends.

Damage is refused in one sentence, by name. A lost end is no refusal: what is there is read.
"""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, cast

from shaping.capture.decoder import DECODER_ERRORS, EXPORT, opened, quiet_decoder
from shaping.capture.extent import Extent, audio_extent, ogg_end_is_missing
from shaping.capture.mending import MendedFile, mended_head
from shaping.errors import CaptureError
from shaping.text.durations import duration_text
from shaping.text.names import shown

MIN_SAMPLE_RATE_HZ = 8_000
"""Telephone rate: below it nothing of the feedback range is left."""

MAX_SAMPLE_RATE_HZ = 192_000
"""The highest rate in common use; more is a damaged header."""

MAX_CHANNELS = 1_024
"""The decoder's own limit."""

_OF_PHONES = (b"\x1aE\xdf\xa3", b"ADIF", b"#!AMR", b"\x30\x26\xb2\x75\x8e\x66\xcf\x11")
"""First bytes of Matroska, of AAC in one piece, of speech as phones record it, and of ASF."""

_RECOPY = "copy it again from the recorder"
_MOST_FRAMES = 2**40
"""No recording is longer: a header that promises more does not know."""


@dataclass(frozen=True, slots=True)
class Checked:
    """How a recording is opened, and what its bytes say about its end.

    Attributes
    ----------
    path : str or path-like
        The file.
    extent : Extent or None
        Bytes of audio promised and held, where the format tells.
    head : bytes or None
        What stands in place of the file's first bytes, where its header had to be mended.
    ogg_cut : bool
        Whether an Ogg file lacks its last page.
    """

    path: str | os.PathLike[str]
    extent: Extent | None
    head: bytes | None
    ogg_cut: bool

    def view(self) -> BinaryIO | None:
        """Return a new view of the file with the mended header, or None to open it by name."""
        if self.head is None or self.extent is None:
            return None
        return cast(BinaryIO, MendedFile(self.path, self.head, self.extent.start))


def check_bytes(path: str | os.PathLike[str]) -> Checked:
    """Refuse what is no regular file or no recording; find a header's length that is not true.

    Raises
    ------
    CaptureError
        In one sentence.
    """
    name = shown(path)
    head = None
    try:
        status = Path(path).stat()
        if stat.S_ISDIR(status.st_mode):
            raise CaptureError(f"{name}: this is a folder; name a recording")
        if not stat.S_ISREG(status.st_mode):
            raise CaptureError(f"{name}: this is not a regular file; name a recording")
        size = status.st_size
        with Path(path).open("rb") as stream:
            first = stream.read(64)
            extent = audio_extent(stream, size)
            ogg_cut = first[:4] == b"OggS" and ogg_end_is_missing(stream, size)
            if extent is not None and (extent.promised is None or extent.missing):
                head = _mended(stream, size, extent, first)
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
    _refuse_other_files(name, first)
    if extent is not None and extent.promised is None and head is None:
        raise CaptureError(
            f"{name}: its header was never filled in, as when a recorder loses power, and cannot "
            f"be made anew; {EXPORT} from a program that reads it"
        )
    return Checked(path, extent, head, ogg_cut)


def check_header(path: str | os.PathLike[str], file: Any) -> None:
    """Refuse an open file of an impossible length, rate or number of channels.

    Raises
    ------
    CaptureError
        In one sentence.
    """
    name = shown(path)
    if file.format == "RAW":
        raise CaptureError(f"{name}: raw samples carry no sample rate or channel count; {EXPORT}")
    if file.frames <= 0:
        raise CaptureError(f"{name}: the recording holds no audio (0 frames); record it again")
    if not MIN_SAMPLE_RATE_HZ <= file.samplerate <= MAX_SAMPLE_RATE_HZ:
        raise CaptureError(
            f"{name}: its header gives a sample rate of {file.samplerate} Hz, outside "
            f"{MIN_SAMPLE_RATE_HZ} to {MAX_SAMPLE_RATE_HZ} Hz; {EXPORT} at its true rate"
        )
    if not 1 <= file.channels <= MAX_CHANNELS:
        raise CaptureError(
            f"{name}: its header gives {file.channels} channels, more than {MAX_CHANNELS}; {EXPORT}"
        )


def frames_to_the_end(
    path: str | os.PathLike[str], file: Any, checked: Checked
) -> tuple[int, str | None]:
    """Return how many frames can be read, and in one sentence why they are not what was promised.

    Raises
    ------
    CaptureError
        If nothing can be decoded.
    """
    frames, rate = int(file.frames), int(file.samplerate)
    extent = checked.extent
    if extent is not None and extent.promised is None:
        return frames, (
            f"The recording's header was never filled in, as when a recorder loses power; the "
            f"{duration_text(frames / rate)} of audio that follow it are used."
        )
    if extent is not None and extent.promised and extent.missing and extent.held:
        share = max(100 * extent.missing / extent.promised, 0.1)
        return frames, _cut_short(f"{share:.1f} % of its audio is missing", frames / rate)
    if checked.ogg_cut:
        return frames, _cut_short("its last page is missing", frames / rate)
    if file.format in ("FLAC", "MP3") or str(file.subtype).startswith("ALAC"):
        quiet = "MPEG" in file.subtype
        if not _decodes(file, frames - 1, quiet=quiet):
            held = _decodable_frames(path, checked, min(frames, _MOST_FRAMES), quiet=quiet)
            if held == 0:
                raise CaptureError(
                    f"{shown(path)}: the file is cut short or damaged, and nothing of it can be "
                    f"decoded; {_RECOPY}, or {EXPORT}"
                )
            promised = f"of {duration_text(frames / rate)} promised"
            if frames >= _MOST_FRAMES:
                promised = "of an unknown length"
            return held, _cut_short(f"{promised}, the end cannot be decoded", held / rate)
    return frames, None


def _cut_short(why: str, duration_s: float) -> str:
    return (
        f"The recording is cut short ({why}); the {duration_text(duration_s)} that are there are "
        f"used. Copy it again from the recorder if it may hold more."
    )


def _mended(stream: BinaryIO, size: int, extent: Extent, first: bytes) -> bytes | None:
    if extent.promised is None:
        return mended_head(stream, size, extent)
    # The decoder clamps what other headers promise too much, and refuses this one.
    return mended_head(stream, size, extent) if first[:4] == b"caff" else None


def _decodes(file: Any, frame: int, *, quiet: bool) -> bool:
    try:
        with quiet_decoder(quiet):
            file.seek(frame)
            return len(file.read(1, dtype="float32")) == 1
    except DECODER_ERRORS:
        return False


def _decodable_frames(
    path: str | os.PathLike[str], checked: Checked, promised: int, *, quiet: bool
) -> int:
    """Return how many frames come before the end, by halving what is left."""
    known, beyond = 0, promised
    while known < beyond - 1:
        middle = (known + beyond) // 2
        with opened(path, checked.view()) as file:  # a decoder that failed once is spoilt
            if _decodes(file, middle, quiet=quiet):
                known = middle
            else:
                beyond = middle
    return beyond if known else 0


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
