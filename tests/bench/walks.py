"""What is promised along a walk, against the loop at every place of it.

    python tests/bench/walks.py [--quick] [--part report|tuning]

Walks between measured positions (`walk_cases`): half of them pause at places, half never stand
still; 15 to 30 dB over the room's noise, clocks up to 100 ppm apart. A block's truth is that of the
worst moment within it, a walk's that of the worst moment of all that was measured. The plainest
method is the mic's power over that of the noise, frequency by frequency (Welch), per block.
"""

from __future__ import annotations

import argparse

import numpy as np
from exact import share_text
from measured_data import Part, Real
from scipy import signal
from walk_cases import RATE_HZ, WalkCase, walks

from shaping.analysis.walk.along import Along, Walk
from shaping.capture.recording import Capture, CaptureKind
from shaping.equaliser.limits_file import load_limits
from shaping.filters.response import total_db
from shaping.plan.thinning.starting_points import ThinningAmount
from shaping.plan.walk.planner import plan_walk

ALLOWED_DB = 0.5
_WELCH = 8192


def capture(samples: np.ndarray, name: str) -> Capture:
    """Return samples as a capture."""
    return Capture(name, RATE_HZ, 1, samples, CaptureKind.PINK_NOISE)


def over_truth(case: WalkCase, walk: Walk, found: Along, stable_db: Real) -> tuple[Real, float]:
    """Return what each block, and the whole walk, promises over the truth, in dB."""
    blocks, truths = [], []
    for block in np.flatnonzero(walk.measured):
        inside = (case.moment_s >= walk.start_s[block]) & (case.moment_s <= walk.stop_s[block])
        if inside.any():
            truths.append(float(stable_db[inside].min()))
            blocks.append(float(found.low_db[block]))
    return np.array(blocks) - np.array(truths), min(blocks) - min(truths)


def plain(case: WalkCase, walk: Walk) -> Real:
    """Return what the plainest method promises over the truth, block by block."""
    over = []
    lag_s = float(np.median(case.moment_s - np.arange(case.moment_s.size) * 0.1))
    for block in np.flatnonzero(walk.measured):
        first, last = (round(t * RATE_HZ) for t in (walk.start_s[block], walk.stop_s[block]))
        begin = max(first - round(lag_s * RATE_HZ), 0)
        heard, played = case.capture[first:last], case.reference[begin : begin + last - first]
        inside = (case.moment_s >= walk.start_s[block]) & (case.moment_s <= walk.stop_s[block])
        if played.size < _WELCH or not inside.any():
            continue
        hz, mic = signal.welch(heard, RATE_HZ, nperseg=_WELCH)
        _, sent = signal.welch(played, RATE_HZ, nperseg=_WELCH)
        band = (hz > 100) & (hz < 10_000)
        level_db = 10 * np.log10(np.max(mic[band] / sent[band]))
        over.append(-level_db - float(case.stable_db[inside].min()))
    return np.array(over)


def measure(*, quick: bool = False, part: Part = Part.REPORT) -> dict[str, float]:
    """Return the figures."""
    limits = load_limits("parametric-4")
    blocks, wholes, after_blocks, after_wholes, plains, added, tone = [], [], [], [], [], [], []
    for case in walks(part, 6 if quick else 48):
        made = plan_walk(
            capture(case.capture, "walk.wav"),
            capture(case.reference, "noise.wav"),
            limits,
            thinning=ThinningAmount.NONE,
        )
        one, whole = over_truth(case, made.walk, made.before, case.stable_db)
        filters = [planned.filter for planned in made.plan.filters]
        effect = total_db(filters, case.frequency_hz, sample_rate_hz=RATE_HZ)
        with_plan = -np.max(case.levels_db + effect.astype(np.float32), axis=1).astype(float)
        after, after_whole = over_truth(case, made.walk, made.after, with_plan)
        blocks.append(one)
        wholes.append(whole)
        after_blocks.append(after)
        after_wholes.append(after_whole)
        plains.append(plain(case, made.walk))
        added.append(with_plan.min() - case.stable_db.min())
        tone.append(made.plan.loop.tone_removed_db if made.plan.loop else 0.0)
        held = [int(np.sum(np.concatenate(each) <= ALLOWED_DB)) for each in (blocks, after_blocks)]
        print(
            f"{case.name}: {whole:+.1f} {after_whole:+.1f} dB, +{added[-1]:.1f}; blocks {held} of "
            f"{sum(map(len, blocks))}",
            flush=True,
        )
    every, later, bare = (np.concatenate(each) for each in (blocks, after_blocks, plains))
    return {
        "walks": len(wholes),
        "walks_held": int(np.sum(np.array(wholes) <= ALLOWED_DB)),
        "walks_after_held": int(np.sum(np.array(after_wholes) <= ALLOWED_DB)),
        "walks_median_db": float(np.median(wholes)),
        "blocks": every.size,
        "blocks_held": int(np.sum(every <= ALLOWED_DB)),
        "blocks_after_held": int(np.sum(later <= ALLOWED_DB)),
        "blocks_median_db": float(np.median(every)),
        "plain": bare.size,
        "plain_held": int(np.sum(bare <= ALLOWED_DB)),
        "plain_median_db": float(np.median(bare)),
        "added_median_db": float(np.median(added)),
        "added_least_db": float(np.min(added)),
        "tone_median_db": float(np.median(tone)),
    }


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--part", choices=["report", "tuning"], default="report")
    arguments = parser.parse_args()
    n = measure(quick=arguments.quick, part=Part(arguments.part))
    for what in ("walks", "walks_after", "blocks", "blocks_after", "plain"):
        count = n[what.removesuffix("_after")]
        print(f"{what} held: {share_text(n[f'{what}_held'], count)}")
    print({key: value for key, value in n.items() if key.endswith("_db")})


if __name__ == "__main__":
    main()
