"""Ring-outs in measured rooms: what the plan made of one recording does to the loop.

    python tests/bench/measured_ring_outs.py [--cases N] [--part tuning|report] [--limits NAME]
                                             [--calibrate] [--verbose]

One recording (`measured_ring_out_cases`), one plan without thinning, dialled into the loop; then
the loop's stable gain is known from its in-phase points. Counted:

- stable at the highest send of the recording, and 3 dB above it;
- stable gain added, beside that of the plainest method that could do the job (`plain_cuts`) and
  of four cuts of 6 dB, Q 4, placed one after the other on the true highest in-phase point;
- the howl that was loudest found within 0.5 % as a certain ring;
- certain rings that lie on no in-phase point within 3 dB of howling (within 2 Hz and 0.1 %);
- whether the interval promised for the added gain holds it;
- recordings without any feedback (speech, music, held notes) whose plan holds a feedback cut.

Intervals are exact binomial ones (Clopper-Pearson), 95 %.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from measured_data import RATE_HZ, Part, programme_files, read
from measured_ring_out_cases import Background, RingOutCase, ring_out_cases
from scipy import ndimage, stats

from shaping.analysis.spectra import power_spectrogram
from shaping.capture.recording import Capture, CaptureKind
from shaping.equaliser.limits import Limits
from shaping.equaliser.limits_file import load_limits
from shaping.equaliser.menu import removed_tone_db
from shaping.equaliser.quantise import quantise
from shaping.filters.design import cascade_sos
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.response import frequency_response
from shaping.plan.plan import Plan
from shaping.plan.suggest import suggest
from shaping.simulation.truth import in_phase_points, open_loop

MARGIN_DB = 3.0
SAME = 0.005
NEAR_DB = 3.0
CASES = 160
FREE_S = 15.0


@dataclass(frozen=True, slots=True)
class Score:
    """What one ring-out came to; gains in dB."""

    background: Background
    needed_db: float
    added_db: float
    plain_db: float
    oracle_db: float
    tone_db: float
    promised: tuple[float, float, float] | None
    curve_db: float
    dominant_found: bool
    certain: int
    false: int


class Judge:
    """Knows a loop; says what filters do to its stable gain."""

    def __init__(self, case: RingOutCase) -> None:
        frequency_hz, response = open_loop(case.loop.stage)
        kept = frequency_hz < 18_000
        self._frequency_hz, self._response = frequency_hz[kept], response[kept]
        self._before_db = case.loop.stable_gain_db

    def points(self, filters: Sequence[Filter]) -> tuple[np.ndarray, np.ndarray]:
        """Return the in-phase points and their gains with filters in the loop."""
        response = self._response
        if filters:
            sos = cascade_sos(list(filters), sample_rate_hz=RATE_HZ)
            response = response * frequency_response(
                sos, self._frequency_hz, sample_rate_hz=RATE_HZ
            )
        return in_phase_points(self._frequency_hz, response)

    def added_db(self, filters: Sequence[Filter]) -> float:
        """Return the stable gain that filters add, in phase."""
        return float(-self.points(filters)[1].max() - self._before_db)


def plain_cuts(samples: np.ndarray, limits: Limits, count: int = 4) -> list[Filter]:
    """Cut by 6 dB, Q 4, where the sound stood highest over its neighbourhood; 20 lines.

    Height over the median of 200 Hz in windows of 0.1 s, in the last 70 % of the recording; its
    80th percentile over time.
    """
    seen = power_spectrogram(samples, RATE_HZ, window_s=0.1, hop_s=0.05, max_frequency_hz=9_000)
    power_db = seen.power_db[int(0.3 * len(seen.power_db)) :]
    width = round(200 / seen.bin_hz) | 1
    height_db = power_db - ndimage.median_filter(power_db, size=(1, width))
    score = np.percentile(height_db, 80, axis=0)
    score[seen.frequency_hz < 80] = -np.inf
    cuts = []
    for _ in range(count):
        centre_hz = float(seen.frequency_hz[score.argmax()])
        cuts.append(quantise(Filter(FilterKind.PEAKING, centre_hz, q=4.0, gain_db=-6.0), limits))
        apart = np.abs(np.log2(np.maximum(seen.frequency_hz, 1.0) / centre_hz))
        score[apart < 1 / 8] = -np.inf
    return cuts


def oracle_cuts(judge: Judge, limits: Limits, count: int = 4) -> list[Filter]:
    """Cut by 6 dB, Q 4, where the loop howls first, again and again: one who knows the path."""
    cuts: list[Filter] = []
    for _ in range(count):
        found_hz, gain_db = judge.points(cuts)
        centre_hz = float(found_hz[gain_db.argmax()])
        cuts.append(quantise(Filter(FilterKind.PEAKING, centre_hz, q=4.0, gain_db=-6.0), limits))
    return cuts


def tone_db(filters: Sequence[Filter]) -> float:
    """Return the level that filters remove on average from 100 Hz to 10 kHz."""
    return sum(float(removed_tone_db(f.gain_db or 0.0, f.q or 1.0, kind=f.kind)) for f in filters)


def planned(samples: np.ndarray, limits: Limits) -> Plan:
    """Return the plan of one recording, without thinning."""
    capture = Capture("ring-out", RATE_HZ, 1, samples, CaptureKind.RING_OUT)
    return suggest([capture], limits, thinning="none").plan


def scored(case: RingOutCase, limits: Limits) -> Score:
    """Plan from one recording and judge the plan."""
    judge = Judge(case)
    plan = planned(case.samples, limits)
    filters = [one.filter for one in plan.filters]
    certain = [ring.frequency_hz for ring in plan.rings if ring.certain]
    near = [
        point.frequency_hz for point in case.loop.in_phase if point.gain_db + case.top_db > -NEAR_DB
    ]
    told = plan.ring_out
    return Score(
        background=case.background,
        needed_db=case.top_db - case.loop.stable_gain_db,
        added_db=judge.added_db(filters),
        plain_db=judge.added_db(plain_cuts(case.samples, limits)),
        oracle_db=judge.added_db(oracle_cuts(judge, limits)),
        tone_db=tone_db(filters),
        promised=(told.added_db.low, told.added_db.likely, told.added_db.high) if told else None,
        curve_db=told.promised_db if told else 0.0,
        dominant_found=any(abs(hz / case.dominant_hz - 1) < SAME for hz in certain),
        certain=len(certain),
        false=sum(all(abs(hz - n) > 2 + 0.001 * hz for n in near) for hz in certain),
    )


def feedback_free(part: Part) -> Iterator[tuple[str, np.ndarray]]:
    """Yield stretches of speech, music and held notes without any feedback."""
    size = round(FREE_S * RATE_HZ)
    for kind in ("speech", "music", "notes"):
        for path in programme_files(kind, part):
            sound = read(path).astype(np.float32)
            for start in range(0, sound.size - size + 1, size):
                yield f"{path.stem} {start / RATE_HZ:.0f} s", sound[start : start + size]


def share(count: int, of: int) -> str:
    """Return a share with its exact 95 % interval."""
    if not of:
        return "none of none"
    interval = stats.binomtest(count, of).proportion_ci(method="exact")
    return f"{count}/{of} = {count / of:.1%} [{interval.low:.1%}, {interval.high:.1%}]"


def numbers(scores: Sequence[Score], free: Sequence[bool]) -> dict[str, float]:
    """Return the figures: counts, and gains in dB."""
    margin = np.array([s.added_db - s.needed_db for s in scores])
    reach = np.array([s.oracle_db - s.needed_db >= MARGIN_DB for s in scores])
    plain = np.array([s.plain_db - s.needed_db for s in scores])
    told = [s for s in scores if s.promised]
    added, oracle = (np.array([getattr(s, k) for s in scores]) for k in ("added_db", "oracle_db"))
    return {
        "cases": len(scores),
        "stable": int(np.sum(margin > 0)),
        "stable_plain": int(np.sum(plain > 0)),
        "with_margin": int(np.sum(margin >= MARGIN_DB)),
        "reachable": int(reach.sum()),
        "with_margin_reachable": int(np.sum((margin >= MARGIN_DB) & reach)),
        "with_margin_reachable_plain": int(np.sum((plain >= MARGIN_DB) & reach)),
        "added_median_db": float(np.median(added)),
        "plain_median_db": float(np.median([s.plain_db for s in scores])),
        "oracle_median_db": float(np.median(oracle)),
        "tone_median_db": float(np.median([s.tone_db for s in scores])),
        "dominant": sum(s.dominant_found for s in scores),
        "certain": sum(s.certain for s in scores),
        "false": sum(s.false for s in scores),
        "told": len(told),
        "held": sum(s.promised[0] <= s.added_db <= s.promised[2] for s in told if s.promised),
        "free": len(free),
        "free_cut": sum(free),
    }


def table(n: dict[str, float]) -> str:
    """Return the figures as lines of text."""
    whole = {key: round(value) for key, value in n.items()}
    cases = whole["cases"]
    rows = {
        "stable at the highest send": share(whole["stable"], cases),
        "  the plain method": share(whole["stable_plain"], cases),
        "with 3 dB margin, all": share(whole["with_margin"], cases),
        "  where oracle cuts reach it": share(whole["with_margin_reachable"], whole["reachable"]),
        "  there, the plain method": share(
            whole["with_margin_reachable_plain"], whole["reachable"]
        ),
        "median added": f"{n['added_median_db']:.2f} dB, plain {n['plain_median_db']:.2f}, oracle "
        f"{n['oracle_median_db']:.2f}: {n['added_median_db'] / n['oracle_median_db']:.2f} x; "
        f"removing {n['tone_median_db']:.2f} dB of level",
        "dominant howl found": share(whole["dominant"], cases),
        "certain rings that are none": share(whole["false"], whole["certain"]),
        "interval holds the added gain": share(whole["held"], whole["told"]),
        "feedback-free, with a cut": share(whole["free_cut"], whole["free"]),
    }
    return "\n".join(f"{what:32s} {reached}" for what, reached in rows.items())


def run(
    part: Part, cases: int, limits: Limits, *, verbose: bool = False, free: bool = True
) -> tuple[list[Score], list[bool]]:
    """Score ring-outs and feedback-free recordings."""
    scores = []
    for case in ring_out_cases(part, cases):
        score = scored(case, limits)
        scores.append(score)
        if verbose:
            print(
                f"{case.name}: {case.background.value}, {case.limiter.value}, needed "
                f"{score.needed_db:.1f}, added {score.added_db:.1f} (plain {score.plain_db:.1f}, "
                f"oracle {score.oracle_db:.1f}), found {score.dominant_found}, "
                f"{score.certain} certain, {score.false} false",
                flush=True,
            )
    with_cut = []
    for name, samples in feedback_free(part) if free else ():
        rang = any(ring.certain for ring in planned(samples, limits).rings)
        with_cut.append(rang)
        if rang and verbose:
            print(f"{name}: a certain ring without feedback", flush=True)
    return scores, with_cut


def measure(*, quick: bool = False) -> dict[str, float]:
    """Return the figures of the report rooms."""
    return numbers(*run(Part.REPORT, 24 if quick else CASES, load_limits("parametric-4")))


def calibrate(scores: Sequence[Score]) -> None:
    """Print the line from what the curve promises to what is added, and its spread."""
    told = [s for s in scores if s.promised]
    curve = np.array([s.curve_db for s in told])
    added = np.array([s.added_db for s in told])
    slope, base = np.polyfit(curve, added, 1)
    left = np.percentile(added - (base + slope * curve), [5, 50, 95])
    print(f"added = {base:.2f} + {slope:.2f} x promised; misses 5, 50, 95 %: {np.round(left, 2)}")


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=CASES)
    parser.add_argument("--part", choices=["tuning", "report", "locked"], default="report")
    parser.add_argument("--limits", default="parametric-4")
    parser.add_argument("--calibrate", action="store_true", help="fit what is promised")
    parser.add_argument("--verbose", action="store_true")
    options = parser.parse_args()
    limits = load_limits(options.limits)
    free = not options.calibrate
    scores, with_cut = run(
        Part(options.part), options.cases, limits, verbose=options.verbose, free=free
    )
    print(f"{options.cases} ring-outs, {options.part} rooms, {limits.name}")
    print(table(numbers(scores, with_cut)))
    for background in Background:
        own = [s for s in scores if s.background is background]
        stable = sum(s.added_db > s.needed_db for s in own)
        print(f"  stable, {background.value:22s} {share(stable, len(own))}")
    if options.calibrate:
        calibrate(scores)


if __name__ == "__main__":
    main()
