"""What stops the sound, and how a stop is asked for: a key, Ctrl-C, a signal, or what was heard.

A stop is a word set once: the audio callback reads it in every block, so that nothing has to be
locked and nobody has to be waited for. The first cause stays.
"""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
from collections.abc import Iterator
from enum import StrEnum
from types import FrameType


class Cause(StrEnum):
    """Why the sound stopped before its end."""

    KEY = "key"
    SIGNAL = "signal"
    CLIMBING = "climbing"
    RING = "ring"
    CLIPPED = "clipped"
    GONE = "gone"
    LEVEL_FOUND = "level-found"
    DEVICE_LOST = "device-lost"


class Stop:
    """A request to stop; whoever asks first is heard."""

    __slots__ = ("cause", "channel")

    def __init__(self) -> None:
        self.cause: Cause | None = None
        self.channel: int | None = None

    def ask(self, cause: Cause, channel: int | None = None) -> None:
        """Ask for a stop, because of an input (counted from 0) where there is one."""
        if self.cause is None:
            self.channel = channel
            self.cause = cause


@contextlib.contextmanager
def stop_on_signals(stop: Stop) -> Iterator[None]:
    """Let Ctrl-C, SIGTERM and SIGHUP ask for a stop while the block runs."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def asked(_number: int, _frame: FrameType | None) -> None:
        stop.ask(Cause.SIGNAL)

    names = ("SIGINT", "SIGTERM", "SIGHUP")
    numbers = [getattr(signal, name) for name in names if hasattr(signal, name)]
    before = [signal.signal(number, asked) for number in numbers]
    try:
        yield
    finally:
        for number, handler in zip(numbers, before, strict=True):
            signal.signal(number, handler)


@contextlib.contextmanager
def keys(pressed: threading.Event, taken: list[str]) -> Iterator[bool]:
    """Collect keys from the terminal while the block runs; yield whether there is one to watch.

    Keys come one by one, without Return, into `taken`, and set `pressed`.
    """
    try:
        import select
        import termios
        import tty

        number = sys.stdin.fileno()
        before = termios.tcgetattr(number)
    except (ImportError, OSError, ValueError, AttributeError):  # no terminal: nobody to press keys
        yield False
        return
    except Exception as error:  # termios.error is no OSError
        if type(error).__module__ != "termios":
            raise
        yield False
        return
    done = threading.Event()

    def watch() -> None:
        while not done.is_set():
            ready, _, _ = select.select([number], [], [], 0.02)
            if ready:
                taken.append(sys.stdin.read(1))
                pressed.set()

    tty.setcbreak(number)
    thread = threading.Thread(target=watch, daemon=True)
    thread.start()
    try:
        yield True
    finally:
        done.set()
        thread.join(0.2)
        termios.tcsetattr(number, termios.TCSADRAIN, before)


@contextlib.contextmanager
def stop_on_any_key(stop: Stop) -> Iterator[bool]:
    """Let any key of the terminal ask for a stop while the block runs."""
    pressed = _Asking(stop)
    with keys(pressed, []) as there:
        yield there


class _Asking(threading.Event):
    """Asks for a stop when it is set."""

    def __init__(self, stop: Stop) -> None:
        super().__init__()
        self._stop = stop

    def set(self) -> None:
        self._stop.ask(Cause.KEY)
        super().set()
