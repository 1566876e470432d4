"""A picture and a short, quiet sound of an event, small enough for a page on a phone.

Both are kept in the results' folder, so that the page stays whole when the recordings have moved.
Sounds are brought to -23 dBFS at their peak and faded, for a howl can hurt.
"""

from __future__ import annotations

import hashlib
import io
import struct
import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import fft, signal

from shaping.capture.audio import inspect, read_blocks
from shaping.errors import CaptureError, OutputError
from shaping.output import replacing
from shaping.rehearsals.channels import Take
from shaping.rehearsals.events import Event
from shaping.rehearsals.scanning.pieces import audible
from shaping.report.figures.style import QUIET_TO_LOUD

FOLDER = "excerpts"

LOWEST_HZ, HIGHEST_HZ = 100.0, 10_000.0
"""Range of the picture, on a logarithmic axis."""

PICTURE_S = 5.0  # long enough to see it grow and stand
SOUND_S = 2.5  # long enough to know it by ear
BEFORE_S = 1.2
"""Picture and sound begin this long before the event."""

_WIDTH, _HEIGHT = 320, 128  # of the picture in pixels
_RANGE_DB = 60.0  # from the loudest down to what hardly shows
_SOUND_RATE_HZ = 24_000  # as far as howls reach, in half the bytes
_SOUND_PEAK = 10 ** (-23 / 20)  # soft, for it is heard on headphones after silence


@dataclass(frozen=True, slots=True)
class Excerpt:
    """Picture (PNG) and sound (MP3, or WAV where MP3 cannot be written) of one event."""

    picture: bytes
    sound: bytes
    sound_type: str


def excerpt_of(out: Path, take: Take, event: Event) -> Excerpt | None:
    """Return an event's excerpt, kept or new; None where the recording is gone.

    An excerpt that cannot be kept is shown all the same.
    """
    key = f"{take.fingerprint}\n{take.channel}\n{event.start_s:.3f}\n{event.frequency_hz:.2f}"
    name = hashlib.sha256(key.encode()).hexdigest()[:20]
    folder = out / FOLDER
    if folder.is_symlink():
        return None
    kept = _kept(folder, name)
    if kept is not None:
        return kept
    samples = _samples(take, event)
    if samples is None:
        return None
    made = Excerpt(_picture(samples, take.sample_rate_hz), *_sound(samples, take.sample_rate_hz))
    suffix = "mp3" if made.sound_type == "audio/mpeg" else "wav"
    try:
        folder.mkdir(exist_ok=True)
        for path, data in (
            (folder / f"{name}.{suffix}", made.sound),
            (folder / f"{name}.png", made.picture),
        ):
            with replacing(path, force=True) as temporary:
                temporary.write_bytes(data)
    except (OutputError, OSError):
        pass
    return made


def _kept(folder: Path, name: str) -> Excerpt | None:
    try:
        picture = (folder / f"{name}.png").read_bytes()
    except OSError:
        return None
    for suffix, kind in (("mp3", "audio/mpeg"), ("wav", "audio/wav")):
        try:
            return Excerpt(picture, (folder / f"{name}.{suffix}").read_bytes(), kind)
        except OSError:
            continue
    return None


def _samples(take: Take, event: Event) -> NDArray[np.float64] | None:
    try:
        info = inspect(take.path)
        first = max(0, round((event.start_s - BEFORE_S) * info.sample_rate_hz))
        stop = first + round(PICTURE_S * info.sample_rate_hz)
        blocks = list(read_blocks(info, first_frame=first, stop_frame=stop))
    except CaptureError:
        return None
    if not blocks or blocks[0].shape[1] < take.channel:
        return None
    channel, _ = audible(np.concatenate(blocks)[:, take.channel - 1])
    # A converter's offset is no sound.
    return np.asarray(channel - channel.mean(dtype=np.float64), dtype=np.float64)


def _sound(samples: NDArray[np.float64], rate_hz: int) -> tuple[bytes, str]:
    piece = samples[: round(SOUND_S * rate_hz)]
    piece = signal.resample_poly(piece, _SOUND_RATE_HZ, rate_hz)
    piece = piece * (_SOUND_PEAK / max(float(np.abs(piece).max()), 1e-6))
    fade = min(round(0.05 * _SOUND_RATE_HZ), piece.size // 2)
    ramp = np.sin(np.linspace(0, np.pi / 2, fade)) ** 2
    piece[:fade] *= ramp
    piece[piece.size - fade :] *= ramp[::-1]
    for format_, subtype, kind in (
        ("MP3", "MPEG_LAYER_III", "audio/mpeg"),
        ("WAV", "PCM_16", "audio/wav"),
    ):
        if subtype in soundfile.available_subtypes(format_):
            data = io.BytesIO()
            soundfile.write(data, piece, _SOUND_RATE_HZ, format=format_, subtype=subtype)
            return data.getvalue(), kind
    raise AssertionError("every libsndfile writes WAV")


def _picture(samples: NDArray[np.float64], rate_hz: int) -> bytes:
    length = 2 ** round(np.log2(0.06 * rate_hz))
    padded = np.pad(samples, (0, max(0, round(PICTURE_S * rate_hz) - samples.size)))
    starts = np.linspace(0, padded.size - length, _WIDTH).astype(int)
    cut = np.lib.stride_tricks.sliding_window_view(padded, length)[starts]
    power = np.abs(fft.rfft(cut * np.hanning(length), axis=1)) ** 2
    edges = np.geomspace(HIGHEST_HZ, LOWEST_HZ, _HEIGHT + 1) * length / rate_hz
    upper = np.minimum(edges[:-1].astype(int), power.shape[1] - 1)
    lower = np.minimum(edges[1:].astype(int), upper)
    rows = np.array([power[:, a : b + 1].max(axis=1) for a, b in zip(lower, upper, strict=True)])
    level = 10 * np.log10(rows + 1e-12)
    shade = np.clip((level - level.max() + _RANGE_DB) / _RANGE_DB, 0, 1)
    return _png(np.round(shade * 63).astype(np.uint8), _palette(64))


def _palette(count: int) -> NDArray[np.uint8]:
    anchors = np.array([[int(c[i : i + 2], 16) for i in (1, 3, 5)] for c in QUIET_TO_LOUD])
    place = np.linspace(0, len(anchors) - 1, count)
    channels = [np.interp(place, np.arange(len(anchors)), anchors[:, k]) for k in range(3)]
    return np.round(np.stack(channels, axis=1)).astype(np.uint8)


def _png(indices: NDArray[np.uint8], palette: NDArray[np.uint8]) -> bytes:
    """Encode a picture with a palette as PNG (ISO/IEC 15948), all rows unfiltered."""
    height, width = indices.shape
    rows = np.hstack([np.zeros((height, 1), np.uint8), indices]).tobytes()

    def chunk(kind: bytes, data: bytes) -> bytes:
        check = zlib.crc32(kind + data)
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", check)

    header = struct.pack(">IIBBBBB", width, height, 8, 3, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"PLTE", palette.tobytes())
        + chunk(b"IDAT", zlib.compress(rows, 9))
        + chunk(b"IEND", b"")
    )
