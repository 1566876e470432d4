"""Speed and memory of the rehearsal scan, on one core, against reading and transforming alone.

Run ``python tests/bench/rehearsals_speed.py``; ``--quick`` leaves out the long files. Both sides
read the same 24-bit file in the same blocks in the same run, in turns, and the least of their CPU
times counts, since other programs on the machine can only slow either side down. The yardstick
makes the same frames, float32, and calls ``scipy.fft.rfft`` on batches of them: once on the bare
frames, and once on windowed frames with the power taken, as any spectrum needs.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile
from scipy import fft

from shaping.capture.audio import read_blocks
from shaping.rehearsals.frames import grid_for
from shaping.rehearsals.scan_file import BLOCK_FRAMES, scan_file
from shaping.simulation.programme import music, speech

RATE_HZ = 48_000
ROUNDS = 5
BATCH = 32


def write_programme(path: Path, hours: float) -> None:
    """Write a mono 24-bit file of synthetic music and speech, made of one piece repeated."""
    n = 120 * RATE_HZ
    piece = music(n, sample_rate_hz=RATE_HZ, seed=1) + speech(n, sample_rate_hz=RATE_HZ, seed=2)
    rng = np.random.default_rng(3)
    piece = (0.5 * piece + 1e-4 * rng.standard_normal(n)).astype(np.float32)
    with soundfile.SoundFile(path, "w", RATE_HZ, 1, "PCM_24", format="RF64") as file:
        for _ in range(round(hours * 3600 / 120)):
            file.write(piece)


def read_and_transform(path: str, *, windowed: bool) -> float:
    """Read a file and transform its frames; return the sum of something, so that it is done."""
    grid = grid_for(soundfile.info(path).samplerate)
    window = np.hanning(grid.length).astype(np.float32)
    span = (BATCH - 1) * grid.hop + grid.length
    total = 0.0
    left = np.zeros((0, soundfile.info(path).channels), np.float32)
    for block in read_blocks(path, block_frames=BLOCK_FRAMES):
        left = np.concatenate([left, block])
        while len(left) >= span:
            for samples in np.ascontiguousarray(left[:span].T):
                frames = np.lib.stride_tricks.sliding_window_view(samples, grid.length)
                frames = frames[:: grid.hop]
                if windowed:
                    spectrum = fft.rfft(frames * window, axis=1)
                    power = spectrum.real**2 + spectrum.imag**2
                    total += float(power[0, 0])
                else:
                    total += abs(fft.rfft(frames, axis=1)[0, 0])
            left = left[BATCH * grid.hop :]
    return total


def cpu_s(call: Callable[[], object]) -> float:
    """CPU time of one call."""
    began = time.process_time()
    call()
    return time.process_time() - began


def peak_mb(path: Path) -> float:
    """Peak memory of a scan in a fresh process, in MB."""
    code = (
        "import sys\nfrom shaping.rehearsals.scan_file import scan_file\n"
        "scan_file(sys.argv[1])\n"
        "lines = open('/proc/self/status').read().splitlines()\n"
        "sys.stdout.write(next(s.split()[1] for s in lines if s.startswith('VmHWM')))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)], check=True, capture_output=True, text=True
    )
    return int(done.stdout) / 1024


def rates(path: str) -> dict[str, float]:
    """Times realtime of the yardsticks and of the scan, in turns."""
    info = soundfile.info(path)
    sides: dict[str, Callable[[], object]] = {
        "read + rfft": lambda: read_and_transform(path, windowed=False),
        "read + window + rfft + power": lambda: read_and_transform(path, windowed=True),
        "scan": lambda: scan_file(path),
    }
    best = dict.fromkeys(sides, float("inf"))
    for _ in range(ROUNDS):
        for side, call in sides.items():
            best[side] = min(best[side], cpu_s(call))
    return {side: info.duration * info.channels / seconds for side, seconds in best.items()}


def measure(*, quick: bool = False) -> dict[str, float]:
    """Return the scan's rate over reading and transforming, its peak memory and up to how long."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "programme.rf64"
        write_programme(path, 1 / 6)
        rate = rates(str(path))
        peaks = []
        lengths_h = (1 / 6,) if quick else (1 / 6, 1.0, 3.0)
        for hours in lengths_h:
            write_programme(path, hours)
            peaks.append(peak_mb(path))
    return {
        "rate": rate["scan"] / rate["read + rfft"],
        "peak_mb": max(peaks),
        "hours": max(lengths_h),
    }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="10 minutes only")
    parser.add_argument("--file", help="measure on this recording instead of synthetic programme")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(options.file or Path(folder) / "programme.rf64")
        if not options.file:
            write_programme(path, 1 / 6)
        rate = rates(str(path))
        for side, times in rate.items():
            print(f"{side:30} {times:7.0f} x realtime")
        print(f"scan / (read + rfft): {rate['scan'] / rate['read + rfft']:.2f} (at least 0.7)")
        windowed = rate["read + window + rfft + power"]
        print(f"scan / (with window and power): {rate['scan'] / windowed:.2f}")
        for label, hours in (("10 min", 1 / 6), ("1 h", 1.0), ("3 h", 3.0)):
            if options.file or (options.quick and hours > 0.5):
                break
            write_programme(path, hours)
            print(f"peak memory, {label}: {peak_mb(path):.0f} MB (at most 200)")


if __name__ == "__main__":
    main()
