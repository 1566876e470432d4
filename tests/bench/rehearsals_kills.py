"""Scans that are killed, run out of disk, or lose their cluster, against undisturbed ones.

Run ``python tests/bench/rehearsals_kills.py``; ``--incidents 5`` for a short run. An incident is
one scan that was stopped before it was through: killed outright with all its processes, refused
room by the system at a random size of file, or left by its scheduler. The scan is started again
until it is through, then from nothing, until there were enough incidents of a kind. Each time it
is through, events.csv, summary.json and report.html must equal those of an undisturbed scan, byte
by byte. Among the material is a recording that takes many pieces, so that scans are also stopped
inside a file.
"""

from __future__ import annotations

import argparse
import os
import random
import resource
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

RATE_HZ = 48_000
RESULTS = ("events.csv", "summary.json", "report.html")
LAUNCH = (
    "import sys, shaping.rehearsals.scanning.pieces as pieces\n"
    "pieces.PIECE_S = 10.0\n"
    "from shaping.cli.main import run\n"
    "if __name__ == '__main__':\n"
    "    sys.exit(run(sys.argv[1:]))\n"
)


@dataclass
class Tally:
    """What became of one kind of incident."""

    incidents: int = 0
    through: int = 0
    equal: int = 0


def write_tapes(folder: Path) -> None:
    """Write eight recordings of half a minute and one of four minutes, each with howls."""
    rng = np.random.default_rng(8)
    folder.mkdir()
    for take, length_s in enumerate([30] * 8 + [240]):
        time_s = np.arange(length_s * RATE_HZ) / RATE_HZ
        samples = 0.003 * rng.standard_normal((time_s.size, 2))
        for at_s in range(8, length_s - 8, 31):
            level_db = np.clip(-70 + 60 * (time_s - at_s), -120, -12)
            level_db[time_s > at_s + 4] = -120
            hertz = 700 + 90 * take + 7 * at_s
            samples[:, take % 2] += 10 ** (level_db / 20) * np.sin(2 * np.pi * hertz * time_s)
        soundfile.write(folder / f"take {take:02} 2026-05-{take + 1:02}.flac", samples, RATE_HZ)


def command(launcher: Path, tapes: Path, out: Path, *words: str) -> list[str]:
    """Return the command line of a scan."""
    return [sys.executable, str(launcher), "rehearsals", str(tapes), "--out", str(out), *words]


def started(words: list[str], **options: object) -> subprocess.Popen[bytes]:
    """Start a program with a process group of its own, silent."""
    return subprocess.Popen(
        words,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
        **options,  # type: ignore[call-overload]
    )


def killed(words: list[str], moments: random.Random) -> bool:
    """Run a scan and kill it; tell whether it was through before."""
    scan = started([*words, "--jobs", "2"])
    try:
        return scan.wait(moments.uniform(0.5, 12.0)) == 0
    except subprocess.TimeoutExpired:
        os.killpg(scan.pid, signal.SIGKILL)
        scan.wait()
        return False


def out_of_room(words: list[str], moments: random.Random) -> bool:
    """Run a scan that may not write files beyond a random size; tell whether it was through."""
    room = int(2 ** moments.uniform(8, 17))

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (room, room))

    return started([*words, "--jobs", "1"], preexec_fn=limit).wait() == 0


def left_by_its_scheduler(words: list[str], moments: random.Random) -> bool:
    """Run a scan on a cluster of one worker and kill the scheduler; tell whether it was through."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"
    dask = [sys.executable, "-m", "distributed.cli.dask_"]

    def part(name: str, *options: str) -> subprocess.Popen[bytes]:
        return started([*dask[:2], dask[2] + name, *options, "--no-dashboard"])

    head = part("scheduler", "--host", "127.0.0.1", "--port", str(port))
    worker = part("worker", address, "--nthreads", "1", "--no-nanny")
    try:
        scan = started([*words, "--cluster", address, "--wait", "30"])
        journal = Path(words[5]) / "scanned.jsonl"
        before = journal.stat().st_size if journal.exists() else 0
        kept = Path(words[5]) / "unfinished"
        known = sum(file.stat().st_size for file in kept.glob("*")) if kept.exists() else 0
        while scan.poll() is None:  # until it is at work
            size = journal.stat().st_size if journal.exists() else 0
            pieces = sum(file.stat().st_size for file in kept.glob("*")) if kept.exists() else 0
            if size > before or pieces > known:
                break
            time.sleep(0.05)
        time.sleep(moments.uniform(0.0, 1.5))
        os.killpg(head.pid, signal.SIGKILL)
        try:
            return scan.wait(20) == 0
        except subprocess.TimeoutExpired:  # it waits for the scheduler: enough of it
            os.killpg(scan.pid, signal.SIGKILL)
            scan.wait()
            return False
    finally:
        for process in (head, worker):
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()


KINDS: dict[str, Callable[[list[str], random.Random], bool]] = {
    "killed": killed,
    "out of room": out_of_room,
    "left by its scheduler": left_by_its_scheduler,
}


def results(out: Path) -> dict[str, bytes]:
    """Return the contents of the results."""
    return {name: (out / name).read_bytes() for name in RESULTS}


def disturbed(
    kind: str, incidents: int, launcher: Path, tapes: Path, folder: Path, whole: dict[str, bytes]
) -> Tally:
    """Stop scans until there were enough incidents, and compare what they come to."""
    tally = Tally()
    moments = random.Random(f"{kind} 1")
    out = folder / "disturbed"
    while tally.incidents < incidents:
        through = KINDS[kind](command(launcher, tapes, out), moments)
        tally.incidents += not through
        # Now and then a scan is let through.
        if through or moments.random() < 0.12 or tally.incidents == incidents:
            subprocess.run(
                command(launcher, tapes, out, "--jobs", "2"), check=True, stdout=subprocess.DEVNULL
            )
            tally.through += 1
            tally.equal += results(out) == whole
            shutil.rmtree(out)
    return tally


def tallies(*, incidents: int, kinds: tuple[str, ...] = tuple(KINDS)) -> dict[str, Tally]:
    """Return the tally of each kind of incident."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        tapes, launcher = folder / "tapes", folder / "launch.py"
        write_tapes(tapes)
        launcher.write_text(LAUNCH)
        undisturbed = command(launcher, tapes, folder / "whole", "--jobs", "2")
        subprocess.run(undisturbed, check=True, stdout=subprocess.DEVNULL)
        whole = results(folder / "whole")
        return {kind: disturbed(kind, incidents, launcher, tapes, folder, whole) for kind in kinds}


def measure(*, quick: bool = False) -> dict[str, float]:
    """Return incidents, scans brought through after them, and how many ended as undisturbed."""
    found = tallies(incidents=3 if quick else 50).values()
    return {
        "incidents": sum(tally.incidents for tally in found),
        "through": sum(tally.through for tally in found),
        "equal": sum(tally.equal for tally in found),
    }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--incidents", type=int, default=50, help="of each kind")
    parser.add_argument("--kind", choices=list(KINDS), help="of this kind alone")
    options = parser.parse_args()
    for kind in [options.kind] if options.kind else KINDS:
        tally = tallies(incidents=options.incidents, kinds=(kind,))[kind]
        print(
            f"{kind}: {tally.incidents} incidents; {tally.through} scans brought through, "
            f"{tally.equal} with results equal to an undisturbed one's",
            flush=True,
        )


if __name__ == "__main__":
    main()
