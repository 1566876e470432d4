"""How far the cookbook designs are from independent ones, over rates, corners, Q and gains.

    python tests/bench/filter_accuracy.py

Coefficients are held against `scipy.signal.bilinear` of the analogue prototypes in the W3C Audio
EQ Cookbook (Group Note, 2021-06-08), against python-control's prewarped bilinear transform, and
notches against `scipy.signal.iirnotch`; responses against the prototypes' own, evaluated on the
warped frequency axis. The tests in tests/external/test_external_filters.py hold the same.
"""

from __future__ import annotations

import math

import control
import numpy as np
from scipy import signal

from shaping.filters import cookbook
from shaping.filters.response import magnitude_db
from tests.external.test_external_filters import KINDS, QS, RATES_HZ, SHARES, analogue, design

GAINS_DB = (-18.0, -3.0, 6.0)


def measure(*, quick: bool = False) -> dict[str, float]:
    """Return the largest differences; the run is short, so `quick` changes nothing."""
    del quick
    coefficient, level, designs = 0.0, 0.0, 0
    for kind in KINDS:
        for rate_hz in RATES_HZ:
            for share in SHARES:
                for q in QS:
                    for gain_db in GAINS_DB:
                        ours = design(kind, share * rate_hz, gain_db, q=q, sample_rate_hz=rate_hz)
                        warp = 1 / math.tan(math.pi * share)
                        prototype = analogue(kind, q, gain_db)
                        b, a = signal.bilinear(*prototype, 0.5 * warp)
                        coefficient = max(coefficient, float(np.abs(ours[0] - [*b, *a]).max()))
                        frequency_hz = np.geomspace(20.0, 0.499 * rate_hz, 200)
                        w = np.tan(np.pi * frequency_hz / rate_hz) * warp
                        _, true = signal.freqs(*prototype, w)
                        true_db = 20 * np.log10(np.maximum(np.abs(true), 1e-15))
                        heard = true_db > -120.0  # the bottom of a notch is a matter of rounding
                        off_db = magnitude_db(ours, frequency_hz, sample_rate_hz=rate_hz) - true_db
                        level = max(level, float(np.abs(off_db[heard]).max()))
                        designs += 1
    return {
        "designs": designs,
        "coefficient": max(coefficient, _from_control(), _from_iirnotch()),
        "response_db": level,
    }


def _from_control() -> float:
    worst, rate_hz = 0.0, 48_000
    for kind in KINDS:
        for frequency_hz, q, gain_db in [
            (100, 0.7071, -6.0),
            (1000, 1.0, 6.0),
            (9000, 8.65, -12.0),
        ]:
            w = 2 * math.pi * frequency_hz
            b, a = analogue(kind, q, gain_db)
            powers = w ** np.arange(3)
            system = control.TransferFunction(
                np.pad(b, (3 - len(b), 0)) * powers, np.asarray(a) * powers
            )
            sampled = control.sample_system(system, 1 / rate_hz, "bilinear", prewarp_frequency=w)
            top, bottom = sampled.num[0][0], sampled.den[0][0]
            theirs = np.concatenate([np.pad(top, (3 - len(top), 0)), bottom]) / bottom[0]
            ours = design(kind, frequency_hz, gain_db, q=q, sample_rate_hz=rate_hz)
            worst = max(worst, float(np.abs(ours[0] - theirs).max()))
    return worst


def _from_iirnotch() -> float:
    worst = 0.0
    for share in SHARES:
        for q in QS:
            w0 = 2 * math.pi * share
            b, a = signal.iirnotch(share, q, fs=1.0)
            mapped = math.sin(w0) / (2 * math.tan(w0 / (2 * q)))
            if mapped <= 0:
                continue
            ours = cookbook.notch(share * 48_000, mapped, sample_rate_hz=48_000)
            worst = max(worst, float(np.abs(ours[0] - [*b, *a]).max()))
    return worst


def main() -> None:
    """Measure and print."""
    got = measure()
    print(f"{got['designs']:.0f} designs: coefficients within {got['coefficient']:.1e} (1e-9), ")
    print(f"responses within {got['response_db']:.1e} dB (0.01 dB)")


if __name__ == "__main__":
    main()
