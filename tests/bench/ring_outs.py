"""Rings found in ring-outs of virtual stages, and what the plans made of them do.

    python tests/bench/ring_outs.py [--cases N] [--limits NAME] [--split fresh|held_out|tuning]

Found: clear rings (`shaping.simulation.ring_out.PlantedRing.clear`) with a certain ring within 0.5
%. False: certain rings further than 0.5 % from every mode that was unstable at any time; those that
lie on a mode that merely rang on for a second are counted apart. Growth is compared with the pole
at the highest gain of the steepest episode.

The plan: the send's equaliser is set to the plan, all cuts of the engineer removed, and the
loop's stable gain (Nyquist criterion) compared with the highest gain at which the ring-out
howled. The loop is then also run in the time domain at that gain, with a burst: it is stable if
its level does not rise by more than 1 dB from the third second to the eighth.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from dataclasses import dataclass, field

import numpy as np
from populations import RingOutCase, Split, ring_out_cases

from shaping.analysis.findings import Ring
from shaping.analysis.ring_out.nearness import find_nearness
from shaping.analysis.ring_out.rings import find_rings
from shaping.capture.recording import Capture, CaptureKind
from shaping.equaliser.limits_file import load_limits
from shaping.filters.design import cascade_sos
from shaping.plan.ring_out.near_cuts import NearAsked
from shaping.plan.ring_out.planner import plan_from_rings
from shaping.plan.thinning.starting_points import ThinningAmount
from shaping.simulation.closed_loop import run
from shaping.simulation.truth import stable_gain_db

WITHIN = 0.005
STABLE_RISE_DB = 1.0


def same(one_hz: float, other_hz: float) -> bool:
    """Tell whether two frequencies lie within the worst error allowed."""
    return abs(one_hz / other_hz - 1) < WITHIN


@dataclass
class Score:
    """Sums over all cases."""

    clear: int = 0
    found: int = 0
    certain: int = 0
    false: int = 0
    lingering: int = 0
    clear_by: Counter[str] = field(default_factory=Counter)
    found_by: Counter[str] = field(default_factory=Counter)
    false_by: Counter[str] = field(default_factory=Counter)
    certain_by: Counter[str] = field(default_factory=Counter)
    frequency_errors: list[float] = field(default_factory=list)
    growth_ratios: list[float] = field(default_factory=list)
    cpu_s: float = 0.0
    audio_s: float = 0.0
    margins_db: list[float] = field(default_factory=list)
    rises_db: list[float] = field(default_factory=list)

    def add(self, case: RingOutCase, rings: tuple[Ring, ...]) -> None:
        """Compare the rings found in one case with its truth."""
        truth = case.truth
        label = f"{case.background.value}{', clipped' if truth.clipped else ''}"
        certain = [ring for ring in rings if ring.certain]
        for planted in truth.clear_rings:
            matches = [r for r in certain if same(r.frequency_hz, planted.frequency_hz)]
            self.clear += 1
            self.clear_by[label] += 1
            if not matches:
                print(f"    missed {planted.frequency_hz:.1f} Hz at {planted.onset_s:.1f} s")
                continue
            self.found += 1
            self.found_by[label] += 1
            ring = min(matches, key=lambda r: abs(r.frequency_hz - planted.frequency_hz))
            self.frequency_errors.append(abs(ring.frequency_hz / planted.frequency_hz - 1))
            episodes = [p for p in truth.rings if same(p.frequency_hz, ring.frequency_hz)]
            steepest = max(p.growth_db_per_s for p in episodes)
            self.growth_ratios.append(ring.growth_db_per_s / steepest)
        for ring in certain:
            self.certain += 1
            self.certain_by[label] += 1
            if any(same(ring.frequency_hz, p.frequency_hz) for p in truth.rings):
                continue
            if any(same(ring.frequency_hz, m.frequency_hz) for m in truth.lingering):
                self.lingering += 1
                continue
            self.false += 1
            self.false_by[label] += 1
            print(f"    false {ring.frequency_hz:.1f} Hz at {ring.onset_s:.1f} s: {ring.evidence}")


def margin_db(case: RingOutCase, rings: tuple[Ring, ...], limits: str) -> tuple[float, float]:
    """Close the loop with the plan in the equaliser.

    Returns
    -------
    margin_db : float
        Stable gain over the gain that howled.
    rise_db : float
        How far the level rises from the third second to the eighth at the gain that howled.
    """
    rate, howl_gain_db = case.stage.sample_rate_hz, case.truth.howl_gain_db
    assert howl_gain_db is not None
    capture = Capture(case.name, rate, 1, case.samples, CaptureKind.RING_OUT)
    near = find_nearness(case.samples, rate, rings)
    plan = plan_from_rings(
        [capture],
        rings,
        load_limits(limits),
        thinning=ThinningAmount.NONE,
        asked=NearAsked((near,) if near else ()),
    )
    sos = cascade_sos([planned.filter for planned in plan.filters], sample_rate_hz=rate)
    burst = np.zeros(8 * rate)
    burst[rate] = 0.1
    sound = run(case.stage, burst, gain_db=howl_gain_db, eq=sos)
    early, late = (np.sqrt(np.mean(sound[a * rate : (a + 1) * rate] ** 2)) for a in (2, 7))
    margin = stable_gain_db(case.stage, eq_sos=sos) - howl_gain_db
    return float(margin), float(20 * np.log10(late / early))


def scored(*, cases: int, limits: str, split: Split) -> Score:
    """Run the cases one by one, say how each went, and return the sums."""
    score = Score()
    for case in ring_out_cases(split, cases):
        samples = case.samples
        began = time.process_time()
        rings = find_rings(samples, case.stage.sample_rate_hz)
        score.cpu_s += time.process_time() - began
        score.audio_s += samples.size / case.stage.sample_rate_hz
        print(f"{case.name}: {case.background.value}, {len(case.truth.clear_rings)} clear rings")
        score.add(case, rings)
        if case.truth.howl_gain_db is not None:
            margin, rise = margin_db(case, rings, limits)
            score.margins_db.append(margin)
            score.rises_db.append(rise)
            print(f"    plan: margin {margin:+.1f} dB; run in time, the level goes {rise:+.1f} dB")
    return score


def measure(
    *, quick: bool = False, cases: int = 42, limits: str = "free", split: Split = Split.FRESH
) -> dict[str, float]:
    """Return the figures of ring-outs not used for tuning, shares and errors as fractions."""
    return numbers(scored(cases=10 if quick else cases, limits=limits, split=split))


def numbers(score: Score) -> dict[str, float]:
    """Return the figures of a score."""
    errors, growth = np.array(score.frequency_errors), np.array(score.growth_ratios)
    margins = np.array(score.margins_db)
    return {
        "clear": score.clear,
        "found": score.found,
        "certain": score.certain,
        "false": score.false,
        "on_lingering_modes": score.lingering,
        "median_error": float(np.median(errors)),
        "worst_error": float(errors.max()),
        "growth_ratio_5": float(np.percentile(growth, 5)),
        "growth_ratio_median": float(np.median(growth)),
        "growth_ratio_95": float(np.percentile(growth, 95)),
        "plans": margins.size,
        "plans_stable": int(np.sum(margins > 0)),
        "plans_stable_in_time": int(np.sum(np.array(score.rises_db) < STABLE_RISE_DB)),
        "margin_least_db": float(margins.min()),
        "margin_median_db": float(np.median(margins)),
        "cpu_s_per_30_s": 30 * score.cpu_s / score.audio_s,
    }


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=42)
    parser.add_argument("--limits", default="free")
    parser.add_argument("--split", choices=[s.name.lower() for s in Split], default="fresh")
    options = parser.parse_args()
    split = Split[options.split.upper()]
    score = scored(cases=options.cases, limits=options.limits, split=split)
    n = numbers(score)
    rows = {
        "rings found": f"{n['found']} of {n['clear']} = {n['found'] / n['clear']:.1%}",
        "false rings": f"{n['false']} of {n['certain']} = {n['false'] / n['certain']:.1%} "
        f"(besides {n['on_lingering_modes']} on modes that merely rang on)",
        "frequency error": f"median {n['median_error']:.4%}, worst {n['worst_error']:.3%}",
        "growth found / true": f"5 % {n['growth_ratio_5']:.2f}, median "
        f"{n['growth_ratio_median']:.2f}, 95 % {n['growth_ratio_95']:.2f}",
        "plans stable at the howl's gain": f"{n['plans_stable']} of {n['plans']}; in the time "
        f"domain {n['plans_stable_in_time']} of {n['plans']}",
        "margin": f"least {n['margin_least_db']:+.1f} dB, median {n['margin_median_db']:+.1f} dB",
        "all margins, dB": " ".join(f"{m:+.1f}" for m in sorted(score.margins_db)),
        "CPU time per 30 s": f"{n['cpu_s_per_30_s']:.2f} s",
    }
    for label in sorted(score.certain_by | score.clear_by):
        rows[label] = (
            f"found {score.found_by[label]} of {score.clear_by[label]}, "
            f"false {score.false_by[label]} of {score.certain_by[label]}"
        )
    print(f"\n{options.cases} ring-outs, split {options.split}, limits {options.limits}")
    for what, reached in rows.items():
        print(f"{what:32s} {reached}")


if __name__ == "__main__":
    main()
