"""Which bands thin and which cut feedback, and what another equaliser would give.

A howl is the greater harm: where feedback needs the band of the low-mid cut more, it gets it, as in
a ring-out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from shaping.equaliser.limits import Limits
from shaping.equaliser.limits_file import load_limits
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.loop.best_cuts import (
    ORDINARY_COUNT,
    OptimisedCuts,
    added_gain_db,
    optimise_curves,
)
from shaping.plan.loop.level_curve import LevelCurve
from shaping.plan.loop.wishes import Wishes
from shaping.plan.plan import PlannedFilter
from shaping.text.quantities import gain_text
from shaping.text.sentences import listing

LITTLE_DB = 3.0
"""Where a plan adds less, the low-mid cut's band is asked for and other equalisers are tried."""

GIVES_WAY_DB = 1.0
"""The low-mid cut gives way where its band adds so much more stable gain as a feedback cut."""

_BETTER_DB = 1.0  # a choice: for less nobody should look for another equaliser
_OTHERS = (
    ("parametric-6", "six parametric bands"),
    ("graphic-31", "a graphic equaliser of 31 bands"),
)


@dataclass(frozen=True, slots=True)
class Choice:
    """What the bands are used for.

    Attributes
    ----------
    thinning : tuple of PlannedFilter
        The thinning that stays.
    cuts : OptimisedCuts
        The feedback cuts beside it.
    gave_way : bool
        Whether the low-mid cut gave its band to feedback.
    """

    thinning: tuple[PlannedFilter, ...]
    cuts: OptimisedCuts
    gave_way: bool

    @property
    def filters(self) -> list[Filter]:
        """Every filter of the plan."""
        return [*(planned.filter for planned in self.thinning), *self.cuts.cuts]


def choose(
    curves: Sequence[LevelCurve],
    limits: Limits,
    thinning: Sequence[PlannedFilter],
    *,
    wishes: Wishes,
    sample_rate_hz: float,
) -> Choice:
    """Choose feedback cuts beside the thinning, or in place of its low-mid cut."""

    def beside(kept: Sequence[PlannedFilter]) -> OptimisedCuts:
        return optimise_curves(
            curves,
            limits,
            fixed=[planned.filter for planned in kept],
            cuts=wishes.cuts,
            favour=wishes.favoured,
            sample_rate_hz=sample_rate_hz,
        )

    high_pass = tuple(one for one in thinning if one.filter.kind is FilterKind.HIGH_PASS)
    if limits.grid_hz is not None:
        return _deeper_of_both(thinning, beside(high_pass))
    whole = Choice(tuple(thinning), beside(thinning), gave_way=False)
    bands = limits.bands - (len(thinning) - len(high_pass))
    enough = bands >= (ORDINARY_COUNT if wishes.cuts is None else wishes.cuts)
    if len(high_pass) == len(thinning) or enough:
        return whole
    with_db = added_gain_db(curves, whole.filters, sample_rate_hz=sample_rate_hz)
    if with_db >= LITTLE_DB:
        return whole
    without = Choice(high_pass, beside(high_pass), gave_way=True)
    without_db = added_gain_db(curves, without.filters, sample_rate_hz=sample_rate_hz)
    return without if without_db - with_db >= GIVES_WAY_DB else whole


def _deeper_of_both(thinning: Sequence[PlannedFilter], cuts: OptimisedCuts) -> Choice:
    """Return sliders each as deep as thinning or feedback asks, whichever asks for more.

    A slider that thinning holds stays free to go deeper, so that its neighbours need not.
    """
    thinned = {
        one.filter.frequency_hz: one.filter.gain_db or 0.0
        for one in thinning
        if one.filter.kind is not FilterKind.HIGH_PASS
    }
    deeper = tuple(
        cut for cut in cuts.cuts if (cut.gain_db or 0.0) < thinned.get(cut.frequency_hz, 0.0)
    )
    moved = {cut.frequency_hz for cut in deeper}
    kept = tuple(
        one
        for one in thinning
        if one.filter.kind is FilterKind.HIGH_PASS or one.filter.frequency_hz not in moved
    )
    if not thinned:
        return Choice(kept, cuts, gave_way=False)
    # What each number of cuts adds was counted without the thinning.
    return Choice(kept, replace(cuts, cuts=deeper, curve_db=(), curve_tone_db=()), gave_way=False)


def other_equalisers(
    curves: Sequence[LevelCurve],
    limits: Limits,
    chosen: Choice,
    *,
    wishes: Wishes,
    sample_rate_hz: float,
) -> list[str]:
    """Return what other equalisers would give, where these limits give little and others more."""
    got_db = added_gain_db(curves, chosen.filters, sample_rate_hz=sample_rate_hz)
    if got_db >= LITTLE_DB:
        return []
    fixed = [one.filter for one in chosen.thinning if one.filter.kind is FilterKind.HIGH_PASS]
    better = []
    for name, words in _OTHERS:
        other = load_limits(name)
        if other.bands <= limits.bands:
            continue
        found = optimise_curves(
            curves, other, fixed=fixed, favour=wishes.favoured, sample_rate_hz=sample_rate_hz
        )
        other_db = found.fixed_db + found.added_db
        if other_db >= got_db + _BETTER_DB:
            better.append(f"{gain_text(other_db)} with {words} ({name})")
    if not better:
        return []
    return [
        f"These bands add {gain_text(got_db)}; there would be {listing(better)} without the "
        "low-mid cut."
    ]
