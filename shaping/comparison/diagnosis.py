"""What went wrong at the equaliser, where the measured change is not the promised one.

Each setting may have been left out, boosted instead of cut, put on another frequency, given
another gain or another width; the equaliser as a whole may count Q in another convention, or have
been bypassed. Each such mistake predicts a change of its own. The one that explains the
measurement best is taken if it explains it clearly better, then the rest is searched again.

Misfits are counted in standard deviations (those of the measurement, and a floor that follows how
well captures agree where nothing was changed), each band's held at `_WORST` so that a few bands
that went wrong do not decide alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from shaping.comparison.measured_change import MeasuredChange
from shaping.equaliser.limits import Limits
from shaping.errors import ParameterError
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.width import QConvention, convert_q, q_from_octaves
from shaping.plan.plan import PlannedFilter

_Real = NDArray[np.float64]


class Mistake(StrEnum):
    """What can go wrong between a plan and an equaliser."""

    ALL_OUT = "all-out"
    OUT = "out"
    SIGN = "sign"
    FREQUENCY = "frequency"
    GAIN = "gain"
    Q_CONVENTION = "q-convention"
    Q_AS_OCTAVES = "q-as-octaves"
    OCTAVES_AS_Q = "octaves-as-q"
    TOO_WIDE = "too-wide"
    TOO_NARROW = "too-narrow"


_COST = {
    Mistake.ALL_OUT: 4.0,
    Mistake.OUT: 4.0,
    Mistake.SIGN: 5.0,
    Mistake.Q_CONVENTION: 6.0,
    Mistake.Q_AS_OCTAVES: 7.0,
    Mistake.OCTAVES_AS_Q: 7.0,
    Mistake.TOO_WIDE: 8.0,
    Mistake.TOO_NARROW: 8.0,
    Mistake.GAIN: 10.0,
    Mistake.FREQUENCY: 14.0,
}
"""What a mistake must explain to be believed: more for those with more ways to fit by chance."""

_CLEARLY = 12.0  # less misfit, in variances, that a mistake must bring: chance brings a few
_WORST = 25.0  # five standard deviations: what lies further off is no noise, and says no more
_FLOOR_DB = 0.35  # how well captures agree where nothing was changed
_ACTS_DB = 0.5  # bands in which two expectations differ by less cannot part them
_LEAST_GAIN_DB = 0.5  # a mistake that brings the misfit down by less is not worth a word
_GOOD_DB = 0.6  # so little misfit is explained, whatever it was before
_EXPLAINS = 0.6  # or else this share of it at most may be left
_QUIET_DB = 0.25  # where the plan does less, captures show how well they agree
_LEAST_QUIET = 12  # an octave of such bands, or else all bands are asked
_STEPS_PER_OCTAVE = 24  # of places tried: half a band of the measured change
_TIMES_WIDER = 2.0 ** (np.arange(2, 13) / 4)
"""Widths tried beside the planned one, wider and narrower: 1.4 to 8 times, in steps that miss none
by more than a tenth. A smaller difference is hardly heard; a greater one is an octave taken for a
Q, which is a mistake of its own."""


@dataclass(frozen=True, slots=True)
class Explanation:
    """One mistake that would explain what was measured.

    Attributes
    ----------
    mistake : Mistake
        What went wrong.
    setting : int or None
        Number of the setting in dialling order, from 1; None where it concerns all.
    dialled : Filter or None
        What seems to be dialled in; None where nothing is, or where it concerns all.
    convention : QConvention or None
        How the equaliser seems to read Q.
    misfit_planned_db, misfit_db : float
        Root mean square of measured minus expected change over the bands that differ, had the
        plan been dialled in, and with this mistake.
    runner_up : Mistake or None
        The second best mistake at the same place.
    runner_up_misfit_db : float or None
        Its misfit.
    """

    mistake: Mistake
    setting: int | None
    dialled: Filter | None
    convention: QConvention | None
    misfit_planned_db: float
    misfit_db: float
    runner_up: Mistake | None = None
    runner_up_misfit_db: float | None = None


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """How a measured change fits a plan.

    Attributes
    ----------
    level_change_db : float
        Change of the whole, which no filter explains: a gain that was touched.
    noise_db : float
        How far the captures disagree where no setting acts; the yardstick of every misfit.
    misfit_db : float
        Root mean square of measured minus promised change, level left out.
    explained_misfit_db : float
        The same with every explanation taken into account.
    explanations : tuple of Explanation
        Mistakes that explain it, the clearest first; none where the plan fits.
    """

    level_change_db: float
    noise_db: float
    misfit_db: float
    explained_misfit_db: float
    explanations: tuple[Explanation, ...]


@dataclass(frozen=True, eq=False)
class _Candidate:
    mistake: Mistake
    places: tuple[int, ...]
    filters: tuple[Filter | None, ...]
    convention: QConvention | None = None

    @property
    def cost(self) -> float:
        several = self.mistake is not Mistake.ALL_OUT and len(self.places) > 1
        return _COST[self.mistake] * (2.0 if several else 1.0)


class _Fit:
    """Expected changes under any replacement of the plan's filters, and their misfit."""

    def __init__(
        self, change: MeasuredChange, filters: Sequence[Filter], sample_rate_hz: float
    ) -> None:
        self.change = change
        self.sample_rate_hz = sample_rate_hz
        self._known: dict[Filter, _Real] = {}
        self.planned = [self._gain_db(one) for one in filters]
        self.planned_db: _Real = np.sum([np.zeros_like(change.part_hz), *self.planned], axis=0)
        expected = change.averaged_db(self.planned_db)
        quiet = np.abs(expected) < _QUIET_DB
        residual, _ = self._residual(expected)
        usual = residual[quiet] if quiet.sum() >= _LEAST_QUIET else residual
        self.noise_db = float(np.hypot(_FLOOR_DB, 1.4826 * np.median(np.abs(usual))))
        self.sigma_db = np.hypot(change.error_db, self.noise_db)

    def _gain_db(self, filter: Filter | None) -> _Real:
        if filter is None:
            return np.zeros_like(self.change.part_hz)
        if filter not in self._known:
            self._known[filter] = self.change.filter_db(filter, sample_rate_hz=self.sample_rate_hz)
        return self._known[filter]

    def total_db(self, mistakes: Sequence[_Candidate]) -> _Real:
        """Return the gain of the whole equaliser at `part_hz` with these mistakes."""
        total = self.planned_db
        for mistake in mistakes:
            for place, filter in zip(mistake.places, mistake.filters, strict=True):
                total = total - self.planned[place] + self._gain_db(filter)
        return total

    def expected_db(self, mistakes: Sequence[_Candidate]) -> _Real:
        """Return the expected change of each band with these mistakes."""
        return self.change.averaged_db(self.total_db(mistakes))

    def _residual(self, expected_db: _Real) -> tuple[_Real, float]:
        residual = self.change.change_db - expected_db
        level = float(np.median(residual))
        return residual - level, level

    def residual(self, mistakes: Sequence[_Candidate]) -> tuple[_Real, float]:
        """Return measured minus expected change in each band, and the level taken out of it."""
        return self._residual(self.expected_db(mistakes))

    def cost(self, total_db: _Real) -> float:
        """Return the misfit in variances, each band's held."""
        residual, _ = self._residual(self.change.averaged_db(total_db))
        return float(np.minimum((residual / self.sigma_db) ** 2, _WORST).sum())

    def with_one_more(self, total_db: _Real, candidate: _Candidate) -> float:
        """Return what the misfit becomes, with what the mistake costs to believe."""
        for place, filter in zip(candidate.places, candidate.filters, strict=True):
            total_db = total_db - self.planned[place] + self._gain_db(filter)
        return self.cost(total_db) + candidate.cost


def diagnose(
    change: MeasuredChange,
    planned: Sequence[PlannedFilter],
    limits: Limits,
    *,
    sample_rate_hz: float,
) -> Diagnosis:
    """Find the mistakes that explain how a measured change differs from a plan.

    Parameters
    ----------
    change : MeasuredChange
        What was measured.
    planned : sequence of PlannedFilter
        The settings, in dialling order.
    limits : Limits
        The equaliser they were made for.
    sample_rate_hz : float
        Sample rate in Hz at which the equaliser runs.

    Returns
    -------
    Diagnosis
    """
    fit = _Fit(change, [p.filter for p in planned], sample_rate_hz)
    residual, level_db = fit.residual([])
    misfit_db = _rms(residual)
    candidates = list(_candidates(planned, limits, change))
    mistakes = _search(fit, candidates)
    residual, level_with_them_db = fit.residual(mistakes)
    explained_db = _rms(residual)
    if mistakes and explained_db > max(_GOOD_DB, _EXPLAINS * misfit_db):
        mistakes, explained_db = [], misfit_db  # fits a little better, but explains nothing
    explanations = [_explained(fit, mistakes, one, candidates) for one in mistakes]
    return Diagnosis(
        level_with_them_db if mistakes else level_db,
        fit.noise_db,
        misfit_db,
        explained_db,
        tuple(sorted(explanations, key=lambda e: e.misfit_db - e.misfit_planned_db)),
    )


def _search(fit: _Fit, candidates: Sequence[_Candidate]) -> list[_Candidate]:
    """Take the best mistake while one explains clearly more; then look at each one once again."""
    mistakes: list[_Candidate] = []
    cost = fit.cost(fit.total_db([]))
    while True:
        taken = {place for mistake in mistakes for place in mistake.places}
        found = _best(fit, mistakes, [c for c in candidates if taken.isdisjoint(c.places)])
        if found is None or cost - found[0] < _CLEARLY:
            break
        mistakes.append(found[1])
        cost = fit.cost(fit.total_db(mistakes))
    for old in list(mistakes) if len(mistakes) > 1 else []:
        others = [mistake for mistake in mistakes if mistake is not old]
        found = _best(fit, others, [c for c in candidates if c.places == old.places])
        kept = fit.cost(fit.total_db(others))
        mistakes = others if found is None or kept - found[0] < _CLEARLY else [*others, found[1]]
    return [
        one
        for one in mistakes
        if _rms_where(fit, [m for m in mistakes if m is not one], mistakes)
        - _rms_where(fit, mistakes, [m for m in mistakes if m is not one])
        >= _LEAST_GAIN_DB
    ]


def _best(
    fit: _Fit, mistakes: Sequence[_Candidate], candidates: Sequence[_Candidate]
) -> tuple[float, _Candidate] | None:
    total_db = fit.total_db(mistakes)
    costs = [fit.with_one_more(total_db, candidate) for candidate in candidates]
    if not costs:
        return None
    least = int(np.argmin(costs))
    return costs[least], candidates[least]


def _rms_where(fit: _Fit, mistakes: list[_Candidate], other: list[_Candidate]) -> float:
    """Return the misfit with `mistakes`, over the bands in which `other` expects otherwise."""
    acts = np.abs(fit.expected_db(mistakes) - fit.expected_db(other)) > _ACTS_DB
    residual = fit.residual(mistakes)[0]
    return _rms(residual[acts]) if acts.any() else _rms(residual)


def _explained(
    fit: _Fit,
    mistakes: list[_Candidate],
    one: _Candidate,
    candidates: Sequence[_Candidate],
) -> Explanation:
    """Return what one mistake explains, given the others."""
    others = [mistake for mistake in mistakes if mistake is not one]
    rivals = [c for c in candidates if c.places == one.places and c.mistake is not one.mistake]
    second = _best(fit, others, rivals)
    acts = np.abs(fit.expected_db(mistakes) - fit.expected_db(others)) > _ACTS_DB
    acts = acts if acts.any() else np.ones_like(acts)
    alone = len(one.places) == 1
    return Explanation(
        mistake=one.mistake,
        setting=one.places[0] + 1 if alone else None,
        dialled=one.filters[0] if alone else None,
        convention=one.convention,
        misfit_planned_db=_rms(fit.residual(others)[0][acts]),
        misfit_db=_rms(fit.residual(mistakes)[0][acts]),
        runner_up=second[1].mistake if second else None,
        runner_up_misfit_db=_rms(fit.residual([*others, second[1]])[0][acts]) if second else None,
    )


def _candidates(
    planned: Sequence[PlannedFilter], limits: Limits, change: MeasuredChange
) -> Iterator[_Candidate]:
    everywhere = tuple(range(len(planned)))
    if len(planned) > 1:
        yield _Candidate(Mistake.ALL_OUT, everywhere, (None,) * len(planned))
    yield from _read_otherwise(planned, limits)
    for place, one in enumerate(planned):
        yield _Candidate(Mistake.OUT, (place,), (None,))
        for mistake, filter in _single(one, limits, change):
            yield _Candidate(mistake, (place,), (filter,))


def _read_otherwise(planned: Sequence[PlannedFilter], limits: Limits) -> Iterator[_Candidate]:
    """Yield one candidate for each convention in which the equaliser may read every Q.

    An equaliser reads all its bands alike: a single band that differs was set to another width.
    """
    if limits.min_q == limits.max_q:
        return
    for convention in QConvention:
        found = [
            (place, read)
            for place, one in enumerate(planned)
            if (read := _read_as(one, convention, limits)) is not None
        ]
        if found:
            places, filters = zip(*found, strict=True)
            yield _Candidate(Mistake.Q_CONVENTION, places, filters, convention)


def _single(
    planned: PlannedFilter, limits: Limits, change: MeasuredChange
) -> Iterator[tuple[Mistake, Filter]]:
    filter = planned.filter
    low, high = change.centre_hz[0], change.centre_hz[-1]
    for step in range(int(np.log2(high / low) * _STEPS_PER_OCTAVE) + 1):
        frequency_hz = float(low * 2 ** (step / _STEPS_PER_OCTAVE))
        if abs(np.log2(frequency_hz / filter.frequency_hz)) > 1 / _STEPS_PER_OCTAVE:
            yield Mistake.FREQUENCY, replace(filter, frequency_hz=frequency_hz)
    if filter.gain_db is None:
        return
    yield Mistake.SIGN, replace(filter, gain_db=-filter.gain_db)
    for gain_db in np.arange(-18.0, 12.5, 0.5):
        if abs(gain_db) > 0.1 and min(abs(gain_db - filter.gain_db), abs(gain_db + filter.gain_db)):
            yield Mistake.GAIN, replace(filter, gain_db=float(gain_db))
    if filter.kind is not FilterKind.PEAKING or filter.q is None or limits.min_q == limits.max_q:
        return
    for times in _TIMES_WIDER:
        yield Mistake.TOO_WIDE, replace(filter, q=float(filter.q / times))
        yield Mistake.TOO_NARROW, replace(filter, q=float(filter.q * times))
    dialled = planned.dial_q if planned.dial_q is not None else filter.q
    if 0.05 <= dialled <= 6.0:
        yield Mistake.Q_AS_OCTAVES, replace(filter, q=q_from_octaves(dialled))
    if planned.bandwidth_oct is not None:
        yield Mistake.OCTAVES_AS_Q, replace(filter, q=planned.bandwidth_oct)


def _read_as(planned: PlannedFilter, convention: QConvention, limits: Limits) -> Filter | None:
    """Return the filter that results if the dialled Q is read in another convention."""
    filter = planned.filter
    if (
        convention is limits.q_convention
        or filter.kind is not FilterKind.PEAKING
        or filter.q is None
        or filter.gain_db is None
    ):
        return None
    dialled = planned.dial_q if planned.dial_q is not None else filter.q
    try:
        q = convert_q(dialled, filter.gain_db, source=convention, target=QConvention.COOKBOOK)
    except ParameterError:
        return None  # no such width at this gain
    return None if abs(q / filter.q - 1) < 0.02 else replace(filter, q=q)


def _rms(values: _Real) -> float:
    return float(np.sqrt(np.mean(values**2)))
