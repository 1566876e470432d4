"""The search behind `shaping.stage.loops.joint`: pushing down the spectral radius with all wedges.

One wedge's cut changes one row of the matrix of loops. How the radius answers to a row turned down
by 0, 1, 2 ... dB is computed exactly at every frequency; any setting of that wedge's cut, taken on
top of all others, is then a look-up. So every setting can be tried for one cut at a time: cuts are
added where they bring most, and each is placed anew while the others stand. A soft maximum stands
in for the maximum until the places are found, as in `shaping.plan.loop.cut_search`. Nothing is
random.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from shaping.equaliser.limits import Limits
from shaping.equaliser.menu import Settings, cuts_db, feedback_settings
from shaping.equaliser.quantise import worth_a_move
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.loop.level_curve import highest_of_cells
from shaping.stage.loops.margins import close_levels

_Real = NDArray[np.float64]

Index = tuple[int, int, int]
"""One cut: indices of its centre, gain and width in `Settings`."""

_Which = NDArray[np.int64] | slice

_DEPTHS_DB = np.array([0.0, -1.0, -2.0, -3.0, -4.5, -6.0, -8.0, -10.5, -14.0, -20.0, -30.0])
"""Finest where cuts are usual; between them in straight lines."""
_COARSE_STEP_OCT = 1 / 14  # a quarter of a bell of Q 5; the fine search finds the rest
_COARSE_SHAPES = (8, 5)  # a choice: depths and widths, a matter of time
_SOFTNESS_PER_DB = (1.5, 4.0, 8.0)
"""From one that sees all peaks to one that is close to the maximum."""
_SWEEPS = 2  # a bound on time
_LEAST_NET_DB = 0.02  # a choice: less is the error of the straight lines
_MOST_PAIRS = 10  # all pairs of five cuts
_MOST_TOGETHER = 8
"""Cuts per wedge that serve all sends together; sliders beyond serve the wedge's own loop."""
_MANY_BANDS = 8
"""With more bands than this in all the search is a short one: one start, nothing kicked out."""
_REACH_DB = 12.0  # a choice: deeper than most cuts go, and fewer points take less time
_CELLS_PER_OCTAVE = 36  # as for one wedge: `shaping.plan.loop.cut_search`
_UNTOUCHED_DB = 0.01  # what a cut does less than this to counts as left alone
_ALL = slice(None)


@dataclass(frozen=True, eq=False)
class WedgeMenu:
    """What one wedge's free bands can be set to.

    Attributes
    ----------
    settings : Settings or None
        None where no cut can be set.
    bands : int
        How many cuts at most.
    sample_rate_hz : float
        Rate of its equaliser.
    """

    settings: Settings | None
    bands: int
    sample_rate_hz: float


def wedge_menu(
    limits: Limits, fixed: Sequence[Filter], cuts: int | None, sample_rate_hz: float
) -> WedgeMenu:
    """Return what is left for feedback cuts beside the filters that are dialled in anyway."""
    taken = [one for one in fixed if one.kind is not FilterKind.HIGH_PASS]
    bands = min(max(limits.bands - len(taken), 0), _MOST_TOGETHER)
    bands = bands if cuts is None else min(bands, cuts)
    settings = feedback_settings(limits, sample_rate_hz=sample_rate_hz) if bands else None
    if settings is not None and settings.one_per_centre:
        used = [one.frequency_hz for one in taken]
        free = ~np.isclose(settings.centres_hz[:, None], used, rtol=1e-6).any(axis=1)
        settings = replace(settings, centres_hz=settings.centres_hz[free]) if free.any() else None
    if settings is not None:
        worth = np.array([worth_a_move(float(gain)) for gain in settings.gain_db[:, 0]])
        if not worth.any():
            settings = None
        else:
            settings = replace(
                settings,
                gain_db=settings.gain_db[worth],
                q=settings.q[worth],
                tone_db=settings.tone_db[worth],
            )
    return WedgeMenu(settings, bands if settings is not None else 0, sample_rate_hz)


class JointSearch:
    """Points to push down, and what every wedge can be set to.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequencies, those of all positions one after the other.
    matrices : ndarray, shape (n, W, W)
        Loops with the fixed filters in.
    menus : sequence of WedgeMenu
        One for each wedge.
    tone_weight : float
        Gain in dB that one dB of tone removed, averaged over the wedges, must bring.
    """

    def __init__(
        self,
        frequency_hz: _Real,
        matrices: _Real,
        menus: Sequence[WedgeMenu],
        *,
        tone_weight: float,
    ) -> None:
        self._hz, self._loops, self._menus = frequency_hz, matrices, menus
        self._weight = tone_weight / max(len(menus), 1)
        start = close_levels(matrices)
        self._start_db = float(start.max(initial=-np.inf))
        near = np.flatnonzero(start > self._start_db - _REACH_DB)
        self._few = near[highest_of_cells(frequency_hz[near], start[near], _CELLS_PER_OCTAVE)]
        self._top = near
        self._coarse = [_coarse(menu, frequency_hz[self._few]) for menu in menus]
        self._tables = [
            None if menu.settings is None else _sums_over(self._effects_db(w, coarse, self._few))
            for w, (menu, coarse) in enumerate(zip(menus, self._coarse, strict=True))
        ]

    def search(self, start: Sequence[Sequence[Index]]) -> list[list[Index]]:
        """Return the best cuts found from a start and from nothing."""
        alone = [list(one) for one in start]
        if sum(menu.bands for menu in self._menus) > _MANY_BANDS:
            grown = self._grown(alone, _SOFTNESS_PER_DB[-1], settle=False)
            settled = self._exchanged([list(one) for one in grown], _SOFTNESS_PER_DB[-1])
            best = max([alone, grown, settled], key=self.net_db)
            return self._refined(best, (2, 1), self._few)
        found: list[list[list[Index]]] = [alone]
        for softness in _SOFTNESS_PER_DB:
            found.append(self._grown([list(one) for one in alone], softness))
            found.append(self._grown([[] for _ in self._menus], softness))
        return self._kicked(self._refined(max(found, key=self.net_db)))

    def net_db(self, cuts: Sequence[Sequence[Index]]) -> float:
        """Return the gain that cuts add for all sends together, less what their tone is worth."""
        top = float(self._levels(self._gains_db(cuts)).max())
        return (
            self._start_db
            - top
            - self._weight * sum(self._tone_db(w, one) for w, one in enumerate(cuts))
        )

    def filters(self, w: int, cuts: Sequence[Index]) -> tuple[Filter, ...]:
        """Return one wedge's cuts as filters, the deepest first."""
        settings = self._menus[w].settings
        if settings is None:
            return ()
        made = [settings.filter(*cut) for cut in cuts]
        return tuple(sorted(made, key=lambda one: (one.gain_db or -np.inf, one.frequency_hz)))

    def tone_db(self, w: int, cuts: Sequence[Index]) -> float:
        """Return the level that one wedge's cuts remove on average."""
        return self._tone_db(w, cuts)

    def nearest(self, w: int, filters: Sequence[Filter]) -> list[Index]:
        """Return filters as indices of the menu, each the nearest there is."""
        settings = self._menus[w].settings
        if settings is None:
            return []
        found = []
        for one in filters[: self._menus[w].bands]:
            centre = int(np.argmin(np.abs(np.log(settings.centres_hz / one.frequency_hz))))
            depth = settings.gain_db[:, 0]
            gain = 0 if one.gain_db is None else int(np.argmin(np.abs(depth - one.gain_db)))
            width = int(np.argmin(np.abs(np.log(settings.q[gain] / (one.q or 4.0)))))
            found.append((centre, gain, width))
        return found

    def _grown(
        self, cuts: list[list[Index]], softness: float, most: int = 99, *, settle: bool = True
    ) -> list[list[Index]]:
        """Add cuts one by one where they bring most, placing all anew in between."""
        best, best_net = [list(one) for one in cuts], self.net_db(cuts)
        for _ in range(min(most, sum(menu.bands for menu in self._menus)) + 1):
            cuts = self._exchanged(cuts, softness) if settle else [list(one) for one in cuts]
            net = self.net_db(cuts)
            if net > best_net + _LEAST_NET_DB:
                best, best_net = [list(one) for one in cuts], net
            offers = [
                offer
                for w, menu in enumerate(self._menus)
                if len(cuts[w]) < menu.bands and (offer := self._best(cuts, w, softness))
            ]
            if not offers:
                break
            _, w, index = min(offers)
            cuts[w].append(index)
        return best

    def _exchanged(self, cuts: list[list[Index]], softness: float) -> list[list[Index]]:
        for _ in range(_SWEEPS):
            before = [list(one) for one in cuts]
            for w in range(len(cuts)):
                for i in range(len(cuts[w])):
                    rest = [list(one) for one in cuts]
                    del rest[w][i]
                    offer = self._best(rest, w, softness)
                    if offer is not None:
                        cuts[w][i] = offer[2]
            if cuts == before:
                break
        return cuts

    def _kicked(self, cuts: list[list[Index]]) -> list[list[Index]]:
        """Take cuts out, one and two at a time, and set as many anew; keep what is better."""
        best, best_net = cuts, self.net_db(cuts)
        places = [(w, i) for w, own in enumerate(cuts) for i in range(len(own))]
        pairs = list(itertools.combinations(places, 2))[:_MOST_PAIRS]
        for taken in [*((place,) for place in places), *pairs]:
            tried = [
                [one for i, one in enumerate(own) if (w, i) not in taken]
                for w, own in enumerate(best)
            ]
            tried = self._grown(tried, _SOFTNESS_PER_DB[-1], most=len(taken) + 1)
            if sorted(map(sorted, tried)) == sorted(map(sorted, best)):
                continue
            tried = self._refined(tried)
            net = self.net_db(tried)
            if net > best_net + 1e-6:
                best, best_net = tried, net
        return best

    def _refined(
        self,
        cuts: list[list[Index]],
        reaches: Sequence[int] = (4, 2, 1, 1),
        at: NDArray[np.int64] | None = None,
    ) -> list[list[Index]]:
        """Move every cut among its neighbouring settings, and drop those that bring nothing."""
        best = self.net_db(cuts)
        looked_at = self._top if at is None else at
        for reach in reaches:
            for w in range(len(cuts)):
                for i in reversed(range(len(cuts[w]))):
                    rest = [list(one) for one in cuts]
                    here = rest[w].pop(i)
                    without = self.net_db(rest)
                    if without >= best - _LEAST_NET_DB:
                        cuts, best = rest, without
                        continue
                    around = self._neighbours(w, here, reach, rest[w])
                    answer = self._answer_db(rest, w, looked_at)
                    effect = self._effects_db(w, around, looked_at)
                    highest = _looked_up(effect, answer).max(axis=1)
                    score = highest + self._weight * self._tones_db(w, around)
                    index = tuple(int(v) for v in around[int(np.argmin(score))])
                    tried = [list(one) for one in rest]
                    tried[w].insert(i, (index[0], index[1], index[2]))
                    net = self.net_db(tried)
                    if net > best + 1e-6:
                        cuts, best = tried, net
        return cuts

    def _best(
        self, rest: Sequence[Sequence[Index]], w: int, softness: float
    ) -> tuple[float, int, Index] | None:
        """Return score, wedge and setting of the best cut to add in one wedge."""
        table, settings = self._tables[w], self._menus[w].settings
        if table is None or settings is None:
            return None
        answer = self._answer_db(rest, w, self._few)
        top = float(answer[0].max())
        # Sums of exponentials stand in for the maximum; those of the answers are looked up.
        weighed = np.exp(softness * (answer - top))
        total = weighed[0].sum() + table @ (weighed - weighed[0]).ravel().astype(np.float32)
        score = np.log(np.maximum(total, 1e-30)) / softness + top
        score += self._weight * self._tones_db(w, self._coarse[w])
        if settings.one_per_centre and rest[w]:
            score[np.isin(self._coarse[w][:, 0], [cut[0] for cut in rest[w]])] = np.inf
        at = int(np.argmin(score))
        centre, gain, width = (int(v) for v in self._coarse[w][at])
        return float(score[at]), w, (centre, gain, width)

    def _answer_db(self, cuts: Sequence[Sequence[Index]], w: int, at: NDArray[np.int64]) -> _Real:
        """Return the radius in dB with one wedge further down by each of `_DEPTHS_DB`, (d, n)."""
        gains = np.tile(self._gains_db(cuts, at), (_DEPTHS_DB.size, 1, 1))
        gains[:, :, w] += _DEPTHS_DB[:, None]
        return self._levels(gains, at)

    def _levels(self, gains_db: _Real, at: _Which = _ALL) -> _Real:
        """Return the radius in dB for gains of shape (..., n, W), shape (..., n)."""
        shaped = self._loops[at] * 10 ** (gains_db[..., None] / 20)
        level = close_levels(shaped.reshape(-1, *shaped.shape[-2:]))
        return np.maximum(level, -200.0).reshape(gains_db.shape[:-1])

    def _gains_db(self, cuts: Sequence[Sequence[Index]], at: _Which = _ALL) -> _Real:
        gains = np.zeros(self._loops[at].shape[:2])
        for w, own in enumerate(cuts):
            if own:
                gains[:, w] = self._effects_db(w, np.array(own), at).sum(axis=0)
        return gains

    def _effects_db(self, w: int, indices: NDArray[np.int64], at: _Which = _ALL) -> _Real:
        settings = self._menus[w].settings
        assert settings is not None
        centre, gain, width = indices.T
        return cuts_db(
            self._hz[at][None, :],
            settings.centres_hz[centre][:, None],
            settings.gain_db[gain, width][:, None],
            settings.q[gain, width][:, None],
            kind=settings.kind,
            sample_rate_hz=self._menus[w].sample_rate_hz,
        )

    def _tones_db(self, w: int, indices: NDArray[np.int64]) -> _Real:
        settings = self._menus[w].settings
        assert settings is not None
        return np.asarray(settings.tone_db[indices[:, 1], indices[:, 2]])

    def _tone_db(self, w: int, cuts: Sequence[Index]) -> float:
        return float(self._tones_db(w, np.array(cuts)).sum()) if cuts else 0.0

    def _neighbours(
        self, w: int, index: Index, reach: int, rest: Sequence[Index]
    ) -> NDArray[np.int64]:
        settings = self._menus[w].settings
        assert settings is not None
        sizes = (settings.centres_hz.size, *settings.gain_db.shape)
        steps = np.unique([-reach, -1, 0, 1, reach])
        axes = [
            (at + steps)[(at + steps >= 0) & (at + steps < size)]
            for at, size in zip(index, sizes, strict=True)
        ]
        if settings.one_per_centre:
            axes[0] = axes[0][~np.isin(axes[0], [other[0] for other in rest])]
        grid = np.meshgrid(*axes, indexing="ij")
        return np.stack([part.ravel() for part in grid], axis=1).astype(np.int64)


def _between(effect_db: _Real) -> tuple[NDArray[np.int64], _Real]:
    """Return between which of `_DEPTHS_DB` effects lie: the one above, and how far on."""
    effect = np.clip(effect_db, _DEPTHS_DB[-1], 0.0)
    at = np.searchsorted(-_DEPTHS_DB, -effect, side="right") - 1
    at = np.clip(at, 0, _DEPTHS_DB.size - 2)
    return at, (effect - _DEPTHS_DB[at]) / (_DEPTHS_DB[at + 1] - _DEPTHS_DB[at])


def _looked_up(effect_db: _Real, answer: _Real) -> _Real:
    """Return answers, given at `_DEPTHS_DB` as (d, n), for effects (k, n), in straight lines."""
    at, share = _between(effect_db)
    column = np.arange(answer.shape[1])
    return answer[at, column] + share * (answer[at + 1, column] - answer[at, column])


def _sums_over(effect_db: _Real) -> sparse.csr_array:
    """Return the matrix that sums looked-up answers over n, for each of k settings.

    A cut leaves most frequencies alone, so what it changes against depth 0 is nearly all zeros:
    for answers as (d, n) the sums are ``answer[0].sum() + matrix @ (answer - answer[0]).ravel()``.
    """
    row, column = np.nonzero(effect_db < -_UNTOUCHED_DB)
    at, share = _between(effect_db[row, column])
    count, shape = effect_db.shape[1], (effect_db.shape[0], _DEPTHS_DB.size * effect_db.shape[1])
    upper, lower = at * count + column, (at + 1) * count + column
    values = np.concatenate([1 - share, share]).astype(np.float32)
    places = np.concatenate([row, row]), np.concatenate([upper, lower])
    return sparse.csr_array((values, places), shape=shape)


def _coarse(menu: WedgeMenu, frequency_hz: _Real) -> NDArray[np.int64]:
    """Return settings spread evenly over all there are, near the points alone."""
    settings = menu.settings
    if settings is None:
        return np.zeros((0, 3), np.int64)
    octaves = np.log2(settings.centres_hz)
    spacing = float(np.median(np.diff(octaves))) if octaves.size > 1 else 1.0
    step = max(1, round(_COARSE_STEP_OCT / spacing))
    near = np.abs(octaves[:, None] - np.log2(frequency_hz)[None, :]).min(axis=1) < max(
        0.25, spacing
    )
    centres = np.flatnonzero(near & (np.arange(octaves.size) % step == 0))
    gains, widths = (
        np.unique(np.rint(np.linspace(0, size - 1, min(size, most))).astype(np.int64))
        for size, most in zip(settings.gain_db.shape, _COARSE_SHAPES, strict=True)
    )
    grid = np.meshgrid(centres, gains, widths, indexing="ij")
    return np.stack([part.ravel() for part in grid], axis=1).astype(np.int64)
