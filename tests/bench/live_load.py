"""What watching 32 channels takes, on a real sound server.

``python tests/bench/live_load.py --minutes 30`` watches a virtual stage of 32 mics behind JACK's
dummy driver (``tests/live``), every mic with music of the report part, and prints lost blocks and
the processor's time used, of one core. Needs Debian's jackd2 and libportaudio2.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from measured_data import DataMissingError, Part, programme_files, read

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "live"))

from servers import LONGEST_PERIOD, first, jack_stage

CHANNELS = 32


def music() -> np.ndarray:
    """Return some minutes of music of the report part."""
    parts = [read(path)[: 48_000 * 40] for path in programme_files("music", Part.REPORT)[::3]]
    sound = np.concatenate(parts[:8])
    return 0.05 * sound / np.std(sound)


def measure(*, quick: bool = False, minutes: float = 30.0) -> dict[str, float]:
    """Return what the table of figures needs."""
    seconds = 60.0 if quick else 60 * minutes
    paths = np.zeros((CHANNELS, 1, 64))
    with tempfile.TemporaryDirectory() as name:
        out = Path(name) / "watch.json"
        with jack_stage(Path(name), paths, period=LONGEST_PERIOD, programme=music()) as stage:
            words = ["-m", "shaping", "watch", "--device", "stage", "--seconds", str(seconds)]
            began = time.monotonic()
            process = subprocess.Popen(
                [*first(), sys.executable, *words, "--json", str(out)],
                env={**stage.environment, "OPENBLAS_NUM_THREADS": "1"},
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
            )
            _, code, used = os.wait4(process.pid, 0)
            took_s = time.monotonic() - began
            server_lost = stage.say("report")["lost"]
        if code:
            raise RuntimeError(f"the watch ended with {code}")
        result = json.loads(out.read_text(encoding="utf-8"))
    return {
        "watched_s": result["duration_s"],
        "wanted_s": seconds,
        "lost": result["lost_blocks"],
        "server_lost": server_lost,
        "core_share": (used.ru_utime + used.ru_stime) / took_s,
        "memory_mb": used.ru_maxrss / 1024,
        "rings": sum(ring["certain"] for ring in result["rings"]),
    }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=30.0)
    numbers = measure(minutes=parser.parse_args().minutes)
    print(
        f"{numbers['watched_s']:.0f} s of {CHANNELS} channels watched; "
        f"{numbers['lost']:.0f} blocks lost, {numbers['server_lost']:.0f} of them or more by the "
        f"server and the stage themselves; "
        f"{numbers['core_share']:.0%} of one core; {numbers['memory_mb']:.0f} MB; "
        f"{numbers['rings']:.0f} certain rings told"
    )


if __name__ == "__main__":
    try:
        main()
    except DataMissingError as error:
        raise SystemExit(str(error)) from None
