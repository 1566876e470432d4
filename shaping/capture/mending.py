"""Headers that a crashed recorder never filled in, mended while reading; the file stays as it is.

The decoder believes a header, so a length of 0 or of all ones hides hours of audio. Here the
header is made anew with the length that the file really holds, and the decoder is given a view in
which it stands before the audio.

References
----------
.. [1] EBU Tech 3306 (RF64): the ds64 chunk carries 64-bit sizes.
"""

from __future__ import annotations

import io
import os
import struct
from pathlib import Path
from typing import BinaryIO

from shaping.capture.extent import Extent, chunks

_UNSET_32 = 0xFFFFFFFF  # EBU Tech 3306: the length stands in the ds64 chunk
_LONGEST_HEAD = 2**24  # a choice: no head is longer, and no more is read at once


class MendedFile(io.RawIOBase):
    """A file whose first bytes are replaced; read-only.

    Parameters
    ----------
    path : path-like
        The file.
    head : bytes
        Stands in place of its first `skipped` bytes.
    skipped : int
        How many bytes it replaces.
    """

    def __init__(self, path: str | os.PathLike[str], head: bytes, skipped: int) -> None:
        super().__init__()
        self._stream: BinaryIO = Path(path).open("rb")  # noqa: SIM115 - closed with this object
        self._head = head
        self._shift = skipped - len(head)
        self._size = os.fstat(self._stream.fileno()).st_size - self._shift
        self._place = 0

    def readable(self) -> bool:
        """Return True."""
        return True

    def seekable(self) -> bool:
        """Return True."""
        return True

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override]
        """Fill `buffer` from where the view stands; return the bytes read."""
        if self._place < len(self._head):
            piece = self._head[self._place : self._place + len(buffer)]
        else:
            self._stream.seek(self._place + self._shift)
            piece = self._stream.read(len(buffer))
        buffer[: len(piece)] = piece
        self._place += len(piece)
        return len(piece)

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Move in the view; return the new place."""
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self._place, os.SEEK_END: self._size}[whence]
        self._place = max(0, base + offset)
        return self._place

    def tell(self) -> int:
        """Return the place in the view."""
        return self._place

    def close(self) -> None:
        """Close the file."""
        self._stream.close()
        super().close()


def mended_head(stream: BinaryIO, size: int, extent: Extent) -> bytes | None:
    """Return what must stand before the audio, or None where no header can be made.

    Parameters
    ----------
    stream : file
        The open recording, of `size` bytes.
    size : int
        Its length.
    extent : Extent
        Where its audio lies; `promised` is None.
    """
    stream.seek(0)
    head = stream.read(min(extent.start, _LONGEST_HEAD))
    if head[:4] in (b"RIFF", b"RF64"):
        return _rf64(stream, size, extent)
    if len(head) < extent.start:
        return None
    length = extent.held
    if head[:4] == b"FORM" and length < _UNSET_32 - 8:
        return head[:-12] + struct.pack(">I", length + 8) + head[-8:]
    if head[:4] == b"riff":
        return head[:-8] + struct.pack("<Q", length + 24)
    if head[:4] == b"caff":
        return head[:-12] + struct.pack(">q", length + 4) + head[-4:]
    return None


def _rf64(stream: BinaryIO, size: int, extent: Extent) -> bytes | None:
    for name, chunk_size, offset in chunks(stream, 12, size, "<4sI"):
        if name == b"fmt ":
            stream.seek(offset)
            described = stream.read(chunk_size)
            break
    else:
        return None
    if not 14 <= len(described) == chunk_size <= 1_024:
        return None
    block = max(1, int.from_bytes(described[12:14], "little"))
    length = extent.held - extent.held % block
    after = b"fmt " + struct.pack("<I", chunk_size) + described + bytes(chunk_size % 2)
    after += b"data" + struct.pack("<I", _UNSET_32)
    ds64 = b"ds64" + struct.pack("<IQQQI", 28, 4 + 36 + len(after) + length, length, 0, 0)
    return b"RF64" + struct.pack("<I", _UNSET_32) + b"WAVE" + ds64 + after
