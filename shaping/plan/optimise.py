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
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.cut_search import CutSearch, Index
from shaping.plan.levels import LevelCurve, level_curve, upper_points
from shaping.plan.limits import Limits
from shaping.plan.settings import Settings, feedback_settings

WORTHWHILE_DB = 0.3
"""A further cut that adds less stable gain than this is not suggested."""

TONE_WEIGHT = 2.0
"""Stable gain in dB that each dB of removed level must bring at least."""

_SAMPLE_RATE_HZ = 48_000.0
_MOST_CUTS = 12


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
        The number of cuts after which a further one adds less than `WORTHWHILE_DB`.
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
) -> OptimisedCuts:
    """Choose feedback cuts for one or more level curves; the rest is as in `optimise_cuts`."""
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
        tone_weight=TONE_WEIGHT,
        sample_rate_hz=sample_rate_hz,
    )
    solutions: list[list[Index]] = [[]]
    curve = [0.0]
    while len(solutions) <= most and len(solutions) <= settings.centres_hz.size:
        extended = search.extend(solutions[-1])
        added = search.added_db(extended)
        if search.net_db(extended) <= search.net_db(solutions[-1]) and (
            added < curve[-1] + WORTHWHILE_DB
        ):
            break
        solutions.append(extended)
        curve.append(added)
        if cuts is None and len(curve) > 3 and curve[-1] - curve[-3] < WORTHWHILE_DB:
            break
    paying = _paying(curve)
    chosen = solutions[-1 if cuts is not None else paying]
    return OptimisedCuts(
        cuts=search.filters(chosen),
        added_db=search.added_db(chosen),
        fixed_db=fixed_db,
        curve_db=tuple(curve),
        paying=paying,
        tone_db=search.tone_db(chosen),
    )


def added_gain_db(
    curves: Sequence[LevelCurve], filters: Sequence[Filter], *, sample_rate_hz: float
) -> float:
    """Return the stable gain that filters add, worst case over phase and over the curves."""
    _, before = upper_points(curves, (), sample_rate_hz=sample_rate_hz)
    _, after = upper_points(curves, filters, sample_rate_hz=sample_rate_hz)
    return float(before.max() - after.max())


def _paying(curve_db: Sequence[float]) -> int:
    """Return the number of cuts past which no further group of cuts pays, cut for cut.

    >>> _paying([0.0, 0.1, 3.0, 3.2, 3.9, 4.0])
    4
    """
    chosen = 0
    for count in range(1, len(curve_db)):
        if (curve_db[count] - curve_db[chosen]) / (count - chosen) >= WORTHWHILE_DB:
            chosen = count
    return chosen


def _free_settings(
    limits: Limits, fixed: Sequence[Filter], sample_rate_hz: float
) -> Settings | None:
    """Return what the cuts can be set to, without the sliders that `fixed` uses."""
    settings = feedback_settings(limits, sample_rate_hz=sample_rate_hz)
    if settings is None or not settings.one_per_centre:
        return settings
    used = [one.frequency_hz for one in fixed if one.kind is not FilterKind.HIGH_PASS]
    free = ~np.isclose(settings.centres_hz[:, None], used, rtol=1e-6).any(axis=1)
    return replace(settings, centres_hz=settings.centres_hz[free]) if free.any() else None
