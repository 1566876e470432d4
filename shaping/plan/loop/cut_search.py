"""The search behind `shaping.plan.loop.best_cuts`: pushing down the highest of many points.

A minimax problem with many local optima. Coarsely, a soft maximum (a p-norm) stands in for the
maximum, and trying every setting of one cut is one product of a precomputed table with a vector;
finely, every cut moves among its neighbouring settings. Nothing is random.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from copy import copy
from functools import cache

import numpy as np
from numpy.typing import NDArray

from shaping.equaliser.menu import Settings, cuts_db
from shaping.equaliser.quantise import worth_a_move
from shaping.filters.kinds import Filter
from shaping.plan.loop.level_curve import highest_of_cells

_COARSE_CELLS_PER_OCTAVE = 36  # narrower than any bell of the menu: one point stands for its cell
_COARSE_REACH_DB = 14.0  # deeper than a band cuts: what lies lower never comes to the top
_COARSE_STEP_OCT = 1 / 18  # a quarter of a bell of Q 6.5; the fine search finds the rest
_COARSE_SHAPES = 30  # a choice: depths times widths, a matter of time
_COARSE_WIDTHS = 5  # a choice: the widest, the narrowest and three between; a matter of time
_NEAR_OCT = 0.25  # a choice: centres further from any peak than a broad bell's half width
_SOFTNESS_PER_DB = (1.2, 5.0)
"""A soft one to see all peaks, a hard one that is close to the maximum."""
_SWEEPS = 3  # a bound on time: most searches stand still after two
_REACHES = (4, 1)  # steps of the menu: first a wide look, then the neighbours
_REFINED = 2  # a choice: the third best start seldom wins, and refining takes the time
_MARGIN_DB = 1.5  # a choice: a step to a neighbouring setting seldom lifts a point by more
_MOST_KICKS = 36  # a bound on time: single cuts and pairs of eight
_A_CUT_DB = 0.025  # what one cut less to dial in is worth
_REFINED_DB = 0.5  # more is seldom found among neighbouring settings
_TINY = 1e-30  # keeps a logarithm finite

Index = tuple[int, int, int]
"""One cut: indices of its centre, gain and width in `Settings`."""

_Real = NDArray[np.float64]
_Indices = NDArray[np.int64]


class CutSearch:
    """Points to push down, settings to do it with, and what tone costs.

    Parameters
    ----------
    frequency_hz, level_db : ndarray, shape (n,)
        The points.
    settings : Settings
        What a cut can be.
    tone_weight : float
        Stable gain that one dB of removed tone must bring.
    target_db : float
        Stable gain wanted; beyond it more counts for nothing. Infinite for all there is.
    sample_rate_hz : float
        Sample rate of the equaliser, in Hz.
    """

    def __init__(
        self,
        frequency_hz: _Real,
        level_db: _Real,
        settings: Settings,
        *,
        tone_weight: float,
        target_db: float = np.inf,
        sample_rate_hz: float,
    ) -> None:
        self._settings = settings
        self._rate = sample_rate_hz
        self._tone_weight = tone_weight
        self._target = target_db
        self._hz = frequency_hz
        self._level = level_db - level_db.max()
        near = self._level > -_COARSE_REACH_DB
        at = highest_of_cells(frequency_hz[near], self._level[near], _COARSE_CELLS_PER_OCTAVE)
        self._coarse_at = np.flatnonzero(near)[at]
        self._coarse = self._coarse_indices()
        effect = self._effects_db(self._coarse, self._hz[self._coarse_at]).astype(np.float32)
        self._tables = {p: np.exp(np.float32(p) * effect) for p in _SOFTNESS_PER_DB}
        self._coarse_cost = tone_weight * self._tones_db(self._coarse)
        self._least_gain = int(np.argmax([worth_a_move(gain) for gain in settings.gain_db[:, 0]]))

    @property
    def most_cuts(self) -> int | None:
        """How many cuts there is room for near the points; None where centres repeat."""
        if not self._settings.one_per_centre:
            return None
        return int(np.unique(self._coarse[:, 0]).size)

    def added_db(self, solution: Sequence[Index]) -> float:
        """Return the stable gain a solution adds."""
        return -float(self._total(solution).max())

    def tone_db(self, solution: Sequence[Index]) -> float:
        """Return the tone a solution removes."""
        return float(self._tones_db(np.array(solution)).sum()) if solution else 0.0

    def net_db(self, solution: Sequence[Index]) -> float:
        """Return the stable gain added that is wanted, less what the tone removed is worth."""
        wanted_db = min(self.added_db(solution), self._target)
        return wanted_db - self._tone_weight * self.tone_db(solution)

    def height_db(self, index: Index) -> float:
        """Return the highest level within a cut's reach before any cut."""
        centre, _, q = self._values(np.array([index]))
        near = np.abs(np.log2(self._hz / centre[0])) < max(0.5 / q[0], 0.02)
        return float(self._level[near].max()) if near.any() else -np.inf

    def filters(self, solution: Sequence[Index]) -> tuple[Filter, ...]:
        """Return a solution as filters, the one on the highest peak first."""
        order = sorted(solution, key=lambda index: (-self.height_db(index), index))
        return tuple(self._settings.filter(*index) for index in order)

    def extend(self, solution: Sequence[Index]) -> list[Index]:
        """Return the best solution found with one cut more, every cut placed anew."""
        starts = []
        for softness in _SOFTNESS_PER_DB:
            starts.append(self._exchange(self._grow(list(solution), softness), softness))
            fresh: list[Index] = []
            for _ in range(len(solution) + 1):
                fresh = self._grow(fresh, softness)
            starts.append(self._exchange(fresh, softness))
        distinct = [list(one) for one in dict.fromkeys(tuple(sorted(s)) for s in starts)]
        distinct.sort(key=self.net_db, reverse=True)
        return self._kick(
            max((self._refine(start) for start in distinct[:_REFINED]), key=self.net_db), at_once=1
        )

    def polished(self, solution: Sequence[Index]) -> list[Index]:
        """Return a solution with its cuts placed anew two at a time, where that is better."""
        return self._kick(self._kick(list(solution), at_once=2), at_once=1)

    def frontier(
        self, solution: Sequence[Index], targets_db: Sequence[float]
    ) -> list[tuple[float, float]]:
        """Return tone removed and gain added as a solution is moved from target to target.

        Every cut moves among its neighbouring settings only, from target to target.
        """
        points, here = [], list(solution)
        for target_db in targets_db:
            moved = copy(self)
            moved._target = target_db
            here = moved._refine(list(here))
            points.append((moved.tone_db(here), moved.added_db(here)))
        return points

    def without_shallow(self, solution: list[Index]) -> list[Index]:
        """Return a solution without cuts that are not worth a hand's move, the others moved.

        Each shallow cut is taken out where the others can do without it, and set as deep as is
        worth a move where they cannot. Searching without the shallow settings from the start was
        tried: it set more cuts of 1 dB, where fewer and deeper ones do; so was taking all of them
        out, which gave up to 0.3 dB less than was looked for.
        """
        least = self._least_gain
        shallow = [cut for cut in solution if cut[1] < least]
        best = [(cut[0], max(cut[1], least), cut[2]) for cut in solution]
        if not shallow:
            return solution
        best = self._refine(best, least_gain=least)
        for _ in shallow:
            fewer = [best[:i] + best[i + 1 :] for i in range(len(best))]
            tried = max(
                (self._refine(one, least_gain=least) if one else one for one in fewer),
                key=self.net_db,
            )
            if self.net_db(tried) < self.net_db(best) - _A_CUT_DB:
                break
            best = tried
        return best

    # What settings do

    def _values(self, indices: _Indices) -> tuple[_Real, _Real, _Real]:
        centre, gain, width = indices.T
        s = self._settings
        return s.centres_hz[centre], s.gain_db[gain, width], s.q[gain, width]

    def _effects_db(self, indices: _Indices, at_hz: _Real) -> _Real:
        centre, gain, q = (part[:, None] for part in self._values(indices))
        return cuts_db(
            at_hz[None, :], centre, gain, q, kind=self._settings.kind, sample_rate_hz=self._rate
        )

    def _tones_db(self, indices: _Indices) -> _Real:
        return np.asarray(self._settings.tone_db[indices[:, 1], indices[:, 2]])

    def _total(self, solution: Sequence[Index]) -> _Real:
        if not solution:
            return np.asarray(self._level)
        return np.asarray(self._level + self._effects_db(np.array(solution), self._hz).sum(axis=0))

    # Coarse: every setting at once

    def _coarse_indices(self) -> _Indices:
        s = self._settings
        octaves = np.log2(s.centres_hz)
        spacing = float(np.median(np.diff(octaves))) if octaves.size > 1 else 1.0
        step = max(1, round(_COARSE_STEP_OCT / spacing))
        peaks = np.log2(self._hz[self._coarse_at])
        near = np.abs(octaves[:, None] - peaks[None, :]).min(axis=1) < max(_NEAR_OCT, spacing)
        centres = np.flatnonzero(near & (np.arange(octaves.size) % step == 0))
        widths = _spread(s.gain_db.shape[1], _COARSE_WIDTHS)
        gains = _spread(s.gain_db.shape[0], _COARSE_SHAPES // widths.size)
        grid = np.meshgrid(centres, gains, widths, indexing="ij")
        return np.stack([part.ravel() for part in grid], axis=1).astype(np.int64)

    def _grow(self, solution: list[Index], softness: float) -> list[Index]:
        return [*solution, self._best_coarse(solution, softness)]

    def _best_coarse(self, rest: Sequence[Index], softness: float) -> Index:
        level = self._level[self._coarse_at]
        if rest:
            level = level + self._effects_db(np.array(rest), self._hz[self._coarse_at]).sum(axis=0)
        # Counted from where nothing overflows, however far a notch takes a lone peak down.
        top = max(float(level.max()), -self._target)
        weights = np.exp(softness * (level - top)).astype(np.float32)
        # What lies under the target already weighs as much as a point on it that no cut moves.
        floor = np.float32(max(np.exp(softness * (-self._target - top)), _TINY))
        # Not a product of matrices: it starts as many threads as there are cores, for microseconds.
        total = np.einsum("ij,j->i", self._tables[softness], weights) + floor
        score = np.log(np.maximum(total, _TINY)) / softness + self._coarse_cost
        if self._settings.one_per_centre and rest:
            score[np.isin(self._coarse[:, 0], [index[0] for index in rest])] = np.inf
        centre, gain, width = self._coarse[int(np.argmin(score))]
        return int(centre), int(gain), int(width)

    def _exchange(self, solution: list[Index], softness: float) -> list[Index]:
        """Place every cut anew, one after the other, until nothing moves."""
        for stage in (p for p in _SOFTNESS_PER_DB if p >= softness):
            for _ in range(_SWEEPS):
                before = list(solution)
                for i in range(len(solution)):
                    rest = solution[:i] + solution[i + 1 :]
                    solution[i] = self._best_coarse(rest, stage)
                if solution == before:
                    break
        return solution

    # Fine: neighbouring settings

    def _refine(self, solution: list[Index], *, least_gain: int = 0) -> list[Index]:
        """Move every cut among its neighbouring settings until nothing moves."""
        effects = self._effects_db(np.array(solution), self._hz)
        total = self._level + effects.sum(axis=0)
        for reach in _REACHES:
            still = 0  # so many cuts in a row have stayed where they are
            for i in itertools.islice(
                itertools.cycle(range(len(solution))), _SWEEPS * len(effects)
            ):
                around = self._neighbours(solution[i], reach, solution[:i] + solution[i + 1 :])
                around = around[around[:, 1] >= least_gain]
                near = self._best_of(around, total - effects[i], total.max())
                still += 1
                if near != solution[i]:
                    solution[i], still = near, 1
                    effects[i] = self._effects_db(np.array([near]), self._hz)[0]
                    total = self._level + effects.sum(axis=0)
                if still == len(solution):
                    break
        return solution

    def _best_of(self, around: _Indices, rest: _Real, top: float) -> Index:
        """Return the best of some settings of one cut; points far below the top cannot matter."""
        matters = rest > top - _MARGIN_DB
        level = rest[matters] + self._effects_db(around, self._hz[matters])
        level = np.maximum(level, -self._target)
        highest = level.max(axis=1)
        softness = 2 * _SOFTNESS_PER_DB[-1]
        spread = np.exp(softness * (level - highest[:, None])).sum(axis=1)
        score = highest + 0.5 * np.log(spread) / softness
        score += self._tone_weight * self._tones_db(around)
        centre, gain, width = around[int(np.argmin(score))]
        return int(centre), int(gain), int(width)

    def _neighbours(self, index: Index, reach: int, rest: Sequence[Index]) -> _Indices:
        around = np.array(index) + _steps(reach)
        sizes = (self._settings.centres_hz.size, *self._settings.gain_db.shape)
        allowed = ((around >= 0) & (around < sizes)).all(axis=1)
        if self._settings.one_per_centre and rest:
            taken = np.array([cut[0] for cut in rest])
            allowed &= (around[:, :1] != taken).all(axis=1)
        return np.asarray(around[allowed])

    def _kick(self, solution: list[Index], *, at_once: int) -> list[Index]:
        """Take out cuts, so many at once, and place them anew; keep what is better."""
        best, best_net = solution, self.net_db(solution)
        for taken in list(itertools.combinations(range(len(solution)), at_once))[:_MOST_KICKS]:
            for softness in _SOFTNESS_PER_DB[at_once - 1 :]:
                tried = [one for i, one in enumerate(best) if i not in taken]
                for _ in taken:
                    tried = self._grow(tried, softness)
                if sorted(tried) in (sorted(best), sorted(solution)):
                    continue
                if self.net_db(tried) < best_net - _REFINED_DB:
                    continue
                tried = self._refine(tried)
                net = self.net_db(tried)
                if net > best_net + 1e-6:
                    best, best_net = tried, net
        return best


@cache
def _steps(reach: int) -> _Indices:
    """Return every step to a neighbouring setting, near and `reach` away; shape (n, 3)."""
    axis = np.unique([-reach, -1, 0, 1, reach])
    grid = np.meshgrid(axis, axis, axis, indexing="ij")
    return np.stack([part.ravel() for part in grid], axis=1)


def _spread(count: int, most: int) -> _Indices:
    """Return at most so many indices, evenly spread over a range, both ends among them."""
    return np.unique(np.rint(np.linspace(0, count - 1, min(count, most))).astype(np.int64))
