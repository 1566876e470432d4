"""How many bytes of audio a file's header promises, and how many the file holds.

The decoder quietly clamps a header that promises too much and quietly believes one that promises
nothing, so both traps are looked for here, in the bytes themselves: RIFF/RIFX/RF64 WAV, AIFF and
AIFF-C, Wave64, CAF, Sun/NeXT AU, and the last page of Ogg. Other formats yield None.

References
----------
.. [1] Multimedia Programming Interface and Data Specifications 1.0 (1991): RIFF WAVE.
.. [2] EBU Tech 3306 (RF64): a 32-bit size of 0xFFFFFFFF defers to the ds64 chunk.
.. [3] Audio Interchange File Format 1.3 (1989): the SSND chunk.
.. [4] RFC 3533 (Ogg): header_type bit 4 marks the last page of a stream.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

_UNSET_32 = 0xFFFFFFFF  # EBU Tech 3306: the length stands elsewhere, or was never filled in
_STREAMED_32 = 0x7FFFF000
"""From here to 2^31 - 1: what converters write when they cannot go back to fill in the size."""

_MAX_CHUNKS = 10_000
"""A real file has a dozen; a mutated one may loop over millions of empty chunks."""

_WAVE64_RIFF = bytes.fromhex("726966662e91cf11a5d628db04c10000")
_WAVE64_DATA = bytes.fromhex("64617461f3acd3118cd100c04f8edb8a")

_OGG_LARGEST_PAGE = 65_307  # RFC 3533: 27 + 255 bytes of head, 255 segments of 255


@dataclass(frozen=True, slots=True)
class Extent:
    """Audio bytes promised and held.

    Attributes
    ----------
    promised : int or None
        Bytes of audio according to the header; None if the header was never filled in.
    held : int
        Bytes from the start of the audio to the end of the file.
    start : int
        Where the audio begins in the file.
    """

    promised: int | None
    held: int
    start: int

    @property
    def missing(self) -> int:
        """Bytes that the header promises and the file does not hold."""
        return max(0, (self.promised or 0) - self.held)


def audio_extent(stream: BinaryIO, size: int) -> Extent | None:
    """Return the extent of the audio in an open file of `size` bytes, or None if not known.

    A damaged header yields None too: the decoder then says what is wrong with it.
    """
    stream.seek(0)
    head = stream.read(16)
    if head[:4] in (b"RIFF", b"RIFX", b"RF64") and head[8:12] == b"WAVE":
        return _riff(stream, size, big_endian=head[:4] == b"RIFX")
    if head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC"):
        return _aiff(stream, size)
    if head == _WAVE64_RIFF:
        return _wave64(stream, size)
    if head[:4] == b"caff":
        return _caf(stream, size)
    if head[:4] in (b".snd", b"dns.") and len(head) >= 12:
        return _au(head, size)
    return None


def ogg_end_is_missing(stream: BinaryIO, size: int) -> bool:
    """Tell whether an Ogg file lacks its last page, or part of it."""
    start = max(0, size - 2 * _OGG_LARGEST_PAGE)
    stream.seek(start)
    tail = stream.read(2 * _OGG_LARGEST_PAGE)
    page = tail.rfind(b"OggS")
    if page < 0 or len(tail) < page + 27:
        return True
    segments = tail[page + 26]
    table = tail[page + 27 : page + 27 + segments]
    whole = len(table) == segments and len(tail) >= page + 27 + segments + sum(table)
    return not (whole and tail[page + 5] & 4)


def chunks(
    stream: BinaryIO, start: int, size: int, header: str, *, align: int = 2
) -> Iterator[tuple[bytes, int, int]]:
    """Yield (name, size, offset of the content) of the chunks from `start` to the end."""
    length = struct.calcsize(header)
    for _ in range(_MAX_CHUNKS):
        stream.seek(start)
        raw = stream.read(length)
        if len(raw) < length:
            return
        name, chunk_size = struct.unpack(header, raw)
        yield name, chunk_size, start + length
        start += length + chunk_size + (-chunk_size % align)
        if start >= size:
            return


def _riff(stream: BinaryIO, size: int, *, big_endian: bool) -> Extent | None:
    header = ">4sI" if big_endian else "<4sI"
    long_size: int | None = None
    for name, chunk_size, offset in chunks(stream, 12, size, header):
        if name == b"ds64":
            stream.seek(offset)
            raw = stream.read(16)
            if len(raw) == 16:
                long_size = struct.unpack("<QQ", raw)[1]
        if name == b"data":
            held = max(0, size - offset)
            if chunk_size == _UNSET_32 and long_size is not None:
                chunk_size = long_size
            elif chunk_size == _UNSET_32 or _STREAMED_32 <= chunk_size < 2**31:
                return Extent(None if chunk_size > held else chunk_size, held, offset)
            if chunk_size == 0 and held and not _is_chunks(stream, offset, size, header):
                return Extent(None, held, offset)
            if size > 2**32 and held > chunk_size:
                # The 32-bit size wrapped round; what follows must then not be chunks.
                after = offset + chunk_size + chunk_size % 2
                if not _is_chunks(stream, after, size, header):
                    return Extent(None, held, offset)
            return Extent(chunk_size, held, offset)
    return None


def _is_chunks(stream: BinaryIO, start: int, size: int, header: str) -> bool:
    """Tell whether the bytes from `start` to the end are a plain sequence of chunks."""
    end = start
    for name, chunk_size, offset in chunks(stream, start, size, header):
        if not all(32 <= byte < 127 for byte in name):
            return False
        end = offset + chunk_size
        if end > size:
            return False
    return size - end <= 1


def _aiff(stream: BinaryIO, size: int) -> Extent | None:
    for name, chunk_size, offset in chunks(stream, 12, size, ">4sI"):
        if name == b"SSND":
            held = max(0, size - offset - 8)
            if chunk_size in (0, _UNSET_32) and held:
                return Extent(None, held, offset + 8)
            return Extent(max(0, chunk_size - 8), held, offset + 8)
    return None


def _wave64(stream: BinaryIO, size: int) -> Extent | None:
    start = 40
    for _ in range(_MAX_CHUNKS):
        stream.seek(start)
        raw = stream.read(24)
        if len(raw) < 24:
            return None
        chunk_size = struct.unpack("<Q", raw[16:])[0]
        held = max(0, size - start - 24)
        if raw[:16] == _WAVE64_DATA:
            if chunk_size <= 24 and held:
                return Extent(None, held, start + 24)
            return Extent(max(0, chunk_size - 24), held, start + 24)
        start += max(24, chunk_size + (-chunk_size % 8))
        if start >= size:
            return None
    return None


def _caf(stream: BinaryIO, size: int) -> Extent | None:
    for name, chunk_size, offset in chunks(stream, 8, size, ">4sQ", align=1):
        if name == b"data":
            held = max(0, size - offset - 4)
            # A size of -1 is lawful here: the audio runs to the end of the file.
            if chunk_size == 2**64 - 1:
                return Extent(held, held, offset + 4)
            return Extent(max(0, chunk_size - 4), held, offset + 4)
    return None


def _au(head: bytes, size: int) -> Extent | None:
    offset, promised = struct.unpack(">II" if head[:4] == b".snd" else "<II", head[4:12])
    held = max(0, size - offset)
    # An unset size is lawful here too.
    return Extent(held if promised == _UNSET_32 else promised, held, offset)
