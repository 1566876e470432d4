"""Cuts for all wedges of a stage, chosen jointly where they influence each other.

With all phases possible, the stage is stable while the spectral radius of ``A = |E| |S| |P|`` stays
below 1 (`shaping.stage.loops.margins`). Let the radius be held at a target t by everything but
wedge w. Then its equaliser must keep, at every frequency,

    |E_w| g_w <= 1,  g_w = a_w^T (I - A_0 / t)^-1 e_w / t

with ``a_w`` its row of A with a flat equaliser and ``A_0`` the rest. So what is asked of one wedge,
given the others, is an ordinary level curve, and the search for the cuts of one wedge answers it.
Wedges take turns, with a target a little below what has been reached; a turn is kept if it lowers
the radius for the tone it costs. The start is every wedge planned alone, so the result is never
less. Uncoupled, ``g_w`` is the wedge's own loop, whatever the target: one turn changes nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shaping.equaliser.limits import Limits
from shaping.filters.kinds import Filter
from shaping.filters.response import total_db
from shaping.plan.loop.best_cuts import TONE_WEIGHT, WORTHWHILE_DB, OptimisedCuts, optimise_curves
from shaping.plan.loop.level_curve import LevelCurve, highest_of_cells
from shaping.stage.loops.margins import entry_loop, radius_bounds, worst_levels

_Real = NDArray[np.float64]

ENOUGH_DB = -10.0
"""Cross paths so far down cost less than half a decibel: single loops are enough."""

_CELLS_PER_OCTAVE = 96
_REACH_DB = 20.0
_STEPS_DB = (0.7, 2.0)
_SWEEPS = 3
_HELD = 0.97
_WORTH_DB = 0.01
_PRUNED_DB = 0.15
"""All cuts that are left out again may cost so much together."""


@dataclass(frozen=True, eq=False)
class LoopLevels:
    """Magnitudes of all loops at one position of the mics, equalisers flat.

    Attributes
    ----------
    frequency_hz : ndarray, shape (n,)
        Rising.
    loops : ndarray, shape (n, W, W)
        ``|S| |P|``, one standard deviation up.
    """

    frequency_hz: _Real
    loops: _Real


@dataclass(frozen=True, slots=True)
class WedgeTask:
    """What one wedge's equaliser can do.

    Attributes
    ----------
    limits : Limits
        The equaliser.
    fixed : tuple of Filter
        Filters dialled in anyway.
    cuts : int or None
        At most so many feedback cuts.
    """

    limits: Limits
    fixed: tuple[Filter, ...] = ()
    cuts: int | None = None


@dataclass(frozen=True, slots=True)
class JointCuts:
    """The cuts of all wedges.

    Attributes
    ----------
    cuts : tuple of OptimisedCuts
        One for each wedge; figures are those of the level curve it was last judged by.
    alone : tuple of OptimisedCuts
        Those that each wedge alone would have got.
    worth_db : tuple of tuple of float
        For each wedge and each of its cuts: how much less all sends together could go up without.
    stable_gain_alone_db, stable_gain_db : float
        How far all sends together may go up with `alone` and with `cuts`, worst over phases.
    coupling_db : float
        Level of the strongest cross path against the loops it couples.
    joint : bool
        Whether wedges were planned jointly; else single loops are enough.
    """

    cuts: tuple[OptimisedCuts, ...]
    alone: tuple[OptimisedCuts, ...]
    worth_db: tuple[tuple[float, ...], ...]
    stable_gain_alone_db: float
    stable_gain_db: float
    coupling_db: float
    joint: bool


def coupling_db(positions: Sequence[LoopLevels]) -> float:
    """Return the level of the strongest pair of cross paths against the loops they couple.

    For wedges w and v the mean over 200 Hz to 4 kHz of ``A_wv A_vw`` against that of
    ``A_ww A_vv``, halved in dB: 0 dB where a mic hears the other wedge as loudly as its own.
    Infinite where two wedges howl through each other alone; minus infinity where nothing runs
    crosswise.
    """
    strongest = -np.inf
    for one in positions:
        band = (one.frequency_hz >= 200) & (one.frequency_hz <= 4000)
        power = np.mean(one.loops[band] ** 2, axis=0)
        for w in range(power.shape[0]):
            for v in range(w):
                across = power[w, v] * power[v, w]
                own = power[w, w] * power[v, v]
                if across > 0:
                    ratio = across / own if own > 0 else np.inf
                    strongest = max(strongest, 5 * float(np.log10(ratio)))
    return strongest


def joint_cuts(
    positions: Sequence[LoopLevels],
    tasks: Sequence[WedgeTask],
    *,
    sample_rate_hz: float = 48_000.0,
    progress: Callable[[int, int], None] | None = None,
) -> JointCuts:
    """Choose the feedback cuts of all wedges.

    Parameters
    ----------
    positions : sequence of LoopLevels
        One for each position of the mics; the worst counts.
    tasks : sequence of WedgeTask
        One for each wedge.
    sample_rate_hz : float
        Sample rate at which the equalisers are taken to work, in Hz.
    progress : callable, optional
        Called with the number of searches done, and of all searches at most.

    Returns
    -------
    JointCuts
    """
    search = _Search(positions, tasks, sample_rate_hz)
    coupling = coupling_db(positions)
    joint = coupling > ENOUGH_DB
    most = len(tasks) * (1 + (_SWEEPS * len(_STEPS_DB) if joint else 0))
    done = 0

    def tick() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(done, most)

    alone = []
    for w in range(len(tasks)):
        alone.append(search.alone(w))
        tick()
    start_db = search.top_db(alone)
    best = list(alone)
    if joint:
        best = _pruned(search, _take_turns(search, best, tick), start_db)
    if progress is not None:
        progress(most, most)
    return JointCuts(
        cuts=tuple(best),
        alone=tuple(alone),
        worth_db=tuple(search.worth_db(w, best) for w in range(len(tasks))),
        stable_gain_alone_db=-start_db,
        stable_gain_db=-search.top_db(best),
        coupling_db=coupling,
        joint=joint,
    )


def _take_turns(
    search: _Search, start: list[OptimisedCuts], tick: Callable[[], None]
) -> list[OptimisedCuts]:
    best, best_db = list(start), search.top_db(start)
    for _ in range(_SWEEPS):
        before_db = best_db
        for step_db in _STEPS_DB:
            for w in search.by_share(best):
                tick()
                if search.moves_db(w, best, best_db) < _WORTH_DB:
                    continue
                found = search.given_others(w, best, best_db - step_db)
                if found is None or found.cuts == best[w].cuts:
                    continue
                tried = [*best[:w], found, *best[w + 1 :]]
                tried_db = search.top_db(tried)
                won = best_db - tried_db
                cost = TONE_WEIGHT * (found.tone_db - best[w].tone_db) / len(start)
                if won > _WORTH_DB and won > cost:
                    best, best_db = tried, tried_db
        if before_db - best_db < 0.05:
            break
    return best


def _pruned(search: _Search, cuts: list[OptimisedCuts], least_db: float) -> list[OptimisedCuts]:
    """Leave out cuts that bring next to nothing, neither together nor for their wedge alone."""
    best, start_db = list(cuts), search.top_db(cuts)
    allowed_db = min(start_db + _PRUNED_DB, max(least_db, start_db))
    while True:
        cheapest: tuple[float, int, OptimisedCuts] | None = None
        for w, found in enumerate(best):
            own_db = search.own_db(w, found.cuts)
            for i in range(len(found.cuts)):
                fewer = replace(found, cuts=found.cuts[:i] + found.cuts[i + 1 :])
                top_db = search.top_db([*best[:w], fewer, *best[w + 1 :]])
                loses_own = search.own_db(w, fewer.cuts) - own_db
                spare = top_db <= allowed_db and loses_own < WORTHWHILE_DB
                if spare and (cheapest is None or top_db < cheapest[0]):
                    cheapest = (top_db, w, fewer)
        if cheapest is None:
            return best
        best[cheapest[1]] = cheapest[2]


class _Search:
    """The positions cut down to the frequencies that can matter, and what cuts do there."""

    def __init__(
        self, positions: Sequence[LoopLevels], tasks: Sequence[WedgeTask], rate: float
    ) -> None:
        self._tasks, self._rate = tasks, rate
        self._positions = [_cells(one, tasks, rate) for one in positions]

    def alone(self, w: int) -> OptimisedCuts:
        """Return the cuts of one wedge with all others muted."""
        curves = [
            _curve(one.frequency_hz, one.loops[:, w, w])
            for one in self._positions
            if one.loops[:, w, w].any()
        ]
        return self._optimise(w, curves)

    def given_others(
        self, w: int, cuts: Sequence[OptimisedCuts], target_db: float
    ) -> OptimisedCuts | None:
        """Return the cuts of one wedge with the others as they are; None if it has no part."""
        curves = []
        for one in self._positions:
            gain = self._gains(one.frequency_hz, cuts)
            gain[:, w] = 1.0
            matrices = one.loops * gain[:, :, None]
            rest = matrices.copy()
            rest[:, w, :] = 0.0
            # Where the others alone pass the target, this wedge is asked for no more than to stay
            # out of it.
            others = radius_bounds(rest)[1]
            target = np.maximum(10 ** (target_db / 20), others / _HELD)
            scaled = matrices / target[:, None, None]
            level = entry_loop(scaled, w, scaled[:, w, :])
            kept = np.isfinite(level) & (level > 0)
            if kept.any():
                curves.append(_curve(one.frequency_hz[kept], level[kept]))
        return self._optimise(w, curves) if curves else None

    def top_db(self, cuts: Sequence[OptimisedCuts]) -> float:
        """Return the highest level of all loops together, worst over phases and positions."""
        return max(
            float(
                worst_levels(one.loops * self._gains(one.frequency_hz, cuts)[:, :, None]).max(
                    initial=-np.inf
                )
            )
            for one in self._positions
        )

    def own_db(self, w: int, cuts: Sequence[Filter]) -> float:
        """Return the highest level of one wedge's loop with all others muted."""
        filters = [*self._tasks[w].fixed, *cuts]
        return max(
            (
                float(np.max(_decibels(one.loops[:, w, w]) + self._effect_db(filters, one)))
                for one in self._positions
                if one.loops[:, w, w].any()
            ),
            default=-np.inf,
        )

    def worth_db(self, w: int, cuts: Sequence[OptimisedCuts]) -> tuple[float, ...]:
        """Return how much lower the top is for each cut of one wedge."""
        with_all, found = self.top_db(cuts), cuts[w]
        worth = []
        for i in range(len(found.cuts)):
            fewer = replace(found, cuts=found.cuts[:i] + found.cuts[i + 1 :])
            worth.append(self.top_db([*cuts[:w], fewer, *cuts[w + 1 :]]) - with_all)
        return tuple(worth)

    def moves_db(self, w: int, cuts: Sequence[OptimisedCuts], top_db: float) -> float:
        """Return how far the top falls if one wedge is turned down by 3 dB."""
        highest = -np.inf
        for one in self._positions:
            gain = self._gains(one.frequency_hz, cuts)
            gain[:, w] *= 10 ** (-3 / 20)
            level = worst_levels(one.loops * gain[:, :, None])
            highest = max(highest, float(level.max(initial=-np.inf)))
        return top_db - highest

    def _effect_db(self, filters: Sequence[Filter], one: LoopLevels) -> _Real:
        return total_db(filters, one.frequency_hz, sample_rate_hz=self._rate)

    def by_share(self, cuts: Sequence[OptimisedCuts]) -> list[int]:
        """Return the wedges, first those that can move the top most."""
        top_db = self.top_db(cuts)
        moves = [-self.moves_db(w, cuts, top_db) for w in range(len(self._tasks))]
        return [int(w) for w in np.argsort(moves, kind="stable")]

    def _gains(self, frequency_hz: _Real, cuts: Sequence[OptimisedCuts]) -> _Real:
        return np.stack(
            [
                10
                ** (
                    total_db([*task.fixed, *found.cuts], frequency_hz, sample_rate_hz=self._rate)
                    / 20
                )
                for task, found in zip(self._tasks, cuts, strict=True)
            ],
            axis=1,
        )

    def _optimise(self, w: int, curves: Sequence[LevelCurve]) -> OptimisedCuts:
        task = self._tasks[w]
        if not curves:
            return OptimisedCuts((), 0.0, 0.0, (0.0,), 0, 0.0)
        return optimise_curves(
            curves, task.limits, fixed=task.fixed, cuts=task.cuts, sample_rate_hz=self._rate
        )


def _curve(frequency_hz: _Real, size: _Real) -> LevelCurve:
    kept = size > 0
    return LevelCurve(frequency_hz[kept], 20 * np.log10(size[kept]), np.zeros(int(kept.sum())))


def _decibels(size: _Real) -> _Real:
    level = np.full(size.shape, -np.inf)
    np.log10(size, out=level, where=size > 0)
    return np.asarray(20 * level)


def _cells(one: LoopLevels, tasks: Sequence[WedgeTask], rate: float) -> LoopLevels:
    """Keep the highest points of every small cell: of each wedge's own loop, and of the whole."""
    hz = one.frequency_hz
    inside = (hz > 0) & (hz < 0.5 * rate)
    hz, matrices = hz[inside], one.loops[inside]
    fixed = np.stack(
        [10 ** (total_db(task.fixed, hz, sample_rate_hz=rate) / 20) for task in tasks], axis=1
    )
    shaped = matrices * fixed[:, :, None]
    kinds = [shaped[:, w, w] for w in range(len(tasks))]
    if len(tasks) > 1:
        kinds.append(radius_bounds(shaped)[1])
        kinds.extend(
            np.sqrt(shaped[:, w, :].max(axis=1) * shaped[:, :, w].max(axis=1))
            for w in range(len(tasks))
        )
    kept = [np.zeros(0, np.int64)]
    for size in kinds:
        near = np.flatnonzero(size > size.max(initial=0.0) * 10 ** (-_REACH_DB / 20))
        if near.size:
            level = 20 * np.log10(size[near])
            kept.append(near[highest_of_cells(hz[near], level, _CELLS_PER_OCTAVE)])
    at = np.unique(np.concatenate(kept))
    return replace(one, frequency_hz=hz[at], loops=matrices[at])
