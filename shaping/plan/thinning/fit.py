"""The smallest thinning that brings a wedge's low mids under the mains by the asked amount.

Searched within the limits: each high-pass that the use of the wedge allows (or none) with each
wide low-mid cut (or none). "Smallest" takes least from the musician: the least sum of squared dB
over third octaves, each weighted by its importance to speech (ANSI S3.5-1997) plus a little for
the body of the sound. Below the lightest high-pass for this use nothing is missed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.first_row.speech import BANDS_HZ, IMPORTANCE
from shaping.analysis.first_row.spill import (
    Spill,
    low_mid_margin_db,
    low_mid_margin_error_db,
    low_mid_margins_db,
)
from shaping.analysis.third_octave import band_mean_db, band_points_hz
from shaping.equaliser.limits import Limits
from shaping.equaliser.quantise import gain_steps_db, worth_a_move
from shaping.errors import ParameterError
from shaping.filters.bands import NOMINAL_HZ
from shaping.filters.closed_forms import bell_db
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.response import total_db
from shaping.plan.assemble import planned_filter
from shaping.plan.plan import PlannedFilter, Purpose
from shaping.plan.thinning.effect import band_change_db
from shaping.plan.thinning.starting_points import (
    ThinningAmount,
    WedgeUse,
    thinning_filters,
    wide_cut,
)

DEEPEST_THINNING_DB = -12.0
"""Deepest low-mid cut to fit; what needs more needs a lower wedge instead."""

LEAST_TARGET_DB, GREATEST_TARGET_DB = -20.0, 30.0  # a choice: beyond these it is a slip of the hand

_CENTRES_HZ = (200.0, 250.0, 315.0, 400.0)  # the low mids, by third octaves
_QS = (0.7, 1.0, 1.4)  # two octaves to one: wide, as the presets
_FREE_STEP_DB = 0.25  # finer than anybody hears or sets
_BODY = 0.005  # importance of each band of use, beside its importance to speech
_COST_BANDS_HZ = tuple(hz for hz in NOMINAL_HZ if 50.0 <= hz <= 8000.0)
"""What a high-pass or a low-mid cut touches, and where words are."""
_SEARCH_POINTS = 5  # per band; the chosen filters are computed with more
_DESIGN_RATE_HZ = 48_000  # as in `shaping.plan.thinning.effect`

_Real = NDArray[np.float64]
_Filters = tuple[Filter, ...]


@dataclass(frozen=True, slots=True)
class ThinningFit:
    """Thinning fitted to a measurement at the first rows.

    Attributes
    ----------
    filters : tuple of PlannedFilter
        High-pass, then the low-mid cut; empty where none is needed or possible.
    target_db : float
        How far under the mains the wedges' low mids were asked to lie.
    margin_before_db, margin_after_db : float
        How far they lie, without and with the filters, as they will be dialled in.
    margin_error_db : float
        One standard deviation of both.
    """

    filters: tuple[PlannedFilter, ...]
    target_db: float
    margin_before_db: float
    margin_after_db: float
    margin_error_db: float

    @property
    def shortfall_db(self) -> float:
        """How much the filters fall short of the target; 0 where they reach it."""
        return max(0.0, self.target_db - self.margin_after_db)


def fit_thinning(
    spill: Spill, limits: Limits, *, below_mains_db: float, use: WedgeUse = WedgeUse.VOCAL
) -> ThinningFit:
    """Find the smallest thinning that puts the wedges' low mids under the mains'.

    Parameters
    ----------
    spill : Spill
        Wedges alone and mains alone, recorded at the first row with one gain setting.
    limits : Limits
        The equaliser on the wedge.
    below_mains_db : float
        How many dB the wedges' 125-500 Hz shall lie under the mains', -20 to 30.
    use : WedgeUse
        What the wedge is for: how high its high-pass may go.

    Returns
    -------
    ThinningFit
        Where the target is out of reach, the filters that come nearest, and the shortfall.

    Raises
    ------
    ParameterError
        If the target is out of range.
    """
    if not LEAST_TARGET_DB <= below_mains_db <= GREATEST_TARGET_DB:
        raise ParameterError(
            f"the wedges' low mids can be asked to lie {LEAST_TARGET_DB:g} to "
            f"{GREATEST_TARGET_DB:g} dB under the mains, not {below_mains_db:g} dB"
        )
    high_passes, cuts = _high_passes(limits, use), _low_mid_cuts(limits)
    change_db = _every_pair_db(high_passes, cuts, spill.nominal_hz)
    # What reaches the target first, then what takes least.
    short_db = np.maximum(0.0, below_mains_db - low_mid_margins_db(spill, change_db))
    cost = _cost(_every_pair_db(high_passes, cuts, _COST_BANDS_HZ), high_passes)
    short_of_best_db = short_db - short_db.min()
    best = int(np.argmin(np.where(short_of_best_db < 1e-9, cost, np.inf)))
    chosen = high_passes[best // len(cuts)] + cuts[best % len(cuts)]
    margin_before_db = low_mid_margin_db(spill)
    margin_after_db = float(low_mid_margins_db(spill, band_change_db(chosen, spill.nominal_hz)))
    together = "all thinning together brings" if len(chosen) > 1 else "brings"
    reason = (
        f"fitted to the first row: {together} 125-500 Hz of the wedge from "
        f"{_under(margin_before_db)} to {_under(margin_after_db)}"
    )
    return ThinningFit(
        filters=tuple(
            planned_filter(
                filter,
                limits,
                purpose=Purpose.THINNING,
                reason=reason if filter is chosen[0] else "fitted together with the first",
            )
            for filter in chosen
        ),
        target_db=below_mains_db,
        margin_before_db=margin_before_db,
        margin_after_db=margin_after_db,
        margin_error_db=low_mid_margin_error_db(spill),
    )


def fit_cautions(fit: ThinningFit) -> tuple[str, ...]:
    """Return what a person should know before trusting the fit, in plain sentences."""
    said = [
        "The two first-row recordings must come from one microphone in one place with one gain "
        "setting, in a quiet room; the figures are differences, not sound pressure levels."
    ]
    if fit.shortfall_db > 0.0:
        said.append(
            f"Thinning within these limits falls {fit.shortfall_db:.1f} dB short of the target; "
            f"turn the wedge down by {fit.shortfall_db:.1f} dB, or turn it away from the audience."
        )
    if fit.margin_error_db > 0.5:
        said.append(
            f"The recordings are short: the figures are uncertain by {fit.margin_error_db:.1f} dB "
            "(one standard deviation); record 20 s or more."
        )
    return tuple(said)


def _every_pair_db(
    high_passes: list[_Filters], cuts: list[_Filters], bands_hz: Sequence[float]
) -> _Real:
    """Return the effect on bands of every high-pass with every cut, shape (h, c, bands)."""
    points_hz = band_points_hz(bands_hz, _SEARCH_POINTS)
    passes_db = np.array(
        [total_db(filters, points_hz, sample_rate_hz=_DESIGN_RATE_HZ) for filters in high_passes]
    )
    # Bells by closed form, each once: on a graphic equaliser the same sliders return.
    bells = {bell: _bell_db(bell, points_hz) for bell in {bell for cut in cuts for bell in cut}}
    nothing = np.zeros_like(points_hz)
    cuts_db = np.array([sum((bells[bell] for bell in cut), start=nothing) for cut in cuts])
    return band_mean_db(passes_db[:, None] + cuts_db[None, :])


def _bell_db(bell: Filter, points_hz: _Real) -> _Real:
    assert bell.gain_db is not None
    assert bell.q is not None
    return bell_db(points_hz, centre_hz=bell.frequency_hz, gain_db=bell.gain_db, q=bell.q)


def _high_passes(limits: Limits, use: WedgeUse) -> list[_Filters]:
    """Return no high-pass, and those that the presets give for this use."""
    choices: list[_Filters] = [()]
    for amount in ThinningAmount:
        filters = tuple(
            planned.filter
            for planned in thinning_filters(amount, limits, use=use)
            if planned.filter.kind is FilterKind.HIGH_PASS
        )
        if filters not in choices:
            choices.append(filters)
    return choices


def _low_mid_cuts(limits: Limits) -> list[_Filters]:
    """Return no cut, and every wide cut that this equaliser can make, each once."""
    choices: dict[_Filters, None] = {(): None}
    for gain_db in gain_steps_db(limits, _FREE_STEP_DB):
        if gain_db < DEEPEST_THINNING_DB:
            break
        if not worth_a_move(gain_db):
            continue
        for centre_hz in _CENTRES_HZ:
            for q in _QS:
                wanted = Filter(FilterKind.PEAKING, centre_hz, q=q, gain_db=gain_db)
                choices[wide_cut(wanted, limits)] = None
    return list(choices)


def _cost(change_db: _Real, high_passes: list[_Filters]) -> _Real:
    """Return what changes in the cost bands take from the musician, shape (h, c)."""
    used_from_hz = min((one.frequency_hz for some in high_passes for one in some), default=0.0)
    importance = dict(zip(BANDS_HZ, IMPORTANCE, strict=True))
    weights = [
        importance.get(hz, 0.0) + (_BODY if hz >= used_from_hz else 0.0) for hz in _COST_BANDS_HZ
    ]
    return np.asarray(np.sum(np.array(weights) * change_db**2, axis=-1))


def _under(margin_db: float) -> str:
    """Return a margin in words.

    >>> _under(-2.04)
    '2.0 dB over the mains'
    """
    return f"{abs(margin_db):.1f} dB {'under' if margin_db >= 0 else 'over'} the mains"
