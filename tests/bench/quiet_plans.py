"""What plans from the quiet ring-out add on measured rooms, for how much tone, and elsewhere.

    python tests/bench/quiet_plans.py [--part tuning|report] [--quick]

- against six ordinary cuts (-6 dB, Q 8, on the highest point again and again) and against scipy's
  differential evolution of added gain alone, both under the same limits, on the true paths;
- pink noise without its reference against the same capture with it, judged on the true path;
- at places of measured grids that the plan did not see, also against the rule that went before:
  what is added less twice the tone removed, with no gain that is looked for;
- how long choosing the cuts takes, in processor time.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator, Sequence

import numpy as np
from measured_data import Part
from measured_rooms import MeasuredPath, measured_paths, position_sets
from numpy.typing import NDArray
from quiet_cases import case, path_of
from scipy import optimize

from shaping.analysis.loop.response import estimate_loop_response
from shaping.equaliser.limits import Limits
from shaping.equaliser.limits_file import load_limits
from shaping.equaliser.menu import cuts_db, feedback_settings, removed_tone_db
from shaping.filters.kinds import Filter
from shaping.plan.loop.best_cuts import (
    ORDINARY_COUNT,
    TONE_WEIGHT,
    OptimisedCuts,
    added_gain_db,
    optimise_curves,
    ordinary_cuts,
)
from shaping.plan.loop.choice import choose
from shaping.plan.loop.level_curve import LevelCurve, level_curve, upper_points
from shaping.plan.loop.noise_curve import noise_curve
from shaping.plan.loop.unseen import unseen_gain_db
from shaping.plan.loop.wishes import Favour, Wishes
from shaping.plan.thinning.starting_points import ThinningAmount, thinning_filters
from shaping.simulation.truth import open_loop

RATE_HZ = 48_000.0
PRESETS = ("parametric-4", "parametric-6", "graphic-31", "narrow-notch", "free")
FORMER_TONE_WEIGHT = 2.0
_OVERSAMPLING = 4


def true_curve(path: MeasuredPath) -> LevelCurve:
    """Return the true level of a loop as a measurement without any error would give it."""
    frequency_hz, response = open_loop(path.stage, oversampling=_OVERSAMPLING)
    kept = (frequency_hz > 60) & (frequency_hz < 16_000)
    level_db = 20 * np.log10(np.maximum(np.abs(response[kept]), 1e-12))
    return LevelCurve(frequency_hz[kept], level_db, np.zeros(level_db.size))


def tone_db(filters: Sequence[Filter]) -> float:
    """Return the level that cuts remove on average over the octaves from 100 Hz to 10 kHz."""
    return sum(
        float(removed_tone_db(one.gain_db or 0.0, one.q or 8.0, kind=one.kind)) for one in filters
    )


def evolved_db(curve: LevelCurve, limits: Limits, cuts: int, *, seconds: float) -> float:
    """Return the gain that differential evolution of added gain alone finds."""
    frequency_hz, level_db = upper_points([curve], (), sample_rate_hz=RATE_HZ)
    level_db = level_db - level_db.max()
    settings = feedback_settings(limits, sample_rate_hz=RATE_HZ)
    assert settings is not None
    sizes = np.array((settings.centres_hz.size, *settings.gain_db.shape))
    began = time.process_time()

    def top(vectors: NDArray[np.float64]) -> NDArray[np.float64]:
        indices = np.rint(vectors.reshape(cuts, 3, -1)).astype(np.int64)
        indices = np.clip(indices, 0, sizes[None, :, None] - 1)
        total = np.repeat(level_db[None], indices.shape[2], 0)
        for centre, gain, width in indices:
            total = total + cuts_db(
                frequency_hz[None],
                settings.centres_hz[centre][:, None],
                settings.gain_db[gain, width][:, None],
                settings.q[gain, width][:, None],
                kind=settings.kind,
                sample_rate_hz=RATE_HZ,
            )
        return np.asarray(total.max(axis=1))

    found = optimize.differential_evolution(
        top,
        [(-0.5, size - 0.5) for size in sizes] * cuts,
        vectorized=True,
        updating="deferred",
        popsize=12,
        maxiter=1_000_000,
        tol=0,
        polish=False,
        init="sobol",
        rng=np.random.default_rng(0),
        callback=lambda intermediate_result: time.process_time() - began > seconds,
    )
    return -float(found.fun)


def against_ordinary(part: Part, count: int, *, evolved: int, seconds: float) -> dict[str, float]:
    """Return gains and tones of plans over those of ordinary cuts, six parametric bands."""
    limits = load_limits("parametric-6")
    gain, balanced, tone, share, little = [], [], [], [], 0
    for index, path in enumerate(measured_paths(part, count, seed=50)):
        curve = true_curve(path)
        points = upper_points([curve], (), sample_rate_hz=RATE_HZ)
        ordinary = ordinary_cuts(*points, limits, ORDINARY_COUNT, sample_rate_hz=RATE_HZ)
        ordinary_db = added_gain_db([curve], ordinary, sample_rate_hz=RATE_HZ)
        most = optimise_curves([curve], limits, favour=Favour.GAIN)
        even = optimise_curves([curve], limits)
        gain.append(most.added_db / ordinary_db)
        balanced.append(even.added_db / ordinary_db)
        tone.append(even.tone_db / tone_db(ordinary))
        if index < evolved:
            best_db = evolved_db(curve, limits, limits.bands, seconds=seconds)
            share.append(most.added_db / best_db)
        for name in ("parametric-4", "parametric-6"):
            small = load_limits(name)
            chosen = choose(
                [curve],
                small,
                thinning_filters(ThinningAmount.LIGHT, small),
                wishes=Wishes(),
                sample_rate_hz=RATE_HZ,
            )
            little += added_gain_db([curve], chosen.filters, sample_rate_hz=RATE_HZ) < 1.0
    return {
        "loops": count,
        "gain_over_ordinary": float(np.median(gain)),
        "balanced_gain_over_ordinary": float(np.median(balanced)),
        "balanced_gain_least": min(balanced),
        "balanced_tone_over_ordinary": float(np.median(tone)),
        "evolved_loops": len(share),
        "evolved_least": min(share),
        "little": little,
        "plans": 2 * count,
    }


def without_reference(part: Part, count: int) -> dict[str, float]:
    """Return what plans from noise alone add over what the same captures with reference add."""
    limits = load_limits("parametric-6")
    ratios = []
    for number in range(count):
        measured = case("sound", number, part)
        truth = true_curve(path_of("sound", number, part))
        response = estimate_loop_response(
            measured.capture, measured.reference, capture_rate_hz=RATE_HZ, reference_rate_hz=RATE_HZ
        )
        added = [
            added_gain_db([truth], optimise_curves([curve], limits).cuts, sample_rate_hz=RATE_HZ)
            for curve in (level_curve(response), noise_curve(measured.capture, RATE_HZ))
        ]
        ratios.append(added[1] / added[0])
    return {
        "noise_captures": count,
        "noise_median": float(np.median(ratios)),
        "noise_least": min(ratios),
    }


def stable_db(curve: LevelCurve, filters: Sequence[Filter]) -> float:
    """Return the stable gain of one loop with filters."""
    return -float(upper_points([curve], filters, sample_rate_hz=RATE_HZ)[1].max())


def elsewhere(part: Part, sets: int) -> dict[str, float]:
    """Return how often the send for a further place holds there, with 1, 3 and 5 measured."""
    limits = load_limits("parametric-6")
    result: dict[str, float] = {"grid_sets": sets}
    grids = [
        [true_curve(path) for path in places]
        for places in position_sets(part, sets, positions=16, seed=5)
    ]
    for measured in (1, 3, 5):
        held, places, below, added = 0, 0, [], []
        for curves in grids:
            if len(curves) <= measured:
                continue
            here, there = curves[:measured], curves[measured:]
            plan = optimise_curves(here, limits)
            before = [stable_db(curve, ()) for curve in here]
            after = [stable_db(curve, plan.cuts) for curve in here]
            unseen = [stable_db(curve, plan.cuts) for curve in there]
            send_db = unseen_gain_db(before, after, added_db=plan.added_db)
            held += sum(gain >= send_db for gain in unseen)
            places += len(unseen)
            below.append(min(*unseen, *after) - send_db)
            added += [b - stable_db(c, ()) for b, c in zip(unseen, there, strict=True)]
        result[f"held_{measured}"], result[f"places_{measured}"] = held, places
        result[f"below_{measured}"] = float(np.median(below)) if below else np.nan
        result[f"added_there_{measured}"] = float(np.mean(added)) if added else np.nan
    return result | against_former([curves for curves in grids if len(curves) > 3])


def against_former(grids: Sequence[Sequence[LevelCurve]]) -> dict[str, float]:
    """Return what plans for three places add at others, beside plans of the former rule.

    At equal tone: between what plans that favour tone, balanced ones and ones without a gain that
    is looked for remove and add, by straight lines.
    """
    limits = load_limits("parametric-6")
    former, former_tone, equal = [], [], []
    for curves in grids:
        here, there = curves[:3], curves[3:]

        def added_there(plan: OptimisedCuts, places: Sequence[LevelCurve] = there) -> float:
            return float(np.mean([stable_db(c, plan.cuts) - stable_db(c, ()) for c in places]))

        before = optimise_curves(here, limits, tone_weight=FORMER_TONE_WEIGHT)
        plans = [
            optimise_curves(here, limits, favour=Favour.TONE),
            optimise_curves(here, limits),
            optimise_curves(here, limits, tone_weight=TONE_WEIGHT),
        ]
        plans.sort(key=lambda plan: plan.tone_db)
        former.append(added_there(before))
        former_tone.append(before.tone_db)
        equal.append(
            np.interp(
                before.tone_db,
                [0.0, *(plan.tone_db for plan in plans)],
                [0.0, *(added_there(plan) for plan in plans)],
            )
        )
    return {
        "former_sets": len(former),
        "former_tone": float(np.mean(former_tone)),
        "former_there": float(np.mean(former)),
        "over_former_there": float(np.mean(np.subtract(equal, former))),
    }


def speed(part: Part, sets: int) -> dict[str, float]:
    """Return the longest time to choose cuts for two captures and for many, any preset."""
    longest: dict[int, float] = {}
    for count in (2, 12):
        paths = list(measured_paths(part, count * sets, seed=60))
        for name in PRESETS:
            limits = load_limits(name)
            for index in range(sets):
                curves = [true_curve(path) for path in paths[index * count : (index + 1) * count]]
                began = time.process_time()
                optimise_curves(curves, limits)
                took = time.process_time() - began
                longest[count] = max(longest.get(count, 0.0), took)
    return {"seconds_2": longest[2], "seconds_12": longest[12]}


def measured_on(part: Part, *, quick: bool) -> Iterator[dict[str, float]]:
    """Yield the figures, those of one question after another."""
    yield speed(part, 1 if quick else 3)
    yield elsewhere(part, 4 if quick else 24)
    yield without_reference(part, 4 if quick else 30)
    yield against_ordinary(
        part,
        6 if quick else 60,
        evolved=1 if quick else 8,
        seconds=4.0 if quick else 20.0,
    )


def measure(*, quick: bool = False) -> dict[str, float]:
    """Return the figures on rooms that nothing was tuned on."""
    return {k: v for one in measured_on(Part.REPORT, quick=quick) for k, v in one.items()}


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--part", choices=["tuning", "report"], default="report")
    parser.add_argument("--quick", action="store_true")
    options = parser.parse_args()
    for figures in measured_on(Part(options.part), quick=options.quick):
        for key, value in figures.items():
            print(f"{key}: {value:.3f}", flush=True)


if __name__ == "__main__":
    main()
