"""Cuts for all wedges of a stage, chosen jointly where they influence each other.

With all phases possible, the stage is stable while the spectral radius of ``|E| |S| |P|`` stays
below 1 (`shaping.stage.loops.margins`). Every wedge is planned alone first, others muted. Where
cross paths are strong enough to matter, the cuts of all wedges are then chosen together
(`shaping.stage.loops.joint_search`): by what they add for all sends together less twice the tone
they remove per wedge, as for a single loop. Bands that are left serve the wedge's own loop, so that
it may go up alone as well. The result is never less than with every wedge planned alone.

Taking turns was tried before, each wedge searching alone for what the others left it: it found
half to two thirds of what a search of all together finds.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from shaping.equaliser.limits import Limits
from shaping.filters.kinds import Filter
from shaping.filters.response import total_db
from shaping.plan.loop.best_cuts import NO_CUTS, OptimisedCuts, optimise_curves
from shaping.plan.loop.level_curve import LevelCurve, highest_of_cells
from shaping.stage.loops.joint_search import JointSearch, wedge_menu
from shaping.stage.loops.margins import radius_bounds, worst_levels

_Real = NDArray[np.float64]

TOGETHER_TONE_WEIGHT = 2.0
"""Stable gain of all sends together that each dB of removed level must bring at least: with a
weight of one, wide cuts that merely trade one for the other creep in."""

ENOUGH_DB = -10.0
"""Cross paths so far down cost less than half a decibel: single loops are enough."""

_CELLS_PER_OCTAVE = 96  # as for one wedge: `shaping.plan.loop.level_curve`
_REACH_DB = 20.0  # likewise: no band cuts deeper

_Result = TypeVar("_Result")


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
    most = len(tasks) * (2 if joint else 1) + int(joint)
    done = 0

    def tick(result: _Result) -> _Result:
        nonlocal done
        done += 1
        if progress is not None:
            progress(done, most)
        return result

    alone = [tick(search.alone(w)) for w in range(len(tasks))]
    best = alone
    if joint:
        together = tick(search.together(alone))
        best = [tick(search.with_spare_bands(w, *own)) for w, own in enumerate(together)]
        if search.top_db(best) > search.top_db(alone):
            best = alone
    return JointCuts(
        cuts=tuple(best),
        alone=tuple(alone),
        worth_db=tuple(search.worth_db(w, best) for w in range(len(tasks))),
        stable_gain_alone_db=-search.top_db(alone),
        stable_gain_db=-search.top_db(best),
        coupling_db=coupling,
        joint=joint,
    )


class _Search:
    """The positions cut down to the frequencies that can matter, and what cuts do there."""

    def __init__(
        self, positions: Sequence[LoopLevels], tasks: Sequence[WedgeTask], rate: float
    ) -> None:
        self._tasks, self._rate = tasks, rate
        self._positions = [_cells(one, tasks, rate) for one in positions]

    def alone(self, w: int) -> OptimisedCuts:
        """Return the cuts of one wedge with all others muted."""
        return self._optimise(w, self._own_curves(w))

    def together(self, alone: Sequence[OptimisedCuts]) -> list[tuple[tuple[Filter, ...], float]]:
        """Return the cuts that add most for all sends together, and each wedge's tone removed."""
        hz = np.concatenate([one.frequency_hz for one in self._positions])
        matrices = np.concatenate(
            [one.loops * self._fixed_gains(one.frequency_hz)[:, :, None] for one in self._positions]
        )
        menus = [wedge_menu(task.limits, task.fixed, task.cuts, self._rate) for task in self._tasks]
        search = JointSearch(hz, matrices, menus, tone_weight=TOGETHER_TONE_WEIGHT)
        start = [search.nearest(w, one.cuts) for w, one in enumerate(alone)]
        found = search.search(start)
        return [(search.filters(w, one), search.tone_db(w, one)) for w, one in enumerate(found)]

    def with_spare_bands(self, w: int, cuts: tuple[Filter, ...], tone_db: float) -> OptimisedCuts:
        """Return one wedge's cuts with more for its own loop, where bands are left and it pays."""
        task = self._tasks[w]
        spare = replace(task, fixed=(*task.fixed, *cuts))
        curves = self._own_curves(w)
        if not curves or task.cuts == 0:
            return replace(NO_CUTS, cuts=cuts, tone_db=tone_db)
        more = optimise_curves(curves, spare.limits, fixed=spare.fixed, sample_rate_hz=self._rate)
        return replace(more, cuts=(*cuts, *more.cuts), tone_db=tone_db + more.tone_db)

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

    def worth_db(self, w: int, cuts: Sequence[OptimisedCuts]) -> tuple[float, ...]:
        """Return how much lower the top is for each cut of one wedge."""
        with_all, found = self.top_db(cuts), cuts[w]
        worth = []
        for i in range(len(found.cuts)):
            fewer = replace(found, cuts=found.cuts[:i] + found.cuts[i + 1 :])
            worth.append(self.top_db([*cuts[:w], fewer, *cuts[w + 1 :]]) - with_all)
        return tuple(worth)

    def _fixed_gains(self, frequency_hz: _Real) -> _Real:
        nothing = [NO_CUTS for _ in self._tasks]
        return self._gains(frequency_hz, nothing)

    def _own_curves(self, w: int) -> list[LevelCurve]:
        return [
            _curve(one.frequency_hz, one.loops[:, w, w])
            for one in self._positions
            if one.loops[:, w, w].any()
        ]

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
            return NO_CUTS
        return optimise_curves(
            curves, task.limits, fixed=task.fixed, cuts=task.cuts, sample_rate_hz=self._rate
        )


def _curve(frequency_hz: _Real, size: _Real) -> LevelCurve:
    kept = size > 0
    return LevelCurve(frequency_hz[kept], 20 * np.log10(size[kept]), np.zeros(int(kept.sum())))


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
