"""From ``shaping measure`` to the plan on the screen, on a real sound server.

``python tests/bench/live_plan_time.py`` measures one wedge with three mics and 20 s of noise
through JACK's dummy driver with a virtual stage behind it (``tests/live``), and prints how long
that takes from the start of the program to its end. Takes whose blocks were lost are taken again
and count.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "live"))

from servers import LONGEST_PERIOD, jack_stage, program

MICS = ((480, 0.5), (900, 0.2), (1400, 0.1))


def paths() -> np.ndarray:
    """One wedge, three mics, a little room."""
    rng = np.random.default_rng(0)
    found = np.zeros((len(MICS), 1, 9600))
    for mic, (delay, gain) in enumerate(MICS):
        tail = np.arange(9600 - delay)
        found[mic, 0, delay:] = 0.05 * gain * rng.standard_normal(tail.size) * np.exp(-tail / 2000)
        found[mic, 0, delay] = gain
    return found


def measure(*, quick: bool = False, count: int = 3) -> dict[str, float]:
    """Return what the table of figures needs."""
    took, again = [], 0
    with (
        tempfile.TemporaryDirectory() as name,
        jack_stage(Path(name), paths(), noise_dbfs=-75, period=LONGEST_PERIOD) as stage,
    ):
        for _ in range(1 if quick else count):
            words = ("measure", "--device", "stage", "--output", "1", "--yes", "--force")
            words = (*words, "--mics", "lead=1, choir=2, third=3", "--into", name)
            began = time.monotonic()
            with program(stage.environment, *words) as running:
                code, said = running.end(200)
            if code:
                raise RuntimeError(said)
            took.append(time.monotonic() - began)
            again += said.count("does not count")
            print(f"{took[-1]:.1f} s, {again} takes made again so far", flush=True)
    return {"worst_s": max(took), "runs": len(took), "again": again}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=3)
    numbers = measure(count=parser.parse_args().count)
    print(f"worst of {numbers['runs']:.0f}: {numbers['worst_s']:.1f} s")


if __name__ == "__main__":
    main()
