"""Joint plans against a long global optimiser: two wedges and three mics on measured rooms.

The optimiser (scipy's differential evolution, restarted) sets all bands of both wedges at once and
freely, between the steps of the equaliser too; so it may reach what nobody can dial in. Both are
judged by the same measure: gain added for all sends together, worst over phases, less twice the
tone removed per wedge; and by the gain added itself.

    python tests/bench/stage_optimum.py            # 10 stages
    python tests/bench/stage_optimum.py --quick    # 2 stages, short searches
"""

from __future__ import annotations

import sys

import numpy as np
from measured_data import Part, Real
from measured_stages import measured_stages
from scipy import optimize

from shaping.equaliser.limits_file import load_limits
from shaping.equaliser.menu import NARROWEST_Q, WIDEST_Q, cuts_db, removed_tone_db
from shaping.filters.kinds import FilterKind
from shaping.plan.loop.level_curve import highest_of_cells
from shaping.stage.loops.joint import TOGETHER_TONE_WEIGHT, LoopLevels, WedgeTask, joint_cuts
from shaping.stage.loops.margins import worst_levels
from shaping.stage.loops.matrix import loops

_RATE_HZ = 48_000.0


def points(one: LoopLevels) -> tuple[Real, Real]:
    """Return the few frequencies that can decide: the highest of every small cell."""
    level = worst_levels(one.loops)
    near = np.flatnonzero(level > level.max() - 16.0)
    kept = near[highest_of_cells(one.frequency_hz[near], level[near], 60)]
    return one.frequency_hz[kept], one.loops[kept]


def best_found(one: LoopLevels, *, generations: int, restarts: int) -> tuple[float, float]:
    """Return the greatest net and the gain it adds, in dB, as the optimiser found them."""
    limits = load_limits("parametric-4")
    hz, matrices = points(one)
    before = worst_levels(matrices).max()
    wedges, bands = matrices.shape[1], limits.bands
    low_q, high_q = max(WIDEST_Q, limits.min_q), min(NARROWEST_Q, limits.max_q)
    one_band = [
        (np.log(60.0), np.log(12_000.0)),
        (limits.min_gain_db, 0.0),
        (np.log(low_q), np.log(high_q)),
    ]

    def judged(values: Real) -> tuple[Real, Real]:
        """Return added gain and tone of many candidates, values (parameters, candidates)."""
        many = values.reshape(wedges, bands, 3, -1)
        centre, gain, q = np.exp(many[:, :, 0]), many[:, :, 1], np.exp(many[:, :, 2])
        effect = cuts_db(
            hz[:, None, None, None],
            centre[None],
            gain[None],
            q[None],
            kind=FilterKind.PEAKING,
            sample_rate_hz=_RATE_HZ,
        ).sum(axis=2)
        size = 10 ** (effect / 20)  # (points, wedges, candidates)
        scaled = matrices[:, :, :, None] * size[:, :, None, :]
        flat = np.moveaxis(scaled, 3, 0).reshape(-1, wedges, wedges)
        level = worst_levels(flat, reach_db=60.0).reshape(-1, hz.size).max(axis=1)
        tone = removed_tone_db(gain, q, kind=FilterKind.PEAKING).sum(axis=(0, 1)) / wedges
        return before - level, tone

    def cost(values: Real) -> Real:
        added, tone = judged(values if values.ndim == 2 else values[:, None])
        return np.asarray(TOGETHER_TONE_WEIGHT * tone - added)

    best = (-np.inf, 0.0)
    for seed in range(restarts):
        found = optimize.differential_evolution(
            cost,
            one_band * (wedges * bands),
            maxiter=generations,
            popsize=6,
            mutation=(0.4, 0.9),
            recombination=0.9,
            tol=0.0,
            seed=seed,
            polish=False,
            updating="deferred",
            vectorized=True,
        )
        added, tone = judged(found.x[:, None])
        best = max(best, (float(added[0] - TOGETHER_TONE_WEIGHT * tone[0]), float(added[0])))
    return best


def measure(*, quick: bool = False, part: Part = Part.REPORT, seed: int = 100) -> dict[str, float]:
    """Return the least and median share of the optimiser's added gain and net."""
    wanted, shares, nets = (2 if quick else 10), [], []
    for one in measured_stages(part, 60, seed=seed):
        if one.sends.shape != (2, 3) or len(shares) == wanted:
            continue
        hz, paths = one.responses()
        kept = (hz > 60) & (hz < 12_000)
        position = LoopLevels(hz[kept], loops(np.abs(paths[kept]), one.sends))
        found = joint_cuts([position], [WedgeTask(load_limits("parametric-4"))] * 2)
        before = -float(worst_levels(position.loops).max())
        added = found.stable_gain_db - before
        net = added - TOGETHER_TONE_WEIGHT * sum(cut.tone_db for cut in found.cuts) / 2
        best_net, best_added = best_found(
            position, generations=300 if quick else 3_000, restarts=1 if quick else 3
        )
        shares.append(added / best_added)
        nets.append(net / best_net)
        print(
            f"{one.name:46s} joint +{added:5.2f} (net {net:5.2f}), "
            f"optimiser +{best_added:5.2f} (net {best_net:5.2f})",
            flush=True,
        )
    print(f"share of its added gain: least {min(shares):.1%}, median {np.median(shares):.1%}")
    print(f"share of its net: least {min(nets):.1%}, median {np.median(nets):.1%}")
    return {"least": min(shares), "median": float(np.median(shares)), "stages": float(len(shares))}


if __name__ == "__main__":
    measure(
        quick="--quick" in sys.argv, part=Part.TUNING if "--tuning" in sys.argv else Part.REPORT
    )
