"""Writing results: never half-written, never over an existing file unless asked.

Conventions: a result is written to a temporary file beside its destination and renamed once
whole, so a crash or a full disk leaves either the old file or none.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from shaping.errors import OutputError
from shaping.text.names import shown


def check_writable(path: str | Path, *, force: bool = False) -> Path:
    """Make sure that a result can go to `path`, before any long work starts.

    Parameters
    ----------
    path : str or Path
        Destination file.
    force : bool
        Whether an existing file may be replaced.

    Returns
    -------
    Path
        The destination.

    Raises
    ------
    OutputError
        If it exists and `force` is False, is a folder, or its folder is missing or read-only.
    """
    destination = Path(path)
    try:
        if destination.is_dir():
            raise OutputError(f"{shown(path)}: this is a folder; name a file to write")
        if destination.exists() and not force:
            raise OutputError(
                f"{shown(path)} exists; choose another name or add --force to replace it"
            )
        folder = destination.parent
        if not folder.is_dir():
            raise OutputError(
                f"{shown(path)}: the folder {shown(folder)} does not exist; create it first"
            )
        if not os.access(folder, os.W_OK):
            raise OutputError(f"{shown(path)}: the folder {shown(folder)} cannot be written to")
    except (OSError, ValueError) as error:
        if isinstance(error, OutputError):
            raise
        raise OutputError(f"{shown(path)}: cannot write here ({error})") from error
    return destination


@contextmanager
def replacing(path: str | Path, *, force: bool = False) -> Iterator[Path]:
    """Yield a temporary path beside `path`; rename it there when the block ends well.

    The temporary name keeps the suffix, since writers choose their format by it.

    Raises
    ------
    OutputError
        As `check_writable`, or if writing fails.
    """
    destination = check_writable(path, force=force)
    temporary = destination.with_name(f".{secrets.token_hex(6)}.part{destination.suffix}")
    try:
        yield temporary
        with temporary.open("rb+") as written:
            os.fsync(written.fileno())
        if force:
            temporary.replace(destination)
        else:
            # A link fails where a rename would silently replace a file that appeared meanwhile.
            _rename_new(temporary, destination)
    except OutputError:
        raise
    except OSError as error:
        raise OutputError(
            f"{shown(path)}: could not be written ({error.strerror or error})"
        ) from error
    finally:
        temporary.unlink(missing_ok=True)


def _rename_new(temporary: Path, destination: Path) -> None:
    try:
        try:
            destination.hardlink_to(temporary)
        except FileExistsError:
            raise
        except OSError:  # file systems without hard links: claim the name, then fill it
            destination.touch(exist_ok=False)
            temporary.replace(destination)
    except FileExistsError:
        raise OutputError(
            f"{shown(destination)} exists; choose another name or add --force to replace it"
        ) from None


def write_text(path: str | Path, text: str, *, force: bool = False) -> None:
    """Write UTF-8 text whole or not at all.

    Raises
    ------
    OutputError
        As `replacing`.
    """
    with replacing(path, force=force) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")
