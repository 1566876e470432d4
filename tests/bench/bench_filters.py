"""How fast filters run and plans render: times real time on one core, and memory.

Run with ``python tests/bench/bench_filters.py``.
"""

from __future__ import annotations

import resource
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile
from scipy import signal

from shaping.filters.apply import apply_sos, initial_state
from shaping.filters.design import cascade_sos
from shaping.filters.kinds import Filter, FilterKind
from shaping.report.listening.pair import pair_paths, render_pair
from shaping.report.listening.render import render

RATE_HZ = 48_000
MINUTES = 20
FILTERS = [
    Filter(FilterKind.HIGH_PASS, 120.0, order=2),
    Filter(FilterKind.PEAKING, 250.0, q=1.0, gain_db=-6.0),
    *(Filter(FilterKind.PEAKING, hz, q=9.0, gain_db=-4.0) for hz in (800.0, 1600.0, 2500.0)),
]


def seconds(work) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def stream(sos: np.ndarray, samples: np.ndarray) -> None:
    state = initial_state(sos)
    for start in range(0, samples.size, 65_536):
        _, state = apply_sos(sos, samples[start : start + 65_536], state)


def main() -> None:
    sos = cascade_sos(FILTERS, sample_rate_hz=RATE_HZ)
    noise = np.random.default_rng(0).standard_normal(60 * RATE_HZ).astype(np.float32) / 10
    tail = np.where(np.arange(noise.size) < RATE_HZ // 10, noise, np.float32(0))
    for name, samples in (("noise", noise), ("a fading tail", tail)):
        ours = 60 / seconds(lambda samples=samples: stream(sos, samples))
        plain = 60 / seconds(lambda samples=samples: signal.sosfilt(sos, samples))
        print(f"{len(sos)} sections on {name}: {ours:.0f} x real time (sosfilt alone {plain:.0f})")
    with tempfile.TemporaryDirectory() as folder:
        source, result = Path(folder, "in.wav"), Path(folder, "out.wav")
        with soundfile.SoundFile(source, "w", RATE_HZ, 2, subtype="PCM_24") as out:
            for _ in range(MINUTES):
                out.write(np.stack([noise, noise], axis=1))
        length_s = 60 * MINUTES
        alone = length_s / seconds(lambda: render(FILTERS, source, result))
        paired = length_s / seconds(lambda: render_pair(FILTERS, source, *pair_paths(result)))
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"render {MINUTES} min of stereo: {alone:.0f} x real time, as a pair {paired:.0f}")
    print(f"peak memory {peak_mb:.0f} MB")


if __name__ == "__main__":
    main()
