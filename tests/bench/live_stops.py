"""How soon the output is silent after a stop, whatever the cause, on a real sound server.

``python tests/bench/live_stops.py`` runs ``shaping measure`` a hundred times against JACK's dummy
driver with a virtual stage behind it (``tests/live``), stops it by a key, Ctrl-C, SIGTERM, SIGHUP,
an input that clips, and a howl that grows, in turn, and takes the time from the cause to the last
sample that reaches the stage. A howl counts from when it stands 10 dB over what the mic hears.
Blocks are 1024 samples, 21 ms. Needs Debian's jackd2 and libportaudio2.
"""

from __future__ import annotations

import argparse
import math
import os
import signal
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from exact import share_text

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "live"))

from servers import RunningStage, jack_stage, program

CAUSES = ("key", "ctrl-c", "term", "hang-up", "clip", "howl")
_SIGNALS = {"ctrl-c": signal.SIGINT, "term": signal.SIGTERM, "hang-up": signal.SIGHUP}
GROWTH_DB_PER_S = 60.0
_NOISE_DBFS = -60.0
_OVER_DB = 10.0


def paths() -> np.ndarray:
    """One wedge, one mic: a direct sound."""
    found = np.zeros((1, 1, 1024))
    found[0, 0, 480] = 0.3
    return found


def silence_after_s(stage: RunningStage, folder: Path, cause: str, wait_s: float) -> float:
    """Stop one measurement; return seconds from the cause to the last sample that was fed."""
    words = ("measure", "--device", "stage", "--output", "1", "--mics", "lead=1", "--yes")
    with program(stage.environment, *words, "--into", str(folder), "--force") as running:
        running.wait_for("Playing at")
        time.sleep(wait_s)
        if cause == "key":
            acted = time.monotonic()
            os.write(running.keyboard, b" ")
        elif cause in _SIGNALS:
            acted = time.monotonic()
            running.process.send_signal(_SIGNALS[cause])
        else:
            line = "clip" if cause == "clip" else f"tone 1234 {GROWTH_DB_PER_S}"
            acted = float(stage.say(line)["acted"])
            if cause == "howl":
                level = _NOISE_DBFS + 20 + _OVER_DB  # what is played stands 20 dB over the noise
                acted += (level + 3.0 + 70.0) / GROWTH_DB_PER_S
        code, said = running.end()
        fed = float(stage.say("report")["fed"])
    if code not in (3, 130):
        raise RuntimeError(f"{cause}: exit code {code}\n{said}")
    return fed - acted


def measure(*, quick: bool = False, count: int = 100) -> dict[str, float]:
    """Return what the table of figures needs."""
    count = 12 if quick else count
    found: dict[str, list[float]] = {cause: [] for cause in CAUSES}
    rng = np.random.default_rng(0)
    with (
        tempfile.TemporaryDirectory() as name,
        jack_stage(Path(name), paths(), noise_dbfs=_NOISE_DBFS) as stage,
    ):
        folder = Path(name)
        for number in range(count):
            cause = CAUSES[number % len(CAUSES)]
            wait_s = float(rng.uniform(1.3, 2.5))
            found[cause].append(silence_after_s(stage, folder, cause, wait_s))
            stage.say("reset")
            print(f"{number + 1} {cause}: {1000 * found[cause][-1]:.0f} ms", flush=True)
    every = np.array([value for own in found.values() for value in own])
    for cause, own in found.items():
        if own:
            print(f"{cause}: {len(own)}, worst {1000 * max(own):.0f} ms")
    return {
        "stops": every.size,
        "silent": int(np.sum(every <= 0.1)),
        "median_ms": 1000 * float(np.median(every)),
        "worst_ms": 1000 * float(every.max(initial=-math.inf)),
    }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="twelve stops")
    numbers = measure(quick=parser.parse_args().quick)
    print(
        f"silent within 100 ms: {share_text(int(numbers['silent']), int(numbers['stops']))}; "
        f"median {numbers['median_ms']:.0f} ms, worst {numbers['worst_ms']:.0f} ms"
    )


if __name__ == "__main__":
    main()
