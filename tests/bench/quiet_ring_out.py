"""The quiet ring-out on stages not used for tuning: prediction, optimiser, delivery.

    python tests/bench/quiet_ring_out.py [--stages 40] [--de-stages 6] [--de-seconds 20]

For every stage 30 s of pink noise are played with the mic muted, at 20 dB over the room's noise,
by a player whose clock differs from the recorder's by up to 200 ppm; then

- the predicted stable gain is held against the stage's own,
- the plan's added stable gain against that of scipy's differential evolution, which chooses among
  the same settings by the same measure for `--de-seconds` of processor time, and of a plain greedy
  method (a cut on the highest point, again and again),
- what the plan truly adds: the loop is closed over speech-like noise in the time domain, just
  under and just over the promised gain.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft, optimize

from shaping.analysis.findings import LoopResponse
from shaping.analysis.loop.response import estimate_loop_response
from shaping.analysis.loop.stability import stable_gain
from shaping.equaliser.limits import Limits
from shaping.equaliser.limits_file import load_limits
from shaping.equaliser.menu import cuts_db, feedback_settings, removed_tone_db
from shaping.equaliser.quantise import quantise
from shaping.filters.design import cascade_sos
from shaping.filters.kinds import Filter
from shaping.plan.loop.best_cuts import TONE_WEIGHT, added_gain_db, optimise_cuts
from shaping.plan.loop.level_curve import LevelCurve, level_curve, upper_points
from shaping.simulation import closed_loop
from shaping.simulation.closed_loop import Stage, run
from shaping.simulation.recorder import recorded
from shaping.simulation.truth import stable_gain_db, worst_case_stable_gain_db
from tests.bench.populations import Split, stages

SECONDS = 30.0
SNR_DB = 20.0


def pink(count: int, rate: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return pink noise from 40 Hz to 16 kHz at -20 dBFS."""
    frequency_hz = fft.rfftfreq(count, 1 / rate)
    weight = np.zeros_like(frequency_hz)
    band = (frequency_hz > 40) & (frequency_hz < 16_000)
    weight[band] = 1 / np.sqrt(frequency_hz[band])
    noise = fft.irfft(fft.rfft(rng.standard_normal(count)) * weight, count)
    return np.asarray(0.1 * noise / noise.std())


def quiet_capture(stage: Stage, seed: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the capture and its reference."""
    rng = np.random.default_rng([seed, 77])
    rate = stage.sample_rate_hz
    reference = pink(int(SECONDS * rate), rate, rng)
    level = 20 * np.log10(closed_loop.measure(replace(stage, noise_dbfs=-150.0), reference).std())
    noisy = replace(stage, noise_dbfs=level - SNR_DB)
    heard = closed_loop.measure(noisy, np.concatenate([reference, np.zeros(rate)]), seed=seed)
    capture = recorded(
        heard,
        sample_rate_hz=rate,
        start_s=-float(rng.uniform(0.2, 2.0)),
        duration_s=SECONDS + 2.0,
        clock_ppm=float(rng.uniform(-200, 200)),
    )
    return capture.astype(np.float32), reference.astype(np.float32)


def evolved(
    curve: LevelCurve, limits: Limits, cuts: int, *, seconds: float, rate: float
) -> tuple[float, float]:
    """Return net and added stable gain of differential evolution over the same settings."""
    frequency_hz, level_db = upper_points([curve], (), sample_rate_hz=rate)
    level_db = level_db - level_db.max()
    settings = feedback_settings(limits, sample_rate_hz=rate)
    assert settings is not None
    sizes = (settings.centres_hz.size, *settings.gain_db.shape)
    began = time.process_time()

    def chosen(vectors: NDArray[np.float64]) -> NDArray[np.int64]:
        """Return indices, shape (cuts, 3, population)."""
        rounded = np.rint(vectors.reshape(cuts, 3, -1)).astype(np.int64)
        return np.clip(rounded, 0, np.array(sizes)[None, :, None] - 1)

    def score(vectors: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        indices = chosen(vectors)
        total = np.repeat(level_db[None], indices.shape[2], 0)
        tone = np.zeros(indices.shape[2])
        for centre, gain, width in indices:
            total = total + cuts_db(
                frequency_hz[None],
                settings.centres_hz[centre][:, None],
                settings.gain_db[gain, width][:, None],
                settings.q[gain, width][:, None],
                kind=settings.kind,
                sample_rate_hz=rate,
            )
            tone += settings.tone_db[gain, width]
        return total.max(axis=1), tone

    def cost(vectors: NDArray[np.float64]) -> NDArray[np.float64]:
        top, tone = score(vectors)
        return top + TONE_WEIGHT * tone

    found = optimize.differential_evolution(
        cost,
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
    top, _ = score(found.x[:, None])
    return -float(found.fun), -float(top[0])


def greedy(curve: LevelCurve, limits: Limits, cuts: int, *, rate: float) -> tuple[float, float]:
    """Return net and added stable gain of one 6 dB cut, Q 8, on the highest point after another."""
    placed: list[Filter] = []
    for _ in range(cuts):
        frequency_hz, level_db = upper_points([curve], placed, sample_rate_hz=rate)
        peak_hz = float(frequency_hz[np.argmax(level_db)])
        wanted = Filter(limits.band_kind, peak_hz, q=8.0, gain_db=-6.0)
        placed.append(quantise(wanted, limits))
    added = added_gain_db([curve], placed, sample_rate_hz=rate)
    tone = sum(
        float(removed_tone_db(one.gain_db or 0.0, one.q or 8.0, kind=one.kind)) for one in placed
    )
    return added - TONE_WEIGHT * tone, added


def howls(stage: Stage, gain_db: float, sos: NDArray[np.float64]) -> bool:
    """Close the loop over a burst of noise and tell whether it grows."""
    rate = stage.sample_rate_hz
    quiet = replace(stage, noise_dbfs=-150.0, wedge_limit=1.0)
    programme = np.zeros(8 * rate)
    programme[: rate // 2] = 1e-6 * np.random.default_rng(0).standard_normal(rate // 2)
    heard = run(quiet, programme, gain_db=gain_db, eq=sos)
    early = heard[2 * rate : 4 * rate].std()
    late = heard[6 * rate : 8 * rate].std()
    return bool(late > early and late > 1e-6)


def percentile(values: Sequence[float], q: float) -> float:
    """Return a percentile of absolute values."""
    return float(np.percentile(np.abs(values), q))


@dataclass
class Measured:
    """What was measured, one entry a stage."""

    errors: list[float] = field(default_factory=list)
    delivered: list[float] = field(default_factory=list)
    truly: list[float] = field(default_factory=list)
    ratios: list[float] = field(default_factory=list)
    net_ratios: list[float] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)
    estimate_s: list[float] = field(default_factory=list)
    greedy_share: list[tuple[float, float, float, float]] = field(default_factory=list)
    crossed: list[bool] = field(default_factory=list)
    notes: int = 0


def run_stages(
    limits: Limits,
    *,
    count: int,
    split: Split,
    de_stages: int,
    de_seconds: float,
    closed_stages: int,
) -> Measured:
    """Run the stages one by one, say how each went, and return what was measured."""
    got = Measured()
    for index, case in enumerate(stages(split, count)):
        stage, rate = case.stage, float(case.stage.sample_rate_hz)
        samples, reference = quiet_capture(stage, index)
        began = time.process_time()
        response: LoopResponse = estimate_loop_response(
            samples, reference, capture_rate_hz=rate, reference_rate_hz=rate
        )
        got.estimate_s.append(time.process_time() - began)
        got.notes += len(response.quality)
        began = time.process_time()
        ours = optimise_cuts([response], limits, sample_rate_hz=rate)
        got.seconds.append(time.process_time() - began)
        sos = cascade_sos(ours.cuts, sample_rate_hz=rate)
        before = worst_case_stable_gain_db(stage)
        after = worst_case_stable_gain_db(stage, eq_sos=sos)
        got.errors.append(stable_gain(response).worst_case_db - before)
        got.delivered.append(after - before - ours.added_db)
        got.truly.append(stable_gain_db(stage, eq_sos=sos) - stable_gain_db(stage))
        curve = level_curve(response)
        ours_net = ours.added_db - TONE_WEIGHT * ours.tone_db
        greedy_net, greedy_added = greedy(curve, limits, len(ours.cuts), rate=rate)
        got.greedy_share.append((greedy_added, ours.added_db, greedy_net, ours_net))
        line = (
            f"{case.name}: stable {before:+6.2f} dB, error {got.errors[-1]:+5.2f}, "
            f"{len(ours.cuts)} cuts add {ours.added_db:5.2f} for {ours.tone_db:4.2f} dB of tone "
            f"({got.seconds[-1]:.2f} s), delivered {after - before:5.2f}, in phase "
            f"{got.truly[-1]:5.2f}, greedy {greedy_added:5.2f}"
        )
        if index < de_stages and ours.cuts:
            net, added = evolved(curve, limits, len(ours.cuts), seconds=de_seconds, rate=rate)
            got.ratios.append(ours.added_db / added)
            got.net_ratios.append(ours_net / net)
            line += f", evolution {added:5.2f} (net {net:.2f}, ours {ours_net:.2f})"
        if index < closed_stages:
            edge = stable_gain_db(stage, eq_sos=sos)
            got.crossed.append(not howls(stage, edge - 0.5, sos) and howls(stage, edge + 0.5, sos))
            line += f", closed loop turns at the edge: {got.crossed[-1]}"
        print(line, flush=True)
    return got


def measure(*, quick: bool = False) -> dict[str, float]:
    """Return the figures of held-out stages: levels in dB, shares as fractions."""
    got = run_stages(
        load_limits("parametric-6"),
        count=6 if quick else 80,
        split=Split.HELD_OUT,
        de_stages=1 if quick else 8,
        de_seconds=5.0 if quick else 20.0,
        closed_stages=2 if quick else 8,
    )
    return {
        "stages": len(got.errors),
        "error_95_db": percentile(got.errors, 95),
        "within_half_db": float(np.mean(np.abs(got.errors) <= 0.5)),
        "delivered_95_db": percentile(got.delivered, 95),
        "delivered_worst_db": percentile(got.delivered, 100),
        "evolved_stages": len(got.ratios),
        "evolved_mean": float(np.mean(got.ratios)),
        "evolved_least": min(got.ratios),
        "cuts_longest_s": max(got.seconds),
        "closed": len(got.crossed),
        "closed_as_predicted": sum(got.crossed),
    }


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--stages", type=int, default=40)
    parser.add_argument("--limits", default="parametric-6")
    parser.add_argument("--de-stages", type=int, default=6)
    parser.add_argument("--de-seconds", type=float, default=20.0)
    parser.add_argument("--closed-stages", type=int, default=4)
    parser.add_argument("--split", choices=[s.name.lower() for s in Split], default="held_out")
    options = parser.parse_args()
    limits = load_limits(options.limits)
    got = run_stages(
        limits,
        count=options.stages,
        split=Split[options.split.upper()],
        de_stages=options.de_stages,
        de_seconds=options.de_seconds,
        closed_stages=options.closed_stages,
    )
    errors, delivered, ratios, crossed = got.errors, got.delivered, got.ratios, got.crossed
    seconds, shares = got.seconds, np.array(got.greedy_share)
    lines = [
        "",
        f"{len(errors)} stages ({options.split}), limits {limits.name}, {SECONDS:.0f} s of pink "
        f"noise at {SNR_DB:.0f} dB SNR",
        f"error of predicted stable gain: median {percentile(errors, 50):.2f} dB, 95 % within "
        f"{percentile(errors, 95):.2f} dB, worst {percentile(errors, 100):.2f} dB",
        f"added stable gain: mean {np.mean(shares[:, 1]):.2f} dB; delivered less promised (worst "
        f"case over phase): 95 % within {percentile(delivered, 95):.2f} dB, worst "
        f"{percentile(delivered, 100):.2f} dB; with the phase as it is, mean "
        f"{np.mean(got.truly):.2f} dB",
        f"plain greedy with as many cuts: mean {np.mean(shares[:, 0]):.2f} dB added (net "
        f"{np.mean(shares[:, 2]):.2f} against {np.mean(shares[:, 3]):.2f})",
        f"processor time: response {np.median(got.estimate_s):.2f} s, cuts "
        f"{np.median(seconds):.2f} s median, {max(seconds):.2f} s longest; false notes {got.notes}",
    ]
    if ratios:
        lines += [
            f"against differential evolution ({options.de_seconds:.0f} s each, {len(ratios)} "
            f"stages): added stable gain mean {100 * np.mean(ratios):.1f} %, lowest "
            f"{100 * min(ratios):.1f} %; net mean {100 * np.mean(got.net_ratios):.1f} %, lowest "
            f"{100 * min(got.net_ratios):.1f} %",
        ]
    if crossed:
        lines += [
            "closed loop stable 0.5 dB under and howling 0.5 dB over: "
            f"{sum(crossed)}/{len(crossed)}"
        ]
    print("\n".join(lines))


if __name__ == "__main__":
    main()
