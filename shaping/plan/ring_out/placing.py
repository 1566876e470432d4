"""Placing cuts on rings: as few and as narrow as serve every ring, within an equaliser's limits.

Each ring asks for a depth at its own frequency, and for little less wherever it can drift
(`shaping.plan.ring_out.needs`). Of all settings that give it, the one that removes least tone is
taken (`shaping.equaliser.menu`). Neighbours share one wider cut where that removes hardly
more than two would, or where bands are short. Every cut counts the effect of all others and of the
thinning. Responses are closed forms (`shaping.filters.closed_forms`) while searching, and those of
the designs themselves in the end.

Graphic equalisers, whose sliders stay where they are, are set by `shaping.plan.ring_out.sliders`.
"""

from __future__ import annotations

import itertools
import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shaping.equaliser.limits import Limits
from shaping.equaliser.menu import FREE_GAIN_STEP_DB, removed_tone_db, settings_rows
from shaping.equaliser.quantise import centres_hz, quantise
from shaping.filters.closed_forms import bell_db, notch_db
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.response import total_db
from shaping.plan.ring_out.needs import EDGE_LOSS_DB, HARD_LIMIT_DB, Need

_Real = NDArray[np.float64]

_Group = tuple[int, ...]
"""Needs that share a cut, as indices, the most urgent first."""

NARROWEST_RING_CUT_Q = 8.0
"""About a sixth of an octave. A ring can drift by 1.5 %, where a Q above 10 to 15 would lose more
than 1 dB of its depth; and the loop's next in-phase points, which howl in turn, lie close by."""

WIDTHS_Q = (NARROWEST_RING_CUT_Q, 6.5, 5.0, 4.0, 3.2, 2.5, 2.0, 1.6, 1.25, 1.0)
"""Widths tried; one octave and a half is the widest, beyond which a fader does it better."""

MERGE_RATIO = 1.25
"""Neighbours share a cut if it removes at most so many times the tone that two would: fewer
bands to dial in, and more room to drift."""

FORCED_MERGE_RATIO = 2.0
"""The same where bands are short; beyond it one of the rings is better left to the fader."""

WIDEST_SHARE = 2.0
"""Rings further apart than this ratio, an octave, never share a cut."""

SHORTAGE_WEIGHT = 0.9
"""Removed tone in dB that a missing dB at a ring is worth: as much as two cuts of 6 dB, a third of
an octave wide; our choice."""

SERVED_DB = 0.5
"""A ring that misses no more than this of what it asked for is served."""

TOLERANCE_DB = 0.2
"""What a cut may miss: less than half a usual gain step, so that no step is spent on it."""

_PASSES = 6  # a bound: the search ends where nothing moves


@dataclass(frozen=True, slots=True)
class Cut:
    """One filter and the needs it answers, as indices, most urgent first."""

    filter: Filter
    members: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Wants:
    """What all needs ask for, at their frequencies and at the edges of their drift.

    Attributes
    ----------
    frequency_hz : ndarray, shape (n, 3)
        Ring, lowest and highest frequency of each need.
    depth_db : ndarray, shape (n, 3)
        Cut wanted there, positive.
    """

    frequency_hz: _Real
    depth_db: _Real


def wants_of(needs: Sequence[Need], *, sample_rate_hz: float) -> Wants:
    """Return what needs ask for, as arrays."""
    frequency_hz = np.array([(n.frequency_hz, n.low_hz, n.high_hz) for n in needs]).reshape(-1, 3)
    depth_db = np.array([need.depth_db for need in needs])[:, None] - (
        0,
        EDGE_LOSS_DB,
        EDGE_LOSS_DB,
    )
    return Wants(below_half_rate(frequency_hz, sample_rate_hz), depth_db)


def below_half_rate(frequency_hz: ArrayLike, sample_rate_hz: float) -> _Real:
    """Return frequencies at which a design has a response, those beyond it at its end.

    Of several captures of one wedge the first may have the lowest rate.
    """
    return np.minimum(np.asarray(frequency_hz, np.float64), 0.499 * sample_rate_hz)


def place_cuts(
    needs: Sequence[Need],
    limits: Limits,
    *,
    thinning: Sequence[Filter],
    bands: int,
    sample_rate_hz: float,
) -> tuple[Cut, ...]:
    """Place cuts on rings with an equaliser whose centres are free or stepped.

    Parameters
    ----------
    needs : sequence of Need
        Most urgent first, sure rings before possible ones.
    limits : Limits
        The equaliser; not one with a grid.
    thinning : sequence of Filter
        Filters already in the plan; their effect is counted.
    bands : int
        Bands free for cuts.
    sample_rate_hz : float
        Sample rate of the designs, in Hz.

    Returns
    -------
    tuple of Cut
        Quantised, the most urgent first. Needs that got no band are in none of them.
    """
    if not needs or bands <= 0:
        return ()
    search = _Search(
        limits=limits,
        wants=wants_of(needs, sample_rate_hz=sample_rate_hz),
        thinning_db=-total_db(
            thinning,
            wants_of(needs, sample_rate_hz=sample_rate_hz).frequency_hz,
            sample_rate_hz=sample_rate_hz,
        ),
        highest_hz=0.49 * sample_rate_hz,
    )
    groups = _group([need.sure for need in needs], search, bands)
    cuts = _settle(groups, search)
    return deepened(cuts, needs, limits, thinning=thinning, sample_rate_hz=sample_rate_hz)


def deepened(
    cuts: Sequence[Cut],
    needs: Sequence[Need],
    limits: Limits,
    *,
    thinning: Sequence[Filter],
    sample_rate_hz: float,
) -> tuple[Cut, ...]:
    """Return cuts made deeper, step by step, until the designs themselves serve their rings."""
    if not cuts:
        return ()
    rings_hz = below_half_rate([need.frequency_hz for need in needs], sample_rate_hz)
    wanted_db = np.array([need.depth_db for need in needs]) - TOLERANCE_DB

    def cut_db(filter: Filter) -> _Real:
        return -total_db([filter], rings_hz, sample_rate_hz=sample_rate_hz)

    result = list(cuts)
    fixed_db = sum((cut_db(filter) for filter in thinning), np.zeros_like(wanted_db))
    each_db = np.array([cut_db(cut.filter) for cut in result])
    for index, cut in enumerate(result):
        members = list(cut.members)
        while np.any((fixed_db + each_db.sum(axis=0) < wanted_db)[members]):
            deeper = _one_step_deeper(result[index].filter, limits)
            if deeper is None:
                break
            result[index] = replace(cut, filter=deeper)
            each_db[index] = cut_db(deeper)
    return tuple(result)


def _one_step_deeper(filter: Filter, limits: Limits) -> Filter | None:
    """Return the filter with the next deeper gain; None where there is none to go to."""
    if filter.kind is not FilterKind.PEAKING or filter.gain_db is None:
        return None
    gain_db = filter.gain_db - (limits.gain_step_db or FREE_GAIN_STEP_DB)
    if gain_db < -min(HARD_LIMIT_DB, -limits.min_gain_db) - 1e-9:
        return None
    return quantise(replace(filter, gain_db=gain_db), limits)


@dataclass(frozen=True, eq=False)
class _Menu:
    """Every depth and width that can be dialled in and makes sense; arrays of shape (m,)."""

    kind: FilterKind
    gain_db: _Real
    q: _Real
    tone: _Real

    def cut_db(self, frequency_hz: _Real, centre_hz: _Real) -> _Real:
        """Return cuts, positive, of shape (centres, settings, frequencies)."""
        at, centre = frequency_hz[None, None, :], centre_hz[:, None, None]
        q = self.q[None, :, None]
        if self.kind is FilterKind.NOTCH:
            return -notch_db(at, centre_hz=centre, q=q)
        return -bell_db(at, centre_hz=centre, gain_db=self.gain_db[None, :, None], q=q)


@lru_cache(maxsize=64)
def _menu(limits: Limits) -> _Menu:
    kind = limits.band_kind
    rows = settings_rows(limits, WIDTHS_Q, deepest_db=HARD_LIMIT_DB, least_move=True)
    settings = {(float(g), float(q)) for row in rows for g, q in zip(*row, strict=True)}
    table = np.array(sorted(settings, reverse=True)).reshape(-1, 2)
    gain_db, q = table[:, 0], table[:, 1]
    return _Menu(kind, gain_db, q, removed_tone_db(gain_db, q, kind=kind))


@dataclass(frozen=True, slots=True)
class _Choice:
    """One setting, its effect at all wanted points (n, 3) and its price."""

    filter: Filter | None
    cut_db: _Real
    price: float


@dataclass(frozen=True, eq=False)
class _Search:
    limits: Limits
    wants: Wants
    thinning_db: _Real
    highest_hz: float

    def best(self, members: Sequence[int], others_db: _Real) -> _Choice:
        """Return the cheapest setting that serves `members` beside the others, all (n, 3)."""
        rows = list(members)
        missing_db = (self.wants.depth_db - self.thinning_db - others_db)[rows]
        nothing = np.zeros_like(self.wants.depth_db)
        if np.all(missing_db <= TOLERANCE_DB):
            return _Choice(None, nothing, 0.0)
        menu = _menu(self.limits)
        centres = self._centres(rows)
        if not menu.q.size or not centres.size:
            return _Choice(None, nothing, SHORTAGE_WEIGHT * float(missing_db.max()))
        points = self.wants.frequency_hz[rows].ravel()
        cut_db = menu.cut_db(points, centres)
        short_db = np.maximum(missing_db.ravel() - cut_db - TOLERANCE_DB, 0.0).max(axis=-1)
        price = menu.tone + SHORTAGE_WEIGHT * short_db
        # Rounded, so that rounding errors of a platform do not choose between equals.
        centre, setting = np.unravel_index(np.argmin(np.round(price, 6)), price.shape)
        everywhere = menu.cut_db(self.wants.frequency_hz.ravel(), centres[centre : centre + 1])
        kind = menu.kind
        return _Choice(
            Filter(
                kind,
                float(centres[centre]),
                q=float(menu.q[setting]),
                gain_db=float(menu.gain_db[setting]) if kind is FilterKind.PEAKING else None,
            ),
            everywhere[0, setting].reshape(nothing.shape),
            float(price[centre, setting]),
        )

    def price(self, members: _Group) -> float:
        """Return the price of serving `members` with one cut beside thinning only."""
        rings_hz = self.wants.frequency_hz[list(members), 0]
        if rings_hz.max() > WIDEST_SHARE * rings_hz.min():
            return math.inf
        return self.best(members, np.zeros_like(self.wants.depth_db)).price

    def _centres(self, rows: list[int]) -> _Real:
        """Return centres worth trying, those nearest to the rings first."""
        rings_hz = [float(hz) for hz in self.wants.frequency_hz[rows, 0]]
        low_hz, ratio = min(rings_hz), max(rings_hz) / min(rings_hz)
        tried = [low_hz * ratio**0.5, *rings_hz]
        if ratio > 1.0:
            tried.extend((low_hz * ratio**0.25, low_hz * ratio**0.75))
        limits, there = self.limits, centres_hz(self.limits)
        if there is None:
            tidy = (float(f"{hz:.4g}") for hz in tried)
            found = [min(max(hz, limits.min_frequency_hz), limits.max_frequency_hz) for hz in tidy]
        else:
            found = []
            for hz in tried:
                above = bisect_left(there, hz)
                near = {there[min(max(n, 0), len(there) - 1)] for n in (above - 1, above)}
                found.extend(sorted(near, key=lambda centre: abs(math.log(centre / hz))))
        return np.array([hz for hz in dict.fromkeys(found) if hz < self.highest_hz])


def _group(sure: Sequence[bool], search: _Search, bands: int) -> list[_Group]:
    """Return which needs share a cut, at most `bands` groups; the least urgent are left out.

    Needs that thinning answers already are in no group.
    """
    price = cache(search.price)
    asking = [index for index in range(len(sure)) if price((index,)) > 0]
    groups: list[_Group] = [(index,) for index in asking if sure[index]]
    groups.sort(key=lambda group: float(search.wants.frequency_hz[group[0], 0]))
    groups = _merged(groups, price, ratio=MERGE_RATIO, until=1)
    groups = _merged(groups, price, ratio=FORCED_MERGE_RATIO, until=bands)
    groups = sorted(groups)[:bands]
    for index in (index for index in asking if not sure[index]):
        # A possible ring never takes a band from a sure one, nor widens a cut by much.
        for place, group in enumerate(groups):
            shared = (*group, index)
            if sure[group[0]] and price(shared) <= MERGE_RATIO * price(group):
                groups[place] = shared
                break
        else:
            if len(groups) < bands:
                groups.append((index,))
    return groups


def _merged(
    groups: Sequence[_Group], price: Callable[[_Group], float], *, ratio: float, until: int
) -> list[_Group]:
    """Merge neighbours, the cheapest first, while the price allows and more than `until` remain.

    `groups` rise in frequency, and so does the result.
    """
    groups = list(groups)
    while len(groups) > until:
        extra = []
        for one, other in itertools.pairwise(groups):
            apart, shared = price(one) + price(other), price(_joined(one, other))
            extra.append(shared - apart if shared <= ratio * apart else math.inf)
        best = min(range(len(extra)), key=extra.__getitem__, default=0)
        if not extra or extra[best] == math.inf:
            break
        groups[best : best + 2] = [_joined(groups[best], groups[best + 1])]
    return groups


def _joined(one: _Group, other: _Group) -> _Group:
    return tuple(sorted((*one, *other)))


def _settle(groups: Sequence[_Group], search: _Search) -> list[Cut]:
    """Choose each group's setting beside all others, again until nothing changes."""
    groups = sorted(groups)
    nothing = np.zeros_like(search.wants.depth_db)
    choices = [_Choice(None, nothing, 0.0) for _ in groups]
    for _ in range(_PASSES):
        before = [choice.filter for choice in choices]
        for index, group in enumerate(groups):
            others_db = sum((c.cut_db for n, c in enumerate(choices) if n != index), nothing)
            choices[index] = search.best(group, others_db)
        if [choice.filter for choice in choices] == before:
            break
    return [
        Cut(choice.filter, group)
        for choice, group in zip(choices, groups, strict=True)
        if choice.filter is not None
    ]
