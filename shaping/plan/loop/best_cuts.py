"""Which feedback cuts add stable gain for the least tone, under an equaliser's limits.

The worst case over phase of ``g E(f) P(f)`` is the highest point of a level curve; cuts push it
down. The curve of several captures is the highest of them at every frequency, so that the plan is
judged by the worst.

How much gain for how much tone is the user's choice. The yardstick is what ordinary cuts would
give: -6 dB with Q 8 on the highest point, again and again, one for each band up to six.
`Favour.TONE` looks for half of that gain, `Favour.BALANCED` for all of it, each for the least level
removed on average over the octaves from 100 Hz to 10 kHz; `Favour.GAIN` takes all the gain there
is. Where ordinary cuts hardly help, as over many peaks of one height, broad ones are to bring a dB
or two at least.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.findings import LoopResponse
from shaping.equaliser.limits import Limits
from shaping.equaliser.menu import Settings, feedback_settings
from shaping.equaliser.quantise import quantise, worth_a_move
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.response import total_db
from shaping.plan.loop.cut_search import CutSearch, Index
from shaping.plan.loop.level_curve import LevelCurve, level_curve, upper_points
from shaping.plan.loop.wishes import Favour

WORTHWHILE_DB = 0.3
"""A further cut that adds less stable gain than this is not suggested."""

WORTHWHILE_TONE_DB = 0.05
"""Nor one that saves the others from removing less tone than this."""

TONE_WEIGHT = 0.5
"""Stable gain in dB that each dB of removed level must bring at least, up to the gain looked for.
Below 1, so that many equal peaks are met with broad cuts rather than with none."""

ORDINARY_CUT = (-6.0, 8.0)
"""Gain in dB and Q of the cuts that a ring-out by ear places."""

ORDINARY_COUNT = 6
"""So many of them at most: with more a person loses the tone and count."""

_GAIN_WEIGHT = 0.02  # a choice: so little that of two plans with the same gain the gentler one wins
_GENTLER = (0.8, 0.6, 0.4, 0.2)  # points of the curve to draw; their number is a matter of time
_DEEPER = (1.25, 1.5, 2.0)  # as above, beyond the plan
_NEAR_TOP_DB = 6.0  # no cut plan goes deeper at many places, so that levels below decide nothing
_UNSURE_SD = 1.5  # a choice: one in fifteen levels lies higher (normal)
_OVER_DB = 0.05  # a setting's step short of the yardstick is short of it
_LEAST_DB = 2.0  # a choice: where ordinary cuts bring less than a person hears, 2 dB is looked for
_SAMPLE_RATE_HZ = 48_000.0  # what nearly all desks run at; bells keep their width up to Nyquist
_MOST_CUTS = 12  # a choice: more turn the wedge down, and nobody dials them in
_PATIENCE = 3  # a choice: of cuts that only help together there are seldom more than three

_Real = NDArray[np.float64]


_SHARE_OF_ORDINARY = {Favour.TONE: 0.5, Favour.BALANCED: 1.0}
"""Half their gain for those who favour tone, all of it for the rest."""


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
    curve_db, curve_tone_db : tuple of float
        Stable gain that 0, 1, 2, ... cuts would add, and the tone they would remove.
    paying : int
        The number of cuts after which a further one pays less than `WORTHWHILE_DB`, in stable
        gain added or, against it, in tone saved.
    tone_db : float
        Level that `cuts` remove, averaged over the octaves from 100 Hz to 10 kHz.
    ordinary_db : float
        Stable gain that as many ordinary cuts would add: the yardstick.
    gain_for_tone : tuple of (float, float)
        Tone removed and gain added, of these cuts set gentler and deeper; rising.
    """

    cuts: tuple[Filter, ...]
    added_db: float
    fixed_db: float
    curve_db: tuple[float, ...]
    curve_tone_db: tuple[float, ...]
    paying: int
    tone_db: float
    ordinary_db: float
    gain_for_tone: tuple[tuple[float, float], ...] = ()


NO_CUTS = OptimisedCuts((), 0.0, 0.0, (0.0,), (0.0,), 0, 0.0, 0.0)
"""Nothing dialled in and nothing added."""


def optimise_cuts(
    responses: Sequence[LoopResponse],
    limits: Limits,
    *,
    fixed: Sequence[Filter] = (),
    cuts: int | None = None,
    favour: Favour = Favour.BALANCED,
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
    favour : Favour
        How much gain for how much tone.
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
    return optimise_curves(
        curves, limits, fixed=fixed, cuts=cuts, favour=favour, sample_rate_hz=sample_rate_hz
    )


def optimise_curves(
    curves: Sequence[LevelCurve],
    limits: Limits,
    *,
    fixed: Sequence[Filter] = (),
    cuts: int | None = None,
    favour: Favour = Favour.BALANCED,
    sample_rate_hz: float = _SAMPLE_RATE_HZ,
    tone_weight: float | None = None,
) -> OptimisedCuts:
    """Choose feedback cuts for one or more level curves; the rest is as in `optimise_cuts`.

    `tone_weight` is the stable gain that each dB of removed level must bring at least, without a
    gain that is looked for, in place of what `favour` means.
    """
    frequency_hz, level_db = upper_points(curves, fixed, sample_rate_hz=sample_rate_hz)
    fixed_db = added_gain_db(curves, fixed, sample_rate_hz=sample_rate_hz)
    settings = _free_settings(limits, fixed, sample_rate_hz)
    taken = sum(one.kind is not FilterKind.HIGH_PASS for one in fixed)
    most = min(max(limits.bands - taken, 0), _MOST_CUTS if cuts is None else cuts)
    if settings is None or most == 0:
        return OptimisedCuts((), 0.0, fixed_db, (0.0,), (0.0,), 0, 0.0, 0.0)
    ordinary = min(most, ORDINARY_COUNT)
    ordinary_db = _ordinary_db(frequency_hz, level_db, limits, ordinary, sample_rate_hz)
    target_db = _target_db(favour, ordinary_db) + _unsure_db(curves)
    wanted_db = target_db if tone_weight is None else -np.inf
    search = CutSearch(
        frequency_hz,
        level_db,
        settings,
        tone_weight=tone_weight or (_GAIN_WEIGHT if favour is Favour.GAIN else TONE_WEIGHT),
        target_db=np.inf if tone_weight else target_db,
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
    tone = [search.tone_db(one) for one in best]
    paying = _paying(curve, tone, [search.net_db(one) for one in best], wanted_db=wanted_db)
    chosen = search.without_shallow(search.polished(best[-1 if cuts is not None else paying]))
    if cuts is None and search.added_db(chosen) < WORTHWHILE_DB:
        chosen = []
    curve[len(chosen)], tone[len(chosen)] = search.added_db(chosen), search.tone_db(chosen)
    return OptimisedCuts(
        cuts=search.filters(chosen),
        added_db=search.added_db(chosen),
        fixed_db=fixed_db,
        curve_db=tuple(curve),
        curve_tone_db=tuple(tone),
        paying=min(paying, len(chosen)),
        tone_db=search.tone_db(chosen),
        ordinary_db=ordinary_db,
        gain_for_tone=_gain_for_tone(search, chosen),
    )


def _gain_for_tone(search: CutSearch, chosen: Sequence[Index]) -> tuple[tuple[float, float], ...]:
    """Return the curve of gain against tone on which the chosen cuts lie."""
    if not chosen:
        return ()
    added_db = search.added_db(chosen)
    gentler = search.frontier(chosen, [share * added_db for share in _GENTLER])
    deeper = search.frontier(chosen, [share * added_db for share in _DEEPER])
    points = sorted({(0.0, 0.0), *gentler, (search.tone_db(chosen), added_db), *deeper})
    highest = np.maximum.accumulate([gain for _, gain in points])
    return tuple(point for point, most in zip(points, highest, strict=True) if point[1] >= most)


def ordinary_cuts(
    frequency_hz: _Real, level_db: _Real, limits: Limits, count: int, *, sample_rate_hz: float
) -> tuple[Filter, ...]:
    """Return one ordinary cut on the highest point after another, within the limits."""
    placed: list[Filter] = []
    gain_db, q = ORDINARY_CUT
    gain = None if limits.band_kind is FilterKind.NOTCH else gain_db
    for _ in range(count):
        level = level_db + total_db(placed, frequency_hz, sample_rate_hz=sample_rate_hz)
        peak_hz = float(frequency_hz[int(np.argmax(level))])
        placed.append(quantise(Filter(limits.band_kind, peak_hz, q=q, gain_db=gain), limits))
    return tuple(placed)


def _ordinary_db(
    frequency_hz: _Real, level_db: _Real, limits: Limits, count: int, sample_rate_hz: float
) -> float:
    placed = ordinary_cuts(frequency_hz, level_db, limits, count, sample_rate_hz=sample_rate_hz)
    left = level_db + total_db(placed, frequency_hz, sample_rate_hz=sample_rate_hz)
    return float(level_db.max() - left.max())


def _unsure_db(curves: Sequence[LevelCurve]) -> float:
    """Return how unsure the levels near the top are: cuts go so much deeper, to be sure."""
    errors = [
        np.quantile(curve.error_db[curve.level_db > curve.level_db.max() - _NEAR_TOP_DB], 0.9)
        for curve in curves
    ]
    return _UNSURE_SD * float(max(errors))


def _target_db(favour: Favour, ordinary_db: float) -> float:
    """Return the stable gain that is looked for."""
    share = _SHARE_OF_ORDINARY.get(favour)
    return np.inf if share is None else share * max(ordinary_db, _LEAST_DB) + _OVER_DB


def added_gain_db(
    curves: Sequence[LevelCurve], filters: Sequence[Filter], *, sample_rate_hz: float
) -> float:
    """Return the stable gain that filters add, worst case over phase and over the curves."""
    _, before = upper_points(curves, (), sample_rate_hz=sample_rate_hz)
    _, after = upper_points(curves, filters, sample_rate_hz=sample_rate_hz)
    return float(before.max() - after.max())


def _stalled(net_db: Sequence[float]) -> bool:
    """Return whether the last few cuts together brought less than one should."""
    least_db = TONE_WEIGHT * WORTHWHILE_TONE_DB
    return len(net_db) > _PATIENCE and net_db[-1] - net_db[-1 - _PATIENCE] < least_db


def _paying(
    added_db: Sequence[float],
    tone_db: Sequence[float],
    net_db: Sequence[float],
    *,
    wanted_db: float,
) -> int:
    """Return the number of cuts past which no further group of cuts pays, cut for cut.

    A cut pays by the stable gain it adds, by the tone it saves the others from removing, or by
    what is still wanting of the gain that is looked for.

    >>> tone = [0.0, 0.1, 0.9, 0.85, 0.7]
    >>> _paying([0.0, 0.1, 3.0, 3.0, 3.0], tone, [0.0, 0.0, 2.0, 2.1, 2.3], wanted_db=3.0)
    4
    """
    chosen = 0
    for count in range(1, len(added_db)):
        steps = count - chosen
        added, saved = added_db[count] - added_db[chosen], tone_db[chosen] - tone_db[count]
        wanting = added_db[chosen] < wanted_db - 2 * _OVER_DB
        least_db = 2 * _OVER_DB if wanting else WORTHWHILE_DB
        pays = added >= steps * least_db or saved >= steps * WORTHWHILE_TONE_DB
        if net_db[count] > net_db[chosen] and pays:
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
