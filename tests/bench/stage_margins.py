"""Whole stages on measured rooms: predicted against time domain, joint plans against plans alone.

Every stage is measured as a person would: 20 s of pink noise through one wedge after the other, all
mics recorded, room noise 20 dB below; then planned by `plan_stage`. The truth is the stage itself:
its exact paths, and the closed loops run in the time domain until they turn. What planning each
wedge alone would give is judged by the measured paths instead, one standard deviation up, which
favours the joint plan by as much.

    python tests/bench/stage_margins.py            # 40 stages on rooms that nothing was tuned on
    python tests/bench/stage_margins.py --quick    # 6 stages
    python tests/bench/stage_margins.py --tuning   # on the rooms for tuning
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from measured_data import RATE_HZ, Part, Real
from measured_stages import MeasuredStage, measured_stages
from scipy import fft, signal, stats

from shaping.analysis.loop.response import estimate_loop_response
from shaping.capture.recording import Capture, CaptureKind
from shaping.capture.signals import pink_noise
from shaping.equaliser.limits_file import load_limits
from shaping.filters.design import cascade_sos
from shaping.filters.kinds import Filter
from shaping.filters.response import frequency_response
from shaping.simulation.multi_loop import MultiStage, turning_gain_db
from shaping.stage.description.stage import Mic, Send, Stage, Take, Wedge
from shaping.stage.loops.margins import first_crossing, shares, worst_levels
from shaping.stage.loops.matrix import loops
from shaping.stage.measure import Measured, path_matrices
from shaping.stage.plan_stage import StageRecordings, plan_stage
from shaping.stage.stage_plan import StagePlan

_NOISE_S = 20.0
_SNR_DB = 20.0
_RUN_S = 4.0
_SAME_OCT = 1 / 24
_TIE_DB = 0.3


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one stage gave; levels in dB."""

    name: str
    room: str
    mics: int
    wedges: int
    coupling_db: float
    predicted_db: float
    turned_db: float
    predicted_after_db: float
    turned_after_db: float
    named_right: bool
    frequency_right: bool
    worst_db: float
    alone_db: float
    joint_db: float
    joint: bool
    perron_over_db: float


def stage_of(one: MeasuredStage, limits: str = "parametric-4") -> Stage:
    """Return a bench's stage as a stage file would describe it."""
    wedges, mics = one.sends.shape
    return Stage(
        tuple(Wedge(f"wedge {w}", load_limits(limits)) for w in range(wedges)),
        tuple(Mic(f"mic {m}") for m in range(mics)),
        tuple(
            Send(f"mic {m}", f"wedge {w}", 20 * float(np.log10(one.sends[w, m])))
            for w in range(wedges)
            for m in range(mics)
            if one.sends[w, m] > 0
        ),
    )


def recorded(one: MeasuredStage, seed: int) -> StageRecordings:
    """Return the recordings of a stage, measured."""
    stage = stage_of(one)
    noise = pink_noise(_NOISE_S, sample_rate_hz=RATE_HZ, level_dbfs=-30.0, seed=seed)
    rng = np.random.default_rng([seed, 0x72656373])
    mics = tuple(mic.name for mic in stage.mics)
    measured = []
    for w, wedge in enumerate(stage.wedges):
        captures, responses = [], []
        for m in range(len(mics)):
            clean = signal.oaconvolve(np.pad(noise, (0, RATE_HZ // 2)), one.paths[m, w])
            clean = clean[: noise.size + RATE_HZ // 2]
            level = np.sqrt(np.mean(clean[: noise.size] ** 2)) * 10 ** (-_SNR_DB / 20)
            heard = (clean + level * _pink(rng, clean.size)).astype(np.float32)
            captures.append(Capture("bench", RATE_HZ, m + 1, heard, CaptureKind.PINK_NOISE))
            responses.append(
                estimate_loop_response(
                    heard, noise, capture_rate_hz=RATE_HZ, reference_rate_hz=RATE_HZ
                )
            )
        take = Take(wedge.name, "bench", "noise", {mic: at + 1 for at, mic in enumerate(mics)})
        measured.append(Measured(take, tuple(captures), mics, tuple(responses)))
    return StageRecordings(tuple(measured), (), path_matrices(stage, measured))


def judge(one: MeasuredStage, seed: int) -> Outcome:
    """Return what one stage gives."""
    stage = stage_of(one)
    plan = plan_stage(stage, recorded(one, seed)).plan
    assert plan.before is not None
    assert plan.after is not None
    filters = [[f.filter for f in wedge.plan.filters] for wedge in plan.wedges]
    hz, paths = one.responses()
    kept = (hz > 40) & (hz < 16_000)
    hz, paths = hz[kept], paths[kept]
    worst = worst_levels(loops(np.abs(paths), one.sends))
    named, frequency = _named_right(one, plan, hz, paths, worst)
    sos = tuple(cascade_sos(f, sample_rate_hz=RATE_HZ) for f in filters)
    before = MultiStage(RATE_HZ, one.paths, one.sends)
    after = MultiStage(RATE_HZ, one.paths, one.sends, sos)
    top = first_crossing(hz, loops(paths, one.sends)).level_db
    return Outcome(
        one.name,
        one.room,
        len(stage.mics),
        len(stage.wedges),
        plan.coupling_db,
        plan.before.in_phase_db,
        turning_gain_db(before, plan.before.in_phase_db, duration_s=_RUN_S, within_db=0.1),
        plan.after.in_phase_db,
        turning_gain_db(after, plan.after.in_phase_db, duration_s=_RUN_S, within_db=0.1),
        named,
        frequency,
        -float(worst.max()),
        plan.alone_db,
        -float(worst_levels(loops(np.abs(paths), one.sends, _gains(filters, hz))).max()),
        plan.joint,
        float(worst.max()) - top,
    )


def _named_right(
    one: MeasuredStage, plan: StagePlan, hz: Real, paths: np.ndarray, worst: Real
) -> tuple[bool, bool]:
    """Return whether the deciding send and frequency are named as the exact paths have them.

    The send through which most of the loop passes at the top, or one whose share is as large
    within 3 % of the loop; a frequency within 1/24 octave of a point within `_TIE_DB` of the top.
    """
    found = plan.before.deciding if plan.before is not None else None
    if found is None:
        return False, False
    near = np.abs(np.log2(hz / found.frequency_hz)) < _SAME_OCT
    frequency = bool(worst[near].max() > worst.max() - _TIE_DB)
    at = int(np.flatnonzero(near)[np.argmax(worst[near])])
    size = np.abs(paths[at])
    loop = one.sends @ size
    _, share = shares(loop)
    part = np.einsum("wv,wm,mv->wm", share.real / loop, one.sends, size)
    return bool(part[found.wedge, found.mic] > part.max() - 0.03), frequency


def _gains(filters: Sequence[Sequence[Filter]], hz: Real) -> Real:
    return np.stack(
        [
            np.abs(
                frequency_response(
                    cascade_sos(f, sample_rate_hz=RATE_HZ), hz, sample_rate_hz=RATE_HZ
                )
            )
            for f in filters
        ],
        axis=1,
    )


def measure(
    *, quick: bool = False, part: Part = Part.REPORT, seed: int = 0, cache: Path | None = None
) -> dict[str, float]:
    """Return the figures; each stage's outcome is kept in `cache`, so that a run can go on."""
    outcomes = []
    done = {}
    if cache is not None and cache.exists():
        for line in cache.read_text(encoding="utf-8").splitlines():
            told = Outcome(**json.loads(line))
            done[told.name] = told
    for at, one in enumerate(measured_stages(part, 6 if quick else 40, seed=seed)):
        outcome = done.get(one.name) or judge(one, seed + at)
        if cache is not None and one.name not in done:
            with cache.open("a", encoding="utf-8") as stream:
                stream.write(json.dumps(asdict(outcome)) + "\n")
        outcomes.append(outcome)
        print(
            f"{outcome.name:48s} predicted {outcome.predicted_db:6.2f} "
            f"turned {outcome.turned_db:6.2f}; after {outcome.predicted_after_db:6.2f} "
            f"turned {outcome.turned_after_db:6.2f}; named {outcome.named_right} "
            f"{outcome.frequency_right}; added {outcome.joint_db - outcome.worst_db:5.2f}, "
            f"over alone {outcome.joint_db - outcome.alone_db:5.2f}, "
            f"coupling {outcome.coupling_db:5.1f}",
            flush=True,
        )
    return figures(outcomes)


def figures(outcomes: Sequence[Outcome]) -> dict[str, float]:
    """Return and print the figures of all outcomes, with exact 95 % intervals."""
    errors = np.array(
        [abs(o.predicted_db - o.turned_db) for o in outcomes]
        + [abs(o.predicted_after_db - o.turned_after_db) for o in outcomes]
    )
    gained = np.array([o.joint_db - o.alone_db for o in outcomes])
    close = [o for o in outcomes if o.coupling_db >= -3.0]
    more = [o for o in close if o.joint_db - o.alone_db >= 1.0]
    named = sum(o.named_right and o.frequency_right for o in outcomes)
    _share("turned within 0.5 dB of the prediction", int((errors <= 0.5).sum()), errors.size)
    print(f"largest error {errors.max():.2f} dB, median {np.median(errors):.2f} dB")
    _share("deciding mic, wedge and frequency named right", named, len(outcomes))
    print(f"joint over alone: least {gained.min():.2f} dB, median {np.median(gained):.2f} dB")
    _share("1 dB more than alone where cross paths are within 3 dB", len(more), len(close))
    print(f"Perron bound over in phase: least {min(o.perron_over_db for o in outcomes):.2f} dB")
    return {
        "stages": float(len(outcomes)),
        "within_half_db": float((errors <= 0.5).mean()),
        "worst_db": float(errors.max()),
        "named": named / len(outcomes),
        "least_gained_db": float(gained.min()),
        "close_stages": float(len(close)),
        "gained_1db_where_close": len(more) / max(len(close), 1),
    }


def _share(what: str, hits: int, of: int) -> None:
    if of:
        interval = stats.binomtest(hits, of).proportion_ci(method="exact")
        print(f"{what}: {hits}/{of} [{interval.low:.1%}, {interval.high:.1%}]")


def _pink(rng: np.random.Generator, n: int) -> Real:
    size = fft.next_fast_len(n, real=True)
    spectrum = fft.rfft(rng.standard_normal(size))
    spectrum /= np.sqrt(np.maximum(np.arange(spectrum.size), 40))
    noise = fft.irfft(spectrum, size)[:n]
    return np.asarray(noise / np.sqrt(np.mean(noise**2)))


if __name__ == "__main__":
    keep = [a.removeprefix("--cache=") for a in sys.argv if a.startswith("--cache=")]
    measure(
        quick="--quick" in sys.argv,
        part=Part.TUNING if "--tuning" in sys.argv else Part.REPORT,
        cache=Path(keep[0]) if keep else None,
    )
