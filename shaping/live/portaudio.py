"""The optional library that reaches sound devices, and what is said where it is not there.

It comes with the extra ``live`` (sounddevice) and stands on PortAudio, which Debian packages as
libportaudio2. Its list of devices is made when it is imported: what is plugged in later is seen by
the next run.
"""

from __future__ import annotations

import atexit
import contextlib
import os
import sys
from collections.abc import Iterator
from types import ModuleType

from shaping.errors import DeviceError

HOW_TO_GET_IT = (
    "install it with: pip install 'shaping[live]' (on Debian and its relatives also: "
    "apt install libportaudio2)"
)


def portaudio() -> ModuleType:
    """Return the library.

    Raises
    ------
    DeviceError
        If it is not installed, or cannot start; with how to get it.
    """
    try:
        with quiet():
            import sounddevice
    except ImportError:
        raise DeviceError(
            f"playing and recording needs the package sounddevice: {HOW_TO_GET_IT}"
        ) from None
    except OSError as error:
        raise DeviceError(
            f"playing and recording needs the PortAudio library ({error}): {HOW_TO_GET_IT}"
        ) from None
    except Exception as error:
        raise DeviceError(
            f"the PortAudio library does not start ({error}); close programs that hold the sound "
            "device and try again"
        ) from None
    module: ModuleType = sounddevice
    return module


def leave_at_once() -> None:
    """Let the program end without bidding the library farewell: a server has died under it.

    PortAudio would close a connection that is no more, and end the program by an assertion.
    """
    farewell = getattr(portaudio(), "_exit_handler", None)
    if farewell is not None:
        atexit.unregister(farewell)


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Keep a C library's remarks off the terminal: which servers do not run is no news."""
    try:
        sys.stderr.flush()
        kept = os.dup(2)
    except (OSError, ValueError, AttributeError):
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    try:
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)
