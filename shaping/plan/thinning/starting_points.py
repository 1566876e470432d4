"""Thinning as a starting point: a high-pass and a low-mid cut, within an equaliser's limits.

Several published guides agree on a high-pass for vocals from 100 to 150 Hz and name figures for
other sources: common practice. No published source gives a depth or a Q of the low-mid cut for
wedges, nor a high-pass for keys, fills and in-ear mixes: those are an inference, and the reasons
say so. Listen, and change them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from shaping.equaliser.limits import Limits
from shaping.equaliser.quantise import quantise, worth_a_move
from shaping.errors import ParameterError
from shaping.filters.closed_forms import bell_db
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.assemble import planned_filter
from shaping.plan.plan import PlannedFilter, Purpose
from shaping.text.frequency import hertz_text
from shaping.text.names import briefly
from shaping.text.sentences import listing

LOW_MID_HZ = 250.0
"""Centre of the low-mid cut: a wedge spills equally in all directions below about 250-300 Hz."""

WIDEST_THINNING_Q = 2.0
"""A band whose lowest Q is above this is too narrow to thin with, alone."""

COMMON_PRACTICE = "starting point (common practice)"
INFERENCE = "starting point (inference)"


class ThinningAmount(StrEnum):
    """How much to thin."""

    NONE = "none"
    LIGHT = "light"
    MEDIUM = "medium"
    STRONG = "strong"


def chosen_amount(amount: ThinningAmount | str) -> ThinningAmount:
    """Return an amount by its name.

    Raises
    ------
    ParameterError
        If there is no such amount.

    Examples
    --------
    >>> chosen_amount("light") is ThinningAmount.LIGHT
    True
    """
    try:
        return ThinningAmount(amount)
    except ValueError:
        known = listing([str(one) for one in ThinningAmount])
        raise ParameterError(f"thinning is one of {known}, not {briefly(amount)}") from None


class WedgeUse(StrEnum):
    """What the monitor is for."""

    VOCAL = "vocal"
    SPEECH = "speech"
    ACOUSTIC_GUITAR = "acoustic-guitar"
    KEYS = "keys"
    DRUM_FILL = "drum-fill"
    SIDE_FILL = "side-fill"
    IN_EAR = "in-ear"


@dataclass(frozen=True, slots=True)
class _HighPass:
    """Corners for light, medium and strong; None leaves it off."""

    corners_hz: tuple[float | None, float | None, float | None]
    basis: str


_HIGH_PASS = {
    WedgeUse.VOCAL: _HighPass((100.0, 120.0, 150.0), COMMON_PRACTICE),
    WedgeUse.SPEECH: _HighPass((120.0, 150.0, 180.0), COMMON_PRACTICE),
    WedgeUse.ACOUSTIC_GUITAR: _HighPass((70.0, 100.0, 150.0), COMMON_PRACTICE),
    WedgeUse.KEYS: _HighPass((None, 40.0, 60.0), INFERENCE),
    WedgeUse.DRUM_FILL: _HighPass((30.0, 40.0, 50.0), INFERENCE),
    WedgeUse.SIDE_FILL: _HighPass((60.0, 70.0, 80.0), INFERENCE),
    WedgeUse.IN_EAR: _HighPass((None, 40.0, 60.0), INFERENCE),
}
"""In Hz; whence each comes stands beside it."""

_LOW_MID = {  # gain in dB and Q of one wide bell at LOW_MID_HZ
    ThinningAmount.LIGHT: (-3.0, 1.4),
    ThinningAmount.MEDIUM: (-4.5, 1.0),
    ThinningAmount.STRONG: (-6.0, 0.7),
}
_KEEPS_LOW_MIDS = frozenset({WedgeUse.DRUM_FILL, WedgeUse.IN_EAR})
"""A drum fill is wanted for its body; an in-ear mix spills nothing."""

IN_EAR_HEADROOM = (
    ", and what does takes headroom from pack, limiter and driver; it spills to nobody"
)
_SPILLS = ", and what does spills to the first rows"

_STRONG_AMOUNTS = (ThinningAmount.LIGHT, ThinningAmount.MEDIUM, ThinningAmount.STRONG)
_ORDER = 2  # 12 dB per octave, which every high-pass has or comes near


def thinning_filters(
    amount: ThinningAmount, limits: Limits, *, use: WedgeUse = WedgeUse.VOCAL
) -> tuple[PlannedFilter, ...]:
    """Return the filters to start thinning with.

    Parameters
    ----------
    amount : ThinningAmount
        How much; `none` gives no filters.
    limits : Limits
        The equaliser. The high-pass is left out where it has none, the low-mid cut where its
        bands are too narrow or too few.
    use : WedgeUse
        What the monitor is for.

    Returns
    -------
    tuple of PlannedFilter
        High-pass, then the low-mid cut: one wide bell, or the sliders of a graphic equaliser
        that come nearest to it.
    """
    if amount is ThinningAmount.NONE:
        return ()
    planned = []
    high_pass = _HIGH_PASS[use]
    corner_hz = high_pass.corners_hz[_STRONG_AMOUNTS.index(amount)]
    if corner_hz is not None and limits.has_high_pass:
        filter = quantise(Filter(FilterKind.HIGH_PASS, corner_hz, order=_ORDER), limits)
        where = hertz_text(filter.frequency_hz)
        reason = f"{high_pass.basis}: little of use lies below {where} here"
        reason += IN_EAR_HEADROOM if use is WedgeUse.IN_EAR else _SPILLS
        planned.append(planned_filter(filter, limits, purpose=Purpose.THINNING, reason=reason))
    if use not in _KEEPS_LOW_MIDS:
        wanted = _low_mid(amount)
        reason = (
            f"{INFERENCE}: low mids leave the wedge all round and lie over the mains in the first "
            "rows; depth and Q by ear"
        )
        planned.extend(
            planned_filter(filter, limits, purpose=Purpose.THINNING, reason=reason)
            for filter in wide_cut(wanted, limits)
        )
    return tuple(planned)


def left_out(
    amount: ThinningAmount, limits: Limits, *, use: WedgeUse = WedgeUse.VOCAL
) -> tuple[str, ...]:
    """Return what of the thinning this equaliser cannot do, in plain sentences; empty if nothing.

    Parameters
    ----------
    amount, limits, use : ThinningAmount, Limits, WedgeUse
        As in `thinning_filters`.

    Returns
    -------
    tuple of str
        To be told with every plan that thins, however it was made.
    """
    if amount is ThinningAmount.NONE:
        return ()
    said = []
    corner_hz = _HIGH_PASS[use].corners_hz[_STRONG_AMOUNTS.index(amount)]
    if corner_hz is not None and not limits.has_high_pass:
        said.append(
            "This equaliser has no high-pass: use the one of the mic's channel, which does most "
            "of the thinning."
        )
    if use not in _KEEPS_LOW_MIDS and not wide_cut(_low_mid(amount), limits):
        said.append(_why_no_low_mid_cut(amount, limits))
    return tuple(said)


def _why_no_low_mid_cut(amount: ThinningAmount, limits: Limits) -> str:
    deeper = [one for one in _STRONG_AMOUNTS if wide_cut(_low_mid(one), limits)]
    if deeper:  # three decibels from flat: what is shallower has no such points
        return (
            f"The low-mid cut is left out: one of {-_LOW_MID[amount][0]:.1f} dB has no Q as this "
            f"equaliser counts it; {deeper[0]} thinning has one."
        )
    short_of = "has no band wide enough" if limits.grid_hz is None else "has too few sliders"
    return f"This equaliser {short_of} for a low-mid cut."


def _low_mid(amount: ThinningAmount) -> Filter:
    gain_db, q = _LOW_MID[amount]
    return Filter(FilterKind.PEAKING, LOW_MID_HZ, q=q, gain_db=gain_db)


def wide_cut(wanted: Filter, limits: Limits) -> tuple[Filter, ...]:
    """Return a wide bell as this equaliser can make it.

    Parameters
    ----------
    wanted : Filter
        A peaking cut with a Q below `WIDEST_THINNING_Q`.
    limits : Limits
        The equaliser.

    Returns
    -------
    tuple of Filter
        One band; or, on a graphic equaliser with narrow sliders, those sliders that together
        come nearest to it; or nothing, where it has no band wide enough.
    """
    try:
        single = quantise(wanted, limits)
    except ParameterError:  # no peaking band, or no meaning in the equaliser's Q convention
        return ()
    if not worth_a_move(single.gain_db) or single.q is None:
        return ()
    if single.q <= WIDEST_THINNING_Q:
        return (single,)
    if limits.grid_hz is None:
        return ()
    grid = np.array(limits.grid_hz)
    target_db = _bell(wanted, grid)
    used = target_db <= target_db.min() / 2.0
    if not 0 < np.count_nonzero(used) <= limits.bands:
        return ()
    return _sliders(grid[used], target_db[used], single, limits)


def _sliders(
    centres_hz: NDArray[np.float64], target_db: NDArray[np.float64], like: Filter, limits: Limits
) -> tuple[Filter, ...]:
    """Return the sliders at these centres whose sum comes nearest to the target there."""
    # Bells add in dB, and what one dB of each does at its neighbours is nearly constant.
    each = np.array([_bell(replace(like, frequency_hz=hz), centres_hz) for hz in centres_hz])
    share = each.T / np.diag(each)
    gains_db, *_ = np.linalg.lstsq(share, target_db, rcond=None)
    sliders = (
        quantise(replace(like, frequency_hz=float(hz), gain_db=min(float(gain), 0.0)), limits)
        for hz, gain in zip(centres_hz, gains_db, strict=True)
    )
    return tuple(slider for slider in sliders if worth_a_move(slider.gain_db))


def _bell(filter: Filter, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    return bell_db(
        frequency_hz,
        centre_hz=filter.frequency_hz,
        gain_db=filter.gain_db or 0.0,
        q=filter.q or 1.0,
    )
