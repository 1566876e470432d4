"""Changes found between two weeks: ten kinds, on stages of measured rooms.

Every trial renders a stage's noise twice, with fresh room noise, players that start anew, mics and
playback within 0.4 dB, and sound 0.1 % faster or slower. The second week has one fault, or none.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from measured_data import RATE_HZ, Part, Real
from measured_stages import MeasuredStage, measured_stages
from scipy import fft, signal, stats

from shaping.analysis.loop.response import estimate_loop_response
from shaping.capture.signals import pink_noise
from shaping.stage.description.stage import Take
from shaping.stage.measure import Measured
from shaping.stage.plan_stage import StageRecordings, path_records
from shaping.stage.stage_plan import PathRecord
from shaping.stage.weeks.stage_changes import ChangeKind, stage_changes

KINDS = (
    "same",
    "mic-level",
    "wedge-level",
    "mic-swapped",
    "mic-turned",
    "mic-moved",
    "mic-polarity",
    "wedge-polarity",
    "driver-dead",
    "driver-weak",
    "wedge-moved",
)
_FITS = {
    "mic-level": {ChangeKind.LEVEL},
    "wedge-level": {ChangeKind.LEVEL},
    "mic-swapped": {ChangeKind.MIC_SWAPPED},
    "mic-turned": {ChangeKind.MIC_TURNED, ChangeKind.MIC_MOVED},
    "mic-moved": {ChangeKind.MIC_MOVED, ChangeKind.MIC_TURNED},
    "mic-polarity": {ChangeKind.POLARITY},
    "wedge-polarity": {ChangeKind.POLARITY},
    "driver-dead": {ChangeKind.DRIVER_DEAD},
    "driver-weak": {ChangeKind.DRIVER_WEAK},
    "wedge-moved": {ChangeKind.WEDGE_MOVED},
}
_NOISE_S = 12.0
_FLOOR_DB = -25.0


@dataclass(frozen=True, slots=True)
class Outcome:
    """One trial: the kind planted, whether it was named right, and how many changes were told."""

    kind: str
    right: bool
    told: str


def measured_week(rng: np.random.Generator, paths: Real, noise: Real) -> tuple[PathRecord, ...]:
    """Return the records of one week's recordings of all paths."""
    mics, wedges, _ = paths.shape
    names = [f"mic {m}" for m in range(mics)]
    gain_db = rng.uniform(-0.4, 0.4, mics + wedges)
    at = np.arange(paths.shape[2]) * (1 + rng.uniform(-0.0005, 0.0005))
    measured = []
    for w in range(wedges):
        start = int(rng.integers(0, RATE_HZ))
        loops = []
        for m in range(mics):
            path = np.interp(at, np.arange(paths.shape[2]), paths[m, w], right=0.0)
            heard = signal.oaconvolve(np.pad(noise, (start, 0)), path)[: noise.size + start]
            heard *= 10 ** ((gain_db[m] + gain_db[mics + w]) / 20)
            level = np.sqrt(np.mean(heard[start:] ** 2)) * 10 ** (_FLOOR_DB / 20)
            heard = heard + level * _pink(rng, heard.size)
            loops.append(
                estimate_loop_response(
                    heard, noise, capture_rate_hz=RATE_HZ, reference_rate_hz=RATE_HZ
                )
            )
        take = Take(f"wedge {w}", "", "noise", {name: m + 1 for m, name in enumerate(names)})
        measured.append(Measured(take, (), tuple(names), tuple(loops)))
    return path_records(None, StageRecordings(tuple(measured), (), ()))  # type: ignore[arg-type]


def faulty(
    rng: np.random.Generator, stage: MeasuredStage, other: MeasuredStage, kind: str
) -> tuple[Real, str]:
    """Return the paths of the second week, and whose fault it is."""
    paths = stage.paths.copy()
    mics, wedges, n = paths.shape
    m, w = int(rng.integers(mics)), int(rng.integers(wedges))
    own = (m, slice(None)) if kind.startswith("mic") else (slice(None), w)
    whole = paths[own]
    sign = rng.choice([-1, 1])
    if kind.endswith("level"):
        paths[own] = whole * 10 ** (sign * rng.uniform(2.5, 8) / 20)
    elif kind.endswith("polarity"):
        paths[own] = -whole
    elif kind == "mic-swapped":
        paths[own] = _filtered(whole, _tone(rng))
    elif kind.startswith("driver"):
        loss_db = -40.0 if kind == "driver-dead" else -float(rng.uniform(4, 9))
        paths[own] = _filtered(whole, _driver(float(rng.uniform(1_500, 2_500)), loss_db))
    elif kind != "same":
        elsewhere = _turned if kind == "mic-turned" else _moved
        paths[own] = [
            elsewhere(rng, path, _fit(other.paths[i % len(other.paths), -1 - i % 2], n))
            for i, path in enumerate(whole)
        ]
    whose = f"mic {m}" if kind.startswith("mic") else f"wedge {w}"
    return paths, "" if kind == "same" else whose


def trial(index: int, seed: int, stages: Sequence[MeasuredStage]) -> Outcome:
    """Run one trial."""
    rng = np.random.default_rng([seed, 0x7765656B, index])
    kind = KINDS[index % len(KINDS)]
    stage = stages[(index // len(KINDS)) % len(stages)]
    other = stages[(index // len(KINDS) + 1) % len(stages)]
    noise = pink_noise(_NOISE_S, sample_rate_hz=RATE_HZ, level_dbfs=-30.0, seed=index)
    last = measured_week(rng, stage.paths, noise)
    paths, whose = faulty(rng, stage, other, kind)
    found = stage_changes(last, measured_week(rng, paths, noise))
    told = "; ".join(f"{one.mic or one.wedge}: {one.kind.value}" for one in found)
    if kind == "same":
        return Outcome(kind, not found, told)
    right = (
        bool(found) and found[0].kind in _FITS[kind] and (found[0].mic or found[0].wedge) == whose
    )
    return Outcome(kind, right, f"[{whose}] {told}")


def measure(*, quick: bool = False, part: Part = Part.REPORT, seed: int = 0) -> dict[str, float]:
    """Return the share found, the share of false alarms, and their numbers."""
    trials = 44 if quick else 220
    stages = [one for one in measured_stages(part, 30, seed=seed) if min(one.sends.shape) >= 2]
    stages = [one for one in stages if one.paths.shape[0] >= 3]
    outcomes = [trial(index, seed, stages) for index in range(trials)]
    for one in outcomes:
        if not one.right:
            print(one.kind, "->", one.told, flush=True)
    planted = [one for one in outcomes if one.kind != "same"]
    same = [one for one in outcomes if one.kind == "same"]
    by_kind = Counter(one.kind for one in planted if one.right)
    print({kind: f"{by_kind[kind]}/{sum(o.kind == kind for o in planted)}" for kind in KINDS[1:]})
    found, false = sum(one.right for one in planted), sum(not one.right for one in same)
    low, high = _interval(found, len(planted))
    print(f"found {found}/{len(planted)} [{low:.1%}, {high:.1%}]")
    low, high = _interval(false, len(same))
    print(f"false alarms {false}/{len(same)} [{low:.1%}, {high:.1%}]")
    return {"found": found / len(planted), "false": false / len(same), "trials": float(trials)}


def _interval(hits: int, of: int) -> tuple[float, float]:
    interval = stats.binomtest(hits, of).proportion_ci(method="exact")
    return float(interval.low), float(interval.high)


def _pink(rng: np.random.Generator, n: int) -> Real:
    spectrum = fft.rfft(rng.standard_normal(n))
    spectrum /= np.sqrt(np.maximum(np.arange(spectrum.size), 40))
    noise = fft.irfft(spectrum, n)
    return np.asarray(noise / np.sqrt(np.mean(noise**2)))


def _tone(rng: np.random.Generator) -> Real:
    """Return another mic's response over this one's, at 4096 frequencies: within some 6 dB."""
    hz = np.linspace(0, RATE_HZ / 2, 4097)
    octaves = np.log2(np.maximum(hz, 20) / 1000)
    level = rng.uniform(-1.5, 1.5) * octaves
    for _ in range(3):
        level += (
            rng.choice([-1, 1])
            * rng.uniform(2, 5)
            / (1 + (2 * (octaves - rng.uniform(-2, 3.5))) ** 2)
        )
    return np.asarray(level)


def _driver(crossover_hz: float, loss_db: float) -> Real:
    hz = np.linspace(0, RATE_HZ / 2, 4097)
    return np.asarray(loss_db / (1 + (crossover_hz / np.maximum(hz, 1)) ** 8))


def _filtered(paths: Real, level_db: Real) -> Real:
    """Return paths through a minimum-phase filter of these levels."""
    log = np.log(10) / 20 * level_db
    cepstrum = fft.irfft(log)
    n = cepstrum.size
    cepstrum[1 : n // 2] *= 2
    cepstrum[n // 2 + 1 :] = 0
    taps = fft.irfft(np.exp(fft.rfft(cepstrum)))[:4096]
    return np.asarray(signal.oaconvolve(paths, taps[None, :], axes=-1)[..., : paths.shape[-1]])


def _fit(path: Real, n: int) -> Real:
    return np.asarray(np.pad(path, (0, max(0, n - path.size)))[:n])


def _split(path: Real) -> tuple[Real, Real, int]:
    """Return direct sound and the rest, and where the direct sound is."""
    at = int(np.argmax(np.abs(path)))
    direct = path.copy()
    direct[at + round(0.0022 * RATE_HZ) :] = 0.0
    return direct, path - direct, at


def _moved(rng: np.random.Generator, path: Real, other: Real) -> Real:
    """Return a path from elsewhere: direct sound moved and of another level, another room."""
    direct, room, _ = _split(path)
    _, new_room, _ = _split(other)
    shift = int(rng.choice([-1, 1]) * rng.uniform(0.0006, 0.0025) * RATE_HZ)
    direct = np.roll(direct, shift) * 10 ** (rng.uniform(-5, 5) / 20)
    new_room = new_room * np.sqrt(np.sum(room**2) / max(np.sum(new_room**2), 1e-20))
    return np.asarray(direct + new_room)


def _turned(rng: np.random.Generator, path: Real, other: Real) -> Real:
    """Return a path of a mic that looks elsewhere: other direct level, other reflections."""
    direct, room, _ = _split(path)
    _, new_room, _ = _split(other)
    new_room = new_room * np.sqrt(np.sum(room**2) / max(np.sum(new_room**2), 1e-20))
    change_db = rng.choice([-1, 1]) * rng.uniform(3, 9)
    return np.asarray(direct * 10 ** (change_db / 20) + 0.6 * room + 0.8 * new_room)


if __name__ == "__main__":
    measure(
        quick="--quick" in sys.argv, part=Part.TUNING if "--tuning" in sys.argv else Part.REPORT
    )
