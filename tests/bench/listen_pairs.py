"""A/B pairs: are the two equally loud, window by window, and is a howl never louder with the plan?

    python tests/bench/listen_pairs.py [--part tuning|report] [--quick]

Ring-outs in measured rooms over real speech and music, each through the plan made of it, and real
speech and music without a howl through the starting points for thinning. Howls are known from the
stage: where the send stood over the loop's stable gain, from a second before to two seconds after.
Judged are windows of 3 s every 0.1 s, as short-term loudness goes (EBU Tech 3341, from memory),
that hold no such moment and sound: within 30 dB of the recording's loudness. A howl is heard where
one of the unstable modes holds half the power of a moment (0.4 s), within 30 dB of the loudest.
Beside ours: one gain
for the whole by its loudness, and one by the loudness of what is not howl.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from measured_data import RATE_HZ, DataMissingError, Part, programme_files, read
from measured_ring_out_cases import ring_out_cases

from shaping.analysis.loudness import STEPS_PER_S, integrated_lufs, measure_steps, power_lufs
from shaping.capture.recording import Capture, CaptureKind
from shaping.equaliser.limits_file import load_limits
from shaping.errors import CaptureError
from shaping.filters.kinds import Filter
from shaping.plan.suggest import suggest
from shaping.plan.thinning.planner import thin
from shaping.rehearsals.scanning.scan_file import scan_file
from shaping.report.listening.matching import HOWL_CAP_DB
from shaping.report.listening.pair import render_pair
from shaping.report.listening.rise import WARNED_RISE_DB, rise_of
from shaping.simulation import truth

WINDOW = 3 * STEPS_PER_S
QUIET_DB = 30.0
PROGRAMME_S = 40.0

Real = np.ndarray


@dataclass(frozen=True, eq=False)
class Case:
    """A recording, the filters to hear it through, and when and where it howls in truth."""

    name: str
    samples: Real
    filters: tuple[Filter, ...]
    howls: tuple[tuple[float, float], ...] = ()
    howls_hz: tuple[float, ...] = ()


@dataclass(frozen=True, eq=False)
class Score:
    """What one pair came to; loudness differences in LU, with the plan against without."""

    name: str
    apart_lu: Real
    apart_whole_lu: Real
    apart_calm_lu: Real
    howl_louder_lu: float
    howl_over_rest_lu: float
    silent_rise: bool


def cases(part: Part, ring_outs: int, programme_s: float) -> Iterator[Case]:
    """Yield ring-outs with the plans made of them, then programme with thinning alone."""
    limits = load_limits("parametric-4")
    for one in ring_out_cases(part, ring_outs):
        capture = Capture(one.name, RATE_HZ, 1, one.samples, CaptureKind.RING_OUT)
        try:
            plan = suggest([capture], limits).plan
        except CaptureError:
            continue
        over = one.gain_db > truth.stable_gain_db(one.loop.stage)
        edges = np.flatnonzero(np.diff(np.r_[False, over, False])).reshape(-1, 2) / 100.0
        howls = tuple((float(start) - 1.0, float(stop) + 2.0) for start, stop in edges)
        filters = tuple(p.filter for p in plan.filters)
        yield Case(one.name, one.samples, filters, howls, one.howls_hz)
    for amount in ("medium", "strong"):
        filters = tuple(p.filter for p in thin(limits, amount=amount).plan.filters)
        for kind in ("speech", "music"):
            for path in programme_files(kind, part):
                sound = read(path)[: round(programme_s * RATE_HZ)]
                yield Case(f"{amount} {path.stem}", 0.5 * sound, filters)


def scored(case: Case, folder: Path) -> Score:
    """Render a pair as the command does, and measure what was written."""
    source, without, with_plan = (folder / f"{name}.wav" for name in ("in", "without", "with"))
    soundfile.write(source, case.samples, RATE_HZ, subtype="FLOAT")
    heard = [(event.start_s, event.stop_s) for event in scan_file(str(source)).events]
    made = render_pair(case.filters, source, without, with_plan, howls=heard, force=True)
    before, after = (_power(path) for path in (without, with_plan))
    plain = render_pair(
        case.filters, source, without, with_plan, howls=heard, equally_loud=False, force=True
    )
    as_it_was, through = (_power(path) for path in (without, with_plan))
    howling = np.zeros(before.size, dtype=bool)
    for start_s, stop_s in case.howls:
        howling[max(int(start_s * STEPS_PER_S), 0) : int(np.ceil(stop_s * STEPS_PER_S))] = True
    judged = _judged(before, howling)
    apart = _apart(before, after)[judged]
    whole_lu = integrated_lufs(through) - integrated_lufs(as_it_was)
    true = _apart(as_it_was, through)[judged]
    calm_lu = plain.plan_loudness_change_db
    moments = [np.convolve(power, np.full(4, 0.25), "valid") for power in (before, after)]
    in_howl = (np.convolve(howling, np.ones(4), "valid") > 0) & _rings(case)[: before.size - 3]
    in_howl &= power_lufs(moments[0]) > power_lufs(moments[0].max()) - QUIET_DB
    louder = (power_lufs(moments[1]) - power_lufs(moments[0]))[in_howl]
    calm = integrated_lufs(before, ~howling)
    loudest = power_lufs(moments[0])[in_howl]
    rises = any(rise_of(power) is not None for power in (before, after))
    return Score(
        case.name,
        apart,
        true - whole_lu,
        true - calm_lu,
        float(louder.max(initial=-np.inf)),
        float(loudest.max(initial=-np.inf) - calm) if np.isfinite(calm) else -np.inf,
        rises and made.rise is None,
    )


def _rings(case: Case) -> Real:
    """Return in which moments a mode holds half the power, one every 0.1 s."""
    size, hop = 4 * RATE_HZ // STEPS_PER_S, RATE_HZ // STEPS_PER_S
    frames = np.lib.stride_tricks.sliding_window_view(case.samples, size)[::hop]
    found = np.zeros(len(frames), dtype=bool)
    frequency_hz = np.fft.rfftfreq(size, 1 / RATE_HZ)
    for at, frame in enumerate(frames):
        power = np.abs(np.fft.rfft(frame * np.hanning(size))) ** 2
        found[at] = any(
            power[np.abs(frequency_hz - hz) < max(0.01 * hz, 6.0)].sum() > 0.5 * power.sum()
            for hz in case.howls_hz
        )
    return found


def _power(path: Path) -> Real:
    samples, _ = soundfile.read(path, dtype="float32", always_2d=True)
    return measure_steps([samples], RATE_HZ).power


def _judged(power: Real, howling: Real) -> Real:
    windows = np.convolve(power, np.full(WINDOW, 1 / WINDOW), "valid")
    calm = np.convolve(howling, np.ones(WINDOW), "valid") < 0.5
    return calm & (power_lufs(windows) > integrated_lufs(power) - QUIET_DB)


def _apart(before: Real, after: Real) -> Real:
    first, second = (np.convolve(p, np.full(WINDOW, 1 / WINDOW), "valid") for p in (before, after))
    return power_lufs(second) - power_lufs(first)


def measure(*, quick: bool = False, part: Part = Part.REPORT) -> dict[str, float]:
    """Return the figures, over `part`."""
    scores, silent = [], 0
    with tempfile.TemporaryDirectory() as folder:
        for case in cases(part, 12 if quick else 30, 15.0 if quick else PROGRAMME_S):
            try:
                scores.append(scored(case, Path(folder)))
                print(_line(len(scores), scores[-1]), flush=True)  # a run stopped early counts
            except CaptureError:  # nothing but a quiet ring: it is refused, and counted
                silent += 1
    apart, whole, calm = (
        np.abs(np.concatenate([getattr(one, name) for one in scores]))
        for name in ("apart_lu", "apart_whole_lu", "apart_calm_lu")
    )
    by_howl = sorted(scores, key=lambda one: -one.howl_louder_lu)
    by_rest = sorted(scores, key=lambda one: -np.max(np.abs(one.apart_lu), initial=0.0))
    for one in (*by_rest[:5], *by_howl[:5]):
        print(_line(scores.index(one) + 1, one))
    return {
        "pairs": float(len(scores)),
        "silent": float(silent),
        "with_howl": float(sum(np.isfinite(one.howl_louder_lu) for one in scores)),
        "windows": float(apart.size),
        "within": float(np.sum(apart <= 0.5)),
        "worst_lu": float(apart.max()),
        "within_whole": float(np.sum(whole <= 0.5)),
        "worst_whole_lu": float(whole.max()),
        "within_calm": float(np.sum(calm <= 0.5)),
        "worst_calm_lu": float(calm.max()),
        "howl_louder_lu": max(one.howl_louder_lu for one in scores),
        "howl_over_rest_lu": max(one.howl_over_rest_lu for one in scores),
        "silent_rises": float(sum(one.silent_rise for one in scores)),
        "cap_db": HOWL_CAP_DB,
        "warned_db": WARNED_RISE_DB,
    }


def _line(number: int, one: Score) -> str:
    apart_lu = np.abs(one.apart_lu)
    return (
        f"{number:3}: {np.sum(apart_lu <= 0.5):4} of {apart_lu.size:4} windows within 0.5 LU, "
        f"{apart_lu.max(initial=0.0):6.2f} apart at most, howl louder by "
        f"{one.howl_louder_lu:7.4f}, over the rest {one.howl_over_rest_lu:6.2f}: {one.name}"
    )


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--part", choices=["tuning", "report"], default="report")
    parser.add_argument("--quick", action="store_true")
    asked = parser.parse_args()
    try:
        found = measure(quick=asked.quick, part=Part(asked.part))
    except DataMissingError as error:
        raise SystemExit(str(error)) from None
    for key, value in found.items():
        print(f"{key:20} {value:10.3f}")


if __name__ == "__main__":
    main()
