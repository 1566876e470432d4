"""From the filter one would like to the nearest one the equaliser can be set to.

A band's frequency goes to the grid or to the steps counted from 1 kHz, gain to the nearest step
counted from 0 dB, Q to the nearest step in the equaliser's own convention and back. Quantising
twice changes nothing. A filter from here is what will be dialled in: compute every effect from it.
"""

from __future__ import annotations

import math
from functools import lru_cache

from shaping.equaliser.limits import Limits
from shaping.errors import ParameterError
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.width import QConvention, convert_q, octaves_from_q

MATCH_TOLERANCE = 1e-4
"""Relative difference that `allows` passes over: plans are written with rounded digits."""

LEAST_MOVE_DB = 1.0
"""A shallower cut is not proposed: it is not worth a hand's move. A change of 1 dB is
about the least that is heard of a level at all (textbooks of hearing; from memory), and a mic that
moves by a few centimetres changes the loop by more."""

_STEPS_ORIGIN_HZ = 1000.0  # ISO 266: preferred frequencies count from 1 kHz


def quantise(filter: Filter, limits: Limits) -> Filter:
    """Return the nearest filter that the equaliser can be set to.

    Parameters
    ----------
    filter : Filter
        A high-pass, or a band of one of the kinds of the limits.
    limits : Limits
        What the equaliser can be set to.

    Returns
    -------
    Filter
        Within the limits; its Q is the cookbook's. The band of a graphic equaliser is the one
        nearest in octaves, which has the most effect at the intended frequency.

    Raises
    ------
    ParameterError
        If the equaliser has no such kind of filter, a value that the kind needs is missing, or
        its Q convention has no meaning at any gain it can be set to.
    """
    if filter.kind is FilterKind.HIGH_PASS:
        return _high_pass(filter, limits)
    _check_kind(filter.kind, limits)
    frequency_hz = _nearest_centre(filter.frequency_hz, limits)
    q = _needed(filter.q, "Q", filter.kind)
    if filter.kind is FilterKind.NOTCH:
        dialled = _nearest_dial_q(q, limits)
        return Filter(filter.kind, frequency_hz, q=dialled)
    gain_db = _nearest_gain(_needed(filter.gain_db, "gain", filter.kind), limits)
    dialled = _nearest_dial_q(_convert(q, gain_db, limits, to_dial=True), limits)
    return Filter(
        filter.kind,
        frequency_hz,
        q=_convert(dialled, gain_db, limits, to_dial=False),
        gain_db=gain_db,
    )


def dial_q(filter: Filter, limits: Limits) -> float | None:
    """Return the Q to dial in, in the equaliser's own convention; None where there is none.

    Raises
    ------
    ParameterError
        If the convention has no meaning at the filter's gain.
    """
    if filter.q is None or filter.kind is not FilterKind.PEAKING or filter.gain_db is None:
        return filter.q
    return _convert(filter.q, filter.gain_db, limits, to_dial=True)


def bandwidth_oct(filter: Filter) -> float | None:
    """Return the width in octaves (half gain for peaking, -3 dB for a notch), else None."""
    if filter.q is None or filter.kind not in (FilterKind.PEAKING, FilterKind.NOTCH):
        return None
    return octaves_from_q(filter.q)


def allows(limits: Limits, filter: Filter) -> bool:
    """Return whether the equaliser can be set to this filter, to within `MATCH_TOLERANCE`."""
    try:
        nearest = quantise(filter, limits)
    except ParameterError:
        return False
    return (
        nearest.order == filter.order
        and _matches(nearest.frequency_hz, filter.frequency_hz)
        and _matches(nearest.q, filter.q)
        and _matches(nearest.gain_db, filter.gain_db)
    )


@lru_cache(maxsize=64)
def centres_hz(limits: Limits) -> tuple[float, ...] | None:
    """Return every centre of a grid or of frequency steps, rising; None where free."""
    if limits.grid_hz is not None:
        return limits.grid_hz
    steps = limits.steps_per_octave
    if steps is None:
        return None
    low, high = limits.min_frequency_hz, limits.max_frequency_hz
    slack = 1e-9  # so that a range that ends on a step keeps it
    first = math.ceil(steps * math.log2(low / _STEPS_ORIGIN_HZ) - slack)
    last = math.floor(steps * math.log2(high / _STEPS_ORIGIN_HZ) + slack)
    stepped = (_STEPS_ORIGIN_HZ * 2.0 ** (step / steps) for step in range(first, last + 1))
    return tuple(stepped) or (low,)


def gain_steps_db(limits: Limits, step_if_free_db: float) -> tuple[float, ...]:
    """Return every cut there is, the shallowest first, without 0 dB."""
    step = limits.gain_step_db or step_if_free_db
    count = math.floor(-limits.min_gain_db / step + 1e-9)
    return tuple(_tidy(-step * n) for n in range(1, count + 1))


def worth_a_move(gain_db: float | None) -> bool:
    """Return whether a cut of this gain is worth dialling in; a notch (None) always is.

    >>> worth_a_move(-1.0), worth_a_move(-0.5), worth_a_move(None)
    (True, False, True)
    """
    return gain_db is None or gain_db <= -LEAST_MOVE_DB + 1e-9


def _high_pass(filter: Filter, limits: Limits) -> Filter:
    low, high = limits.high_pass_min_hz, limits.high_pass_max_hz
    if low is None or high is None or not limits.high_pass_orders:
        raise ParameterError(f"the equaliser {limits.name} has no high-pass")
    if filter.order is None:
        raise ParameterError("a high-pass needs an order; none is given")
    wanted = filter.order
    order = min(limits.high_pass_orders, key=lambda there: (abs(there - wanted), there))
    frequency_hz = min(max(_positive(filter.frequency_hz), low), high)
    return Filter(FilterKind.HIGH_PASS, frequency_hz, order=order)


def _check_kind(kind: FilterKind, limits: Limits) -> None:
    if kind not in limits.kinds or limits.bands == 0:
        raise ParameterError(f"the equaliser {limits.name} has no {kind} band")


def _needed(value: float | None, name: str, kind: FilterKind) -> float:
    if value is None:
        raise ParameterError(f"a {kind} filter needs a {name}; none is given")
    return value


def _positive(frequency_hz: float) -> float:
    if not (math.isfinite(frequency_hz) and frequency_hz > 0):
        raise ParameterError(f"a filter's frequency must be a positive number, not {frequency_hz}")
    return frequency_hz


def _nearest_centre(frequency_hz: float, limits: Limits) -> float:
    _positive(frequency_hz)
    centres = centres_hz(limits)
    if centres is None:
        return min(max(frequency_hz, limits.min_frequency_hz), limits.max_frequency_hz)
    return min(centres, key=lambda centre: abs(math.log(centre / frequency_hz)))


def _nearest_gain(gain_db: float, limits: Limits) -> float:
    if not math.isfinite(gain_db):
        raise ParameterError(f"a gain must be a number, not {gain_db}")
    if limits.gain_step_db == 0:
        return min(max(gain_db, limits.min_gain_db), limits.max_gain_db)
    low = math.ceil(limits.min_gain_db / limits.gain_step_db - 1e-9)
    high = math.floor(limits.max_gain_db / limits.gain_step_db + 1e-9)
    # A tie goes to the deeper cut, which is the side that does not howl.
    step = math.ceil(gain_db / limits.gain_step_db - 0.5 - 1e-9)
    return _tidy(min(max(step, low), high) * limits.gain_step_db)


def _nearest_dial_q(q: float, limits: Limits) -> float:
    """Return the nearest Q the dial has; `q` and the result are in the dial's convention."""
    clipped = min(max(q, limits.min_q), limits.max_q)
    if limits.q_step == 0:
        return clipped
    last = math.floor((limits.max_q - limits.min_q) / limits.q_step + 1e-9)
    step = min(round((clipped - limits.min_q) / limits.q_step), last)
    return _tidy(limits.min_q + step * limits.q_step)


def _tidy(value: float) -> float:
    """Return a multiple of a step without the dust of binary fractions."""
    return round(value, 9) + 0.0


def _convert(q: float, gain_db: float, limits: Limits, *, to_dial: bool) -> float:
    cookbook, dial = QConvention.COOKBOOK, limits.q_convention
    if dial is cookbook or gain_db == 0:
        return q  # at 0 dB every filter is a wire, whatever its Q
    if to_dial:
        return convert_q(q, gain_db, source=cookbook, target=dial)
    return convert_q(q, gain_db, source=dial, target=cookbook)


def _matches(nearest: float | None, given: float | None) -> bool:
    if nearest is None or given is None:
        return nearest is given
    return math.isclose(nearest, given, rel_tol=MATCH_TOLERANCE, abs_tol=MATCH_TOLERANCE)
