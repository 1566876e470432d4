"""The decoder (libsndfile): opened by name, read straight through, and kept quiet.

Everything it raises over a damaged file is either named in `DECODER_ERRORS` or turned into a
`CaptureError` here.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any, BinaryIO

import soundfile

from shaping.errors import CaptureError
from shaping.text.names import shown

EXPORT = "export it again as WAV or FLAC"
"""The cure for most damaged files."""

DECODER_ERRORS = (soundfile.SoundFileError, RuntimeError, TypeError, ValueError, MemoryError)
"""What the library raises over damaged files, a negative length among them."""


class SequentialFile(soundfile.SoundFile):  # type: ignore[misc]
    """A sound file that is read straight through.

    The library seeks to where it already is after every read. In an MP3 that throws away the bits
    kept from earlier frames, and each block begins with 20 ms of garbage.
    """

    def seekable(self) -> bool:
        """Return False: the library then reads on without seeking."""
        return False


@contextmanager
def opened(path: str | os.PathLike[str], view: BinaryIO | None = None) -> Iterator[Any]:
    """Open a recording, or a view of it, turning every refusal of the decoder into one sentence."""
    try:
        # Bytes, because a name need not be valid in any encoding.
        with quiet_decoder(True):
            file = SequentialFile(os.fsencode(path) if view is None else view)
    except soundfile.LibsndfileError as error:
        detail = shown(str(error.error_string)).rstrip(". ").lower()
        if "exist" in detail:  # it does: the library says so of damaged files too
            detail = ""
        reason = f" ({detail})" if detail else ""
        raise CaptureError(
            f"{shown(path)}: this is not a recording that can be read, or its header is "
            f"damaged{reason}; {EXPORT}"
        ) from None
    except (*DECODER_ERRORS, OSError):
        raise CaptureError(
            f"{shown(path)}: this is not a recording that can be read; {EXPORT}"
        ) from None
    try:
        yield file
    finally:
        with suppress(soundfile.SoundFileError, RuntimeError), quiet_decoder(True):
            file.close()
        if view is not None:
            view.close()


@contextmanager
def quiet_decoder(active: bool) -> Iterator[None]:
    """Keep the MP3 decoder's own warnings, written straight to file descriptor 2, off the screen.

    Our messages are to be the only ones a person sees.
    """
    if not active:
        yield
        return
    try:
        saved = os.dup(2)
    except OSError:  # no standard error at all
        yield
        return
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 2)
        os.close(nowhere)
        yield
    finally:
        os.dup2(saved, 2)
        os.close(saved)
