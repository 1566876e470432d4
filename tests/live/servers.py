"""Sound servers without hardware for the proofs: JACK's dummy driver with a stage behind it.

Every server has a name of its own, and is ended by its process id.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import pty
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).resolve().parent
PERIOD = 1024
"""Short, where the time to silence counts."""

LONG_PERIOD = 4096
"""Where nothing may be lost on a busy machine."""

LONGEST_PERIOD = 8192
"""The longest that the server takes."""

RATE_HZ = 48_000


def first() -> tuple[str, ...]:
    """Return what lets a program go before all others, where the machine allows it."""
    allowed = subprocess.run(["chrt", "-f", "20", "true"], capture_output=True, check=False)
    return ("chrt", "-f", "20") if allowed.returncode == 0 else ()


_numbers = itertools.count()


@dataclass(frozen=True, eq=False)
class RunningStage:
    """A server and the stage behind it."""

    server: str
    jackd: subprocess.Popen[bytes]
    stage: subprocess.Popen[str]

    @property
    def environment(self) -> dict[str, str]:
        """What a program needs to find this server."""
        return {
            **os.environ,
            "JACK_DEFAULT_SERVER": self.server,
            "JACK_NO_START_SERVER": "1",
            "PULSE_SERVER": "unix:/nowhere",
        }

    def say(self, line: str) -> dict[str, Any]:
        """Give the stage a command; return its answer."""
        assert self.stage.stdin is not None
        assert self.stage.stdout is not None
        self.stage.stdin.write(line + "\n")
        self.stage.stdin.flush()
        answer: dict[str, Any] = json.loads(self.stage.stdout.readline())
        return answer


@contextlib.contextmanager
def jack_stage(
    folder: Path,
    paths: np.ndarray,
    *,
    sends: np.ndarray | None = None,
    noise_dbfs: float = -80.0,
    rate_hz: int = RATE_HZ,
    period: int = PERIOD,
    programme: np.ndarray | None = None,
) -> Iterator[RunningStage]:
    """Run a JACK server with a stage of ``paths``, shape (mics, wedges, taps)."""
    name = f"shaping{os.getpid()}n{next(_numbers)}"
    sends = np.zeros((paths.shape[1], paths.shape[0])) if sends is None else sends
    place = folder / f"{name}.npz"
    heard = np.zeros(0) if programme is None else programme
    np.savez(place, paths=paths, sends=sends, noise_dbfs=noise_dbfs, seed=0, programme=heard)
    log = (folder / f"{name}.log").open("wb")
    driver = f"-d dummy -r {rate_hz} -p {period} -C 2 -P 2"
    jackd = subprocess.Popen(
        [*first(), "jackd", "-r", "-n", name, *driver.split()],
        env={**os.environ, "JACK_NO_AUDIO_RESERVATION": "1"},
        stdout=log,
        stderr=log,
    )
    stage: subprocess.Popen[str] | None = None
    try:
        for _ in range(40):
            time.sleep(0.25)
            stage = subprocess.Popen(
                [*first(), sys.executable, str(HERE / "virtual_stage.py"), name, str(place)],
                env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
            )
            assert stage.stdout is not None
            if stage.stdout.readline():
                break
            stage.wait()
        else:
            raise RuntimeError(f"the server {name} did not start; see {log.name}")
        yield RunningStage(name, jackd, stage)
    finally:
        if stage is not None:
            _ended(stage)
        _ended(jackd)
        log.close()


def _ended(process: subprocess.Popen[Any]) -> None:
    """End a program politely, or a server waits for its clients and leaves memory behind."""
    if process.stdin is not None:
        with contextlib.suppress(BrokenPipeError):
            process.stdin.close()  # the stage leaves its server then
    else:
        process.terminate()
    try:
        process.wait(15)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    if process.stdout is not None:
        process.stdout.close()


@dataclass(eq=False)
class Program:
    """The command line as a user runs it, with a terminal for its keys."""

    process: subprocess.Popen[str]
    keyboard: int
    lines: list[str]

    def wait_for(self, text: str, timeout_s: float = 60.0) -> None:
        """Wait until a line of its output holds a text."""
        end = time.monotonic() + timeout_s
        while not any(text in line for line in self.lines):
            if time.monotonic() > end or (self.process.poll() is not None and not self._reading()):
                raise AssertionError(f"no {text!r} in: {''.join(self.lines)}")
            time.sleep(0.005)

    def _reading(self) -> bool:
        return self._thread.is_alive()

    def start_reading(self) -> None:
        """Collect its lines in a thread."""
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line)

    def end(self, timeout_s: float = 60.0) -> tuple[int, str]:
        """Wait for its end; return exit code and all it said."""
        code = self.process.wait(timeout_s)
        self._thread.join(5)
        return code, "".join(self.lines)


@contextlib.contextmanager
def program(environment: dict[str, str], *words: str) -> Iterator[Program]:
    """Run ``shaping`` with these words while the block runs."""
    keyboard, its_side = pty.openpty()
    process = subprocess.Popen(
        [*first(), sys.executable, "-m", "shaping", *words],
        env={**environment, "OPENBLAS_NUM_THREADS": "1", "PYTHONUNBUFFERED": "1"},
        stdin=its_side,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )
    os.close(its_side)
    running = Program(process, keyboard, [])
    running.start_reading()
    try:
        yield running
    finally:
        process.kill()
        process.wait()
        os.close(keyboard)
        if process.stdout is not None:
            process.stdout.close()
