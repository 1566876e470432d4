"""Which feedback cuts add the most stable gain for the least tone, under an equaliser's limits.

The worst case over phase of ``g E(f) P(f)`` is the highest point of a level curve; cuts push it
down. The curve of several captures is the highest of them at every frequency, so that the plan is
judged by the worst.

Turning everything down adds stable gain as well, and helps nobody. Cuts are therefore chosen by
what they add to the stable gain less twice the level they remove on average over the octaves from
100 Hz to 10 kHz: with a weight of one, wide cuts that merely trade one for the other creep in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from shaping.analysis.findings import LoopResponse
from shaping.equaliser.limits import Limits
from shaping.equaliser.menu import Settings, feedback_settings
from shaping.equaliser.quantise import worth_a_move
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.loop.cut_search import CutSearch, Index
from shaping.plan.loop.level_curve import LevelCurve, level_curve, upper_points

WORTHWHILE_DB = 0.3
"""A further cut that adds less stable gain than this is not suggested."""

TONE_WEIGHT = 2.0
"""Stable gain in dB that each dB of removed level must bring at least."""

_SAMPLE_RATE_HZ = 48_000.0
_MOST_CUTS = 12
_PATIENCE = 3


@dataclass(frozen=True, slots=True)
class OptimisedCuts:
    """The cuts, and what every number of them would add.

    Attributes
    ----------
    cuts : tuple of Filter
        Within the limits, the most urgent first.
    added_db : float
        Stable gain that `cuts` add on top of the fixed filters, worst case over phase.
    fixed_db : float
        Stable gain that the fixed filters add alone.
    curve_db : tuple of float
        Stable gain that 0, 1, 2, ... cuts would add.
    paying : int
        The number of cuts after which a further one pays less than `WORTHWHILE_DB`, in stable
        gain added or, against it, in tone saved.
    tone_db : float
        Level that `cuts` remove, averaged over the octaves from 100 Hz to 10 kHz.
    """

    cuts: tuple[Filter, ...]
    added_db: float
    fixed_db: float
    curve_db: tuple[float, ...]
    paying: int
    tone_db: float


def optimise_cuts(
    responses: Sequence[LoopResponse],
    limits: Limits,
    *,
    fixed: Sequence[Filter] = (),
    cuts: int | None = None,
    sample_rate_hz: float = _SAMPLE_RATE_HZ,
) -> OptimisedCuts:
    """Choose feedback cuts for one wedge from one or more loop responses.

    Parameters
    ----------
    responses : sequence of LoopResponse
        Captures of the same wedge: mic positions, the mic cupped.
    limits : Limits
        The equaliser. Bands that `fixed` uses are taken.
    fixed : sequence of Filter
        Filters that are dialled in anyway, such as thinning.
    cuts : int, optional
        At most so many cuts, even where the last ones pay little; by default as many as pay.
    sample_rate_hz : float
        Sample rate at which the equaliser is taken to work, in Hz.

    Returns
    -------
    OptimisedCuts

    Raises
    ------
    CaptureError
        If no frequency of a response can be trusted.
    """
    curves = [level_curve(response) for response in responses]
    return optimise_curves(curves, limits, fixed=fixed, cuts=cuts, sample_rate_hz=sample_rate_hz)


def optimise_curves(
    curves: Sequence[LevelCurve],
    limits: Limits,
    *,
    fixed: Sequence[Filter] = (),
    cuts: int | None = None,
    sample_rate_hz: float = _SAMPLE_RATE_HZ,
    tone_weight: float = TONE_WEIGHT,
) -> OptimisedCuts:
    """Choose feedback cuts for one or more level curves; the rest is as in `optimise_cuts`.

    `tone_weight` is the stable gain that each dB of removed level must bring at least.
    """
    frequency_hz, level_db = upper_points(curves, fixed, sample_rate_hz=sample_rate_hz)
    fixed_db = added_gain_db(curves, fixed, sample_rate_hz=sample_rate_hz)
    settings = _free_settings(limits, fixed, sample_rate_hz)
    taken = sum(one.kind is not FilterKind.HIGH_PASS for one in fixed)
    most = min(max(limits.bands - taken, 0), _MOST_CUTS if cuts is None else cuts)
    if settings is None or most == 0:
        return OptimisedCuts((), 0.0, fixed_db, (0.0,), 0, 0.0)
    search = CutSearch(
        frequency_hz,
        level_db,
        settings,
        tone_weight=tone_weight,
        sample_rate_hz=sample_rate_hz,
    )
    best: list[list[Index]] = [[]]
    grown: list[Index] = []
    room = settings.centres_hz.size if search.most_cuts is None else search.most_cuts
    for _ in range(min(most, room)):
        grown = search.extend(grown)
        better = search.net_db(grown) > search.net_db(best[-1])
        best.append(grown if better else best[-1])
        if cuts is None and _stalled([search.net_db(one) for one in best]):
            break
    curve = [search.added_db(one) for one in best]
    paying = _paying(curve, [search.net_db(one) for one in best])
    chosen = search.without_shallow(best[-1 if cuts is not None else paying])
    curve[len(chosen)] = search.added_db(chosen)
    return OptimisedCuts(
        cuts=search.filters(chosen),
        added_db=search.added_db(chosen),
        fixed_db=fixed_db,
        curve_db=tuple(curve),
        paying=min(paying, len(chosen)),
        tone_db=search.tone_db(chosen),
    )


def added_gain_db(
    curves: Sequence[LevelCurve], filters: Sequence[Filter], *, sample_rate_hz: float
) -> float:
    """Return the stable gain that filters add, worst case over phase and over the curves."""
    _, before = upper_points(curves, (), sample_rate_hz=sample_rate_hz)
    _, after = upper_points(curves, filters, sample_rate_hz=sample_rate_hz)
    return float(before.max() - after.max())


def _stalled(net_db: Sequence[float]) -> bool:
    """Return whether the last few cuts together brought less than one should."""
    return len(net_db) > _PATIENCE and net_db[-1] - net_db[-1 - _PATIENCE] < WORTHWHILE_DB


def _paying(added_db: Sequence[float], net_db: Sequence[float]) -> int:
    """Return the number of cuts past which no further group of cuts pays, cut for cut.

    A cut pays by the stable gain it adds, or by the tone it saves the others from removing.

    >>> _paying([0.0, 0.1, 3.0, 3.2, 3.9, 4.0], [0.0, 0.1, 2.0, 2.0, 2.1, 2.1])
    4
    """
    chosen = 0
    for count in range(1, len(added_db)):
        steps = count - chosen
        added, net = added_db[count] - added_db[chosen], net_db[count] - net_db[chosen]
        if net > 0 and max(added, net) / steps >= WORTHWHILE_DB:
            chosen = count
    return chosen


def _free_settings(
    limits: Limits, fixed: Sequence[Filter], sample_rate_hz: float
) -> Settings | None:
    """Return what the cuts can be set to, without the sliders that `fixed` uses."""
    settings = feedback_settings(limits, sample_rate_hz=sample_rate_hz)
    if settings is None or not worth_a_move(float(settings.gain_db.min())):
        return None
    if not settings.one_per_centre:
        return settings
    used = [one.frequency_hz for one in fixed if one.kind is not FilterKind.HIGH_PASS]
    free = ~np.isclose(settings.centres_hz[:, None], used, rtol=1e-6).any(axis=1)
    return replace(settings, centres_hz=settings.centres_hz[free]) if free.any() else None
