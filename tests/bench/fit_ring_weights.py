"""Fit the weights of `shaping.analysis.ring_out.likelihood` on tuning material.

Positive examples are rises at frequencies where the loop was truly unstable, in ring-outs of the
tuning split, and in made-up fast howls as dry stages give them. Negative examples are all other
rises, and those in any recordings without feedback named on the command line. Left out are
harmonics and mixtures of howls, which `find_rings` sorts out by other means, and rises that the
present weights rule out by their line alone.

    python tests/bench/fit_ring_weights.py [--cases N] [RECORDING...]
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator

import numpy as np
import soundfile as sf
from numpy.typing import NDArray
from populations import Background, Split, background_sound, ring_out_cases
from scipy.optimize import minimize

from shaping.analysis.ring_out.growth import find_slopes
from shaping.analysis.ring_out.likelihood import features
from shaping.analysis.ring_out.slopes import Growth

NAMES = (
    "constant",
    "rise",
    "unevenness",
    "duration",
    "wander",
    "family",
    "partials",
    "share",
)
LEAST_LIKELIHOOD = 0.001
LEAST_RISE_DB = 10.0
PRODUCT_DB = -25.0

Example = tuple[Growth, bool]


def stage_examples(cases: int) -> Iterator[Example]:
    """Rises in ring-outs of the tuning split."""
    for case in ring_out_cases(Split.TUNING, cases):
        truth = case.truth
        for growth in _rises(case.samples, case.stage.sample_rate_hz):
            at = growth.frequency_hz
            during = any(
                abs(at / r.frequency_hz - 1) < 0.005
                and r.onset_s - 0.5 < growth.stop_s
                and growth.start_s < r.end_s + 0.5
                for r in truth.rings
            )
            near = any(
                abs(at / r.frequency_hz - 1) < 0.01 for r in (*truth.rings, *truth.lingering)
            )
            if during or (not near and growth.share_db >= PRODUCT_DB):
                yield growth, during


def fast_examples(count: int, *, rate: int = 32_000) -> Iterator[Example]:
    """Rises in made-up howls of 80 to 500 dB/s over the programmes of the virtual stage."""
    for index in range(count):
        rng = np.random.default_rng([Split.TUNING.value, 13, index])
        background = list(Background)[index % len(Background)]
        samples = background_sound(background, 6 * rate, rate, rng)
        samples += rng.standard_normal(samples.size) * 10 ** (rng.uniform(-80, -60) / 20)
        frequency_hz = float(np.exp(rng.uniform(np.log(200), np.log(8000))))
        samples += _fast_howl(frequency_hz, samples.size, rate, rng)
        for growth in _rises(np.clip(samples, -1, 1), rate):
            ratio = growth.frequency_hz / frequency_hz
            true = abs(ratio - 1) < 0.005
            if true or (abs(ratio - round(ratio)) > 0.01 and growth.share_db >= PRODUCT_DB):
                yield growth, true


def programme_examples(count: int, *, rate: int = 48_000) -> Iterator[Example]:
    """Rises in 20 s of speech, music or held notes without feedback, `count` times."""
    programmes = (Background.SPEECH, Background.MUSIC, Background.HELD_NOTES)
    for index in range(count):
        rng = np.random.default_rng([Split.TUNING.value, 17, index])
        samples = background_sound(programmes[index % 3], 20 * rate, rate, rng)
        samples += rng.standard_normal(samples.size) * 10 ** (rng.uniform(-80, -60) / 20)
        for growth in _rises(np.clip(samples, -1, 1), rate):
            yield growth, False


def recording_examples(path: str) -> Iterator[Example]:
    """Rises in a recording without feedback."""
    samples, rate = sf.read(path, dtype="float32", always_2d=True)
    for growth in _rises(samples[:, 0], rate):
        yield growth, False


def fit(examples: list[Example]) -> NDArray[np.float64]:
    """Logistic regression with a slight pull towards zero."""
    kept = [(g, y) for g, y in examples if not y or g.rise_db > LEAST_RISE_DB]
    x = np.array([features(g) for g, _ in kept])
    sign = np.where([y for _, y in kept], 1.0, -1.0)

    def loss(weights: NDArray[np.float64]) -> float:
        return float(np.logaddexp(0, -sign * (x @ weights)).sum() + 0.5 * (weights[1:] ** 2).sum())

    return np.asarray(minimize(loss, np.zeros(x.shape[1]), method="BFGS").x)


def _rises(samples: NDArray[np.floating], rate: int) -> list[Growth]:
    block = np.ascontiguousarray(samples, np.float32)
    return find_slopes(block, rate, least_likelihood=LEAST_LIKELIHOOD).growths


def _fast_howl(
    frequency_hz: float, size: int, rate: int, rng: np.random.Generator
) -> NDArray[np.float64]:
    time = np.arange(size) / rate
    start_s, growth = rng.uniform(0.5, 2.0), np.exp(rng.uniform(np.log(80), np.log(500)))
    top_db, hold_s = rng.uniform(-25, 3), rng.uniform(0.2, 1.5)
    level = top_db - 90 + np.minimum(growth * (time - start_s), 90)
    end_s = start_s + 90 / growth + hold_s
    level = np.where(time > end_s, level - rng.uniform(60, 400) * (time - end_s), level)
    amplitude = np.where(time < start_s, 0, 10 ** (level / 20))
    return np.asarray(amplitude * np.sin(2 * np.pi * frequency_hz * time))


def main() -> None:
    """Print the weights in the order of `features`, and how well they part the examples."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("recordings", nargs="*")
    parser.add_argument("--cases", type=int, default=84)
    options = parser.parse_args()
    examples = [
        *stage_examples(options.cases),
        *fast_examples(2 * options.cases),
        *programme_examples(options.cases // 3),
    ]
    for path in options.recordings:
        examples.extend(recording_examples(path))
    weights = fit(examples)
    for name, weight in zip(NAMES, weights, strict=True):
        print(f"{name:12s} {weight:6.2f}")
    likely = 1 / (1 + np.exp(-np.array([features(g) for g, _ in examples]) @ weights))
    true = np.array([y for _, y in examples])
    for least in (0.3, 0.5, 0.7, 0.8):
        print(
            f"likelihood {least}: {np.mean(likely[true] > least):.0%} of {true.sum()} true rises, "
            f"{np.sum(likely[~true] > least)} of {(~true).sum()} others"
        )


if __name__ == "__main__":
    main()
