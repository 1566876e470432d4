"""What went wrong at the equaliser, where the measured change is not the promised one.

Each setting may have been left out, boosted instead of cut, put on another frequency, given
another gain, or its Q may have been read in another convention; the equaliser as a whole may have
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

from shaping.errors import ParameterError
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.width import QConvention, convert_q, q_from_octaves
from shaping.plan.limits import Limits
from shaping.plan.measured_change import MeasuredChange
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


_COST = {
    Mistake.ALL_OUT: 4.0,
    Mistake.OUT: 4.0,
    Mistake.SIGN: 5.0,
    Mistake.Q_CONVENTION: 6.0,
    Mistake.Q_AS_OCTAVES: 7.0,
    Mistake.OCTAVES_AS_Q: 7.0,
    Mistake.GAIN: 10.0,
    Mistake.FREQUENCY: 14.0,
}
"""What a mistake must explain to be believed: more for those with more ways to fit by chance."""

_CLEARLY = 12.0
_WORST = 25.0
_FLOOR_DB = 0.35
_ACTS_DB = 0.5
_LEAST_GAIN_DB = 0.5
_STEPS_PER_OCTAVE = 24


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


class _Fit:
    """Expected changes under any replacement of the plan's filters, and their misfit."""

    def __init__(
        self, change: MeasuredChange, filters: Sequence[Filter], sample_rate_hz: float
    ) -> None:
        self.change = change
        self.sample_rate_hz = sample_rate_hz
        self.gains = [self.gain_db(one) for one in filters]
        quiet = np.abs(change.averaged_db(self.total_db())) < 0.25
        residual, _ = self._residual(change.averaged_db(self.total_db()))
        usual = residual[quiet] if quiet.sum() >= 12 else residual
        self.noise_db = float(np.hypot(_FLOOR_DB, 1.4826 * np.median(np.abs(usual))))
        self.sigma_db = np.hypot(change.error_db, self.noise_db)

    def gain_db(self, filter: Filter | None) -> _Real:
        if filter is None:
            return np.zeros_like(self.change.part_hz)
        return self.change.filter_db(filter, sample_rate_hz=self.sample_rate_hz)

    def total_db(self, candidate: _Candidate | None = None) -> _Real:
        total = np.sum([np.zeros_like(self.change.part_hz), *self.gains], axis=0)
        if candidate is not None:
            for place, filter in zip(candidate.places, candidate.filters, strict=True):
                total = total - self.gains[place] + self.gain_db(filter)
        return np.asarray(total)

    def _residual(self, expected_db: _Real) -> tuple[_Real, float]:
        residual = self.change.change_db - expected_db
        level = float(np.median(residual))
        return residual - level, level

    def residual(self, candidate: _Candidate | None = None) -> tuple[_Real, float]:
        """Return measured minus expected change in each band, and the level taken out of it."""
        return self._residual(self.change.averaged_db(self.total_db(candidate)))

    def cost(self, candidate: _Candidate | None = None) -> float:
        residual, _ = self.residual(candidate)
        return float(np.minimum((residual / self.sigma_db) ** 2, _WORST).sum())

    def accept(self, candidate: _Candidate) -> None:
        for place, filter in zip(candidate.places, candidate.filters, strict=True):
            self.gains[place] = self.gain_db(filter)


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
    residual, level_db = fit.residual()
    misfit_db = _rms(residual)
    candidates = list(_candidates(planned, limits, change))
    explanations: list[Explanation] = []
    open_places = set(range(len(planned)))
    while open_places:
        now = fit.cost()
        choices = sorted(
            (
                (fit.cost(candidate) + _COST[candidate.mistake] * _count(candidate), number)
                for number, candidate in enumerate(candidates)
                if open_places.issuperset(candidate.places)
            )
        )
        if not choices or now - choices[0][0] < _CLEARLY:
            break
        best = candidates[choices[0][1]]
        others = [
            candidates[number]
            for _, number in choices[1:]
            if candidates[number].mistake is not best.mistake
            and candidates[number].places == best.places
        ]
        explanation = _explained(fit, best, next(iter(others), None))
        if explanation.misfit_planned_db - explanation.misfit_db < _LEAST_GAIN_DB:
            break
        explanations.append(explanation)
        fit.accept(best)
        open_places -= set(best.places)
    residual, _ = fit.residual()
    return Diagnosis(level_db, fit.noise_db, misfit_db, _rms(residual), tuple(explanations))


def _count(candidate: _Candidate) -> float:
    return 1.0 if candidate.mistake is Mistake.ALL_OUT else float(min(len(candidate.places), 2))


def _explained(fit: _Fit, best: _Candidate, other: _Candidate | None) -> Explanation:
    planned_db = fit.change.averaged_db(fit.total_db())
    with_it_db = fit.change.averaged_db(fit.total_db(best))
    acts = np.abs(with_it_db - planned_db) > _ACTS_DB
    if not acts.any():
        acts = np.ones_like(acts)
    one = len(best.places) == 1
    return Explanation(
        mistake=best.mistake,
        setting=best.places[0] + 1 if one else None,
        dialled=best.filters[0] if one else None,
        convention=best.convention,
        misfit_planned_db=_rms(fit.residual()[0][acts]),
        misfit_db=_rms(fit.residual(best)[0][acts]),
        runner_up=other.mistake if other else None,
        runner_up_misfit_db=_rms(fit.residual(other)[0][acts]) if other else None,
    )


def _candidates(
    planned: Sequence[PlannedFilter], limits: Limits, change: MeasuredChange
) -> Iterator[_Candidate]:
    everywhere = tuple(range(len(planned)))
    if len(planned) > 1:
        yield _Candidate(Mistake.ALL_OUT, everywhere, (None,) * len(planned))
        yield from _all_read_otherwise(planned, limits)
    for place, one in enumerate(planned):
        yield _Candidate(Mistake.OUT, (place,), (None,))
        for mistake, filter, convention in _single(one, limits, change):
            yield _Candidate(mistake, (place,), (filter,), convention)


def _all_read_otherwise(planned: Sequence[PlannedFilter], limits: Limits) -> Iterator[_Candidate]:
    """Yield one candidate for each convention in which the equaliser may read every Q."""
    for convention in QConvention:
        found = [
            (place, read)
            for place, one in enumerate(planned)
            if (read := _read_as(one, convention, limits)) is not None
        ]
        if len(found) > 1:
            places, filters = zip(*found, strict=True)
            yield _Candidate(Mistake.Q_CONVENTION, places, filters, convention)


def _single(
    planned: PlannedFilter, limits: Limits, change: MeasuredChange
) -> Iterator[tuple[Mistake, Filter, QConvention | None]]:
    filter = planned.filter
    low, high = change.centre_hz[0], change.centre_hz[-1]
    for step in range(int(np.log2(high / low) * _STEPS_PER_OCTAVE) + 1):
        frequency_hz = float(low * 2 ** (step / _STEPS_PER_OCTAVE))
        if abs(np.log2(frequency_hz / filter.frequency_hz)) > 1 / _STEPS_PER_OCTAVE:
            yield Mistake.FREQUENCY, replace(filter, frequency_hz=frequency_hz), None
    if filter.gain_db is None:
        return
    yield Mistake.SIGN, replace(filter, gain_db=-filter.gain_db), None
    for gain_db in np.arange(-18.0, 12.5, 0.5):
        if abs(gain_db) > 0.1 and min(abs(gain_db - filter.gain_db), abs(gain_db + filter.gain_db)):
            yield Mistake.GAIN, replace(filter, gain_db=float(gain_db)), None
    if filter.kind is not FilterKind.PEAKING or filter.q is None or limits.min_q == limits.max_q:
        return
    for convention in QConvention:
        read = _read_as(planned, convention, limits)
        if read is not None:
            yield Mistake.Q_CONVENTION, read, convention
    dialled = planned.dial_q if planned.dial_q is not None else filter.q
    if 0.05 <= dialled <= 6.0:
        yield Mistake.Q_AS_OCTAVES, replace(filter, q=q_from_octaves(dialled)), None
    if planned.bandwidth_oct is not None:
        yield Mistake.OCTAVES_AS_Q, replace(filter, q=planned.bandwidth_oct), None


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
