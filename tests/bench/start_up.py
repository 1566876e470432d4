"""Time of the main job in a fresh process, against starting Python with the libraries it needs.

    python tests/bench/start_up.py [--runs 9] [--profile]

The job is ``shaping suggest`` on a 30 s ring-out, plot included. The yardstick starts Python and
imports numpy, scipy.signal, soundfile and matplotlib.pyplot. Both run in turns, after one run of
each that fills the caches, and medians are compared: of the time on the clock, and of processor
time (user and system, children included), which other programs on the machine disturb less.
"""

from __future__ import annotations

import argparse
import os
import re
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import soundfile
from populations import Split, ring_out_cases

YARDSTICK = ("-c", "import numpy, scipy.signal, soundfile, matplotlib.pyplot")
CAPTURE_S = 30.0
MOST = 2.5
"""The ratio must not be higher."""

_PROFILED = """
import cProfile, importlib, pstats, sys
from contextlib import redirect_stdout
from io import StringIO
for name in sys.argv[1].split(","):
    try:
        importlib.import_module(name)
    except ImportError:
        pass
from shaping.cli.main import run
profile = cProfile.Profile()
with redirect_stdout(StringIO()):
    profile.runcall(run, sys.argv[2:])
pstats.Stats(profile).sort_stats("cumulative").print_stats(r"shaping|matplotlib", 45)
pstats.Stats(profile).sort_stats("tottime").print_stats(20)
"""


def write_capture(path: Path) -> None:
    """Write a ring-out of exactly 30 s from a stage that no setting was tuned on."""
    for case in ring_out_cases(Split.HELD_OUT, 20):
        if case.samples.size == round(CAPTURE_S * case.stage.sample_rate_hz):
            soundfile.write(path, case.samples, case.stage.sample_rate_hz, "PCM_24")
            return
    raise LookupError("no ring-out of 30 s in the population")


def job(capture: Path, folder: Path) -> tuple[str, ...]:
    """Return the words after ``python`` that run the main job."""
    words = ("suggest", str(capture), "--plot", str(folder / "plan.png"), "--force")
    return ("-m", "shaping", *words)


def run_once(words: tuple[str, ...]) -> tuple[float, float]:
    """Run Python with `words`; return seconds on the clock and seconds of processor time."""
    began = time.perf_counter()
    child = subprocess.Popen([sys.executable, *words], stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(child.pid, 0)
    wall_s = time.perf_counter() - began
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise subprocess.CalledProcessError(child.returncode, child.args)
    return wall_s, used.ru_utime + used.ru_stime


def measure(*, quick: bool = False, runs: int | None = None) -> dict[str, float]:
    """Return medians in seconds and their ratios (keys ``ratio`` and ``cpu_ratio``)."""
    runs = runs or (3 if quick else 9)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        capture = folder / "ring_out.wav"
        write_capture(capture)
        sides = (YARDSTICK, job(capture, folder))
        for words in sides:
            run_once(words)
        taken = [[run_once(words) for words in sides] for _ in range(runs)]
    yard_s, job_s = (statistics.median(turn[side][0] for turn in taken) for side in (0, 1))
    yard_cpu_s, job_cpu_s = (statistics.median(turn[side][1] for turn in taken) for side in (0, 1))
    return {
        "yardstick_s": yard_s,
        "job_s": job_s,
        "ratio": job_s / yard_s,
        "yardstick_cpu_s": yard_cpu_s,
        "job_cpu_s": job_cpu_s,
        "cpu_ratio": job_cpu_s / yard_cpu_s,
    }


def profile() -> None:
    """Print the slowest imports of the job, then where the rest of its time goes."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        capture = folder / "ring_out.wav"
        write_capture(capture)
        words = job(capture, folder)
        run_once(words)
        told = subprocess.run(
            [sys.executable, "-X", "importtime", *words], capture_output=True, text=True, check=True
        ).stderr
        found = re.findall(r"import time:\s+(\d+) \|\s+(\d+) \|(\s+)(\S+)", told)
        imports = [(int(own), int(whole), len(deep), module) for own, whole, deep, module in found]
        print(f"imports: {len(imports)} modules, {sum(own for own, *_ in imports) / 1e6:.3f} s")
        for heading, column, most in (("with what they import", 1, 40), ("alone", 0, 25)):
            print(f"\nslowest imports, {heading}, ms:")
            for entry in sorted(imports, key=lambda one: -one[column])[:most]:
                print(f"  {entry[column] / 1e3:8.1f}  {entry[3]}")
        modules = ",".join(module for *_, module in imports if module != "__main__")
        print(f"\nthe rest, {len(imports)} modules loaded beforehand:", flush=True)
        subprocess.run([sys.executable, "-c", _PROFILED, modules, *words[2:]], check=True)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=9)
    parser.add_argument("--profile", action="store_true", help="print where the time goes")
    options = parser.parse_args()
    if options.profile:
        profile()
        return
    got = measure(runs=options.runs)
    print(f"Python and libraries  {got['yardstick_s']:.2f} s, CPU {got['yardstick_cpu_s']:.2f} s")
    print(f"suggest with plot     {got['job_s']:.2f} s, CPU {got['job_cpu_s']:.2f} s")
    print(f"ratio                 {got['ratio']:.2f}, CPU {got['cpu_ratio']:.2f} (at most {MOST})")


if __name__ == "__main__":
    main()
