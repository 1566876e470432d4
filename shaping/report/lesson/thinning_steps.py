"""Thinning in fine steps from none to strong, and what each step does to the first row.

The named amounts are those of `shaping.plan.thinning.starting_points`; the steps between them are
what an equaliser can be set to between those. All figures come from the functions that the
command `thin` uses.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.first_row.spill import LOW_MIDS_HZ, Spill, low_mids
from shaping.analysis.first_row.together import together_db
from shaping.equaliser.limits import Limits
from shaping.equaliser.quantise import quantise, worth_a_move
from shaping.errors import CaptureError
from shaping.filters.bands import EDGE_RATIO, exact_midband_hz
from shaping.filters.design import cascade_sos
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.response import frequency_response
from shaping.plan.thinning.effect import band_change_db, thinning_summary
from shaping.plan.thinning.starting_points import ThinningAmount, WedgeUse, thinning_filters
from shaping.report.lesson import sounds

STEPS_PER_AMOUNT = 4
NAMED = (ThinningAmount.NONE, ThinningAmount.LIGHT, ThinningAmount.MEDIUM, ThinningAmount.STRONG)
STEPS = STEPS_PER_AMOUNT * (len(NAMED) - 1)
"""The strongest step; step 0 is no thinning."""

_LOWEST_HIGH_PASS_HZ = 40.0
"""Where a high-pass begins on its way to light thinning: under what a wedge plays."""

_LOW_SIDE_HZ, _HIGH_HZ = 630.0, 2000.0
_NEAR_DB, _MEET_DB = 3.0, 1.0  # half the power of the mains; as loud as they are

_Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Step:
    """One step of thinning.

    Attributes
    ----------
    name : str
        Such as ``light`` or ``between light and medium``.
    filters : tuple of Filter
        What is dialled in.
    spill_db : float
        Change of the wedge alone in the first row, 125-500 Hz, in dB.
    together_db : float
        The same of mains and wedge together, powers added.
    together_most_db : float
        The largest change of mains and wedge together in one third octave from 125 to 500 Hz.
    words_before, words_after : float
        Speech intelligibility index at the musician, 0 to 1.
    room_words_before, room_words_after : float
        That of the mains' voice in the first row, with the wedge as noise.
    change_db : tuple of float
        What the filters do to each third octave of the wedge.
    """

    name: str
    filters: tuple[Filter, ...]
    spill_db: float
    together_db: float
    together_most_db: float
    words_before: float
    words_after: float
    room_words_before: float
    room_words_after: float
    change_db: tuple[float, ...]


def thinning_steps(spill: Spill, limits: Limits) -> tuple[Step, ...]:
    """Return the steps from none (the first) to strong (the last).

    Parameters
    ----------
    spill : Spill
        Wedges and mains in the first row.
    limits : Limits
        The equaliser; one with a high-pass and a wide band.
    """
    return tuple(_step(number, spill, limits) for number in range(STEPS + 1))


def _step(number: int, spill: Spill, limits: Limits) -> Step:
    filters = step_filters(number, limits)
    change_db = band_change_db(filters, spill.nominal_hz)
    summary = thinning_summary(filters, spill=spill)
    room = summary.room
    together = together_db(spill, change_db) - together_db(spill)
    return Step(
        name=step_name(number),
        filters=filters,
        spill_db=summary.spill_change_db,
        together_db=_known(room.change_db if room else None),
        together_most_db=float(np.min(together[low_mids(spill.nominal_hz)])),
        words_before=_known(summary.sii_before),
        words_after=_known(summary.sii_after),
        room_words_before=_known(room.sii_before if room else None),
        room_words_after=_known(room.sii_after if room else None),
        change_db=tuple(change_db.tolist()),
    )


def _known(value: float | None) -> float:
    if value is None:
        raise CaptureError("the lesson's first row needs recordings that reach to 10 kHz")
    return value


def step_name(number: int) -> str:
    """Return what a step is called.

    >>> step_name(4), step_name(5)
    ('light', 'between light and medium')
    """
    below, over = divmod(number, STEPS_PER_AMOUNT)
    return f"between {NAMED[below]} and {NAMED[below + 1]}" if over else str(NAMED[below])


def step_filters(number: int, limits: Limits) -> tuple[Filter, ...]:
    """Return what is dialled in at a step: a named amount, or what lies between two."""
    below, over = divmod(number, STEPS_PER_AMOUNT)
    lower = _amount(NAMED[below], limits)
    if not over:
        return lower
    upper = _amount(NAMED[below + 1], limits)
    share = over / STEPS_PER_AMOUNT
    made = []
    for at, above in enumerate(upper):
        under = lower[at] if lower else _at_rest(above)
        one = quantise(_between(under, above, share), limits)
        if one.kind is FilterKind.HIGH_PASS or worth_a_move(one.gain_db):
            made.append(one)
    return tuple(made)


@dataclass(frozen=True, slots=True)
class Nearness:
    """How near the wedge comes to the mains in the first row, in words' numbers.

    Attributes
    ----------
    up_to_hz : float or None
        The highest band up to 630 Hz in which the wedge comes within 3 dB of the mains.
    above_hz : tuple of float
        Bands above that in which it comes within 1 dB: nothing that thinning could help.
    least_high_margin_db : float
        How far it lies under the mains from 2 kHz up, at the least.
    """

    up_to_hz: float | None
    above_hz: tuple[float, ...]
    least_high_margin_db: float


def nearness(spill: Spill) -> Nearness:
    """Return how near the wedge comes to the mains."""
    hz = np.array(spill.nominal_hz)
    margin_db = spill.mains_over_wedges_db
    near = hz[(hz <= _LOW_SIDE_HZ) & (margin_db <= _NEAR_DB)]
    return Nearness(
        up_to_hz=float(near[-1]) if near.size else None,
        above_hz=tuple(hz[(hz > _LOW_SIDE_HZ) & (margin_db <= _MEET_DB)].tolist()),
        least_high_margin_db=float(np.min(margin_db[hz >= _HIGH_HZ])),
    )


def equal_gains_db(
    steps: Iterable[Step], wedge: _Real, mains: _Real
) -> dict[str, tuple[float, ...]]:
    """Return gains, none above 0 dB, that make every step sound equally loud.

    Parameters
    ----------
    steps : iterable of Step
        The steps.
    wedge, mains : ndarray, shape (n,)
        What a page plays of them.

    Returns
    -------
    dict of str to tuple of float
        For ``wedge`` alone and for ``both``, a gain in dB for each step.
    """
    thinned = [sounds.through(step.filters, wedge) for step in steps]
    loudness = {
        "wedge": np.array([sounds.loudness_lufs(one) for one in thinned]),
        "both": np.array([sounds.loudness_lufs(one + mains) for one in thinned]),
    }
    return {name: tuple(np.round(lufs.min() - lufs, 2).tolist()) for name, lufs in loudness.items()}


def seat_changes_db(steps: Iterable[Step], wedge: _Real, mains: _Real) -> tuple[float, ...]:
    """Return what each step does to mains and wedge as they sound together, 125 to 500 Hz.

    Parameters
    ----------
    steps : iterable of Step
        The steps.
    wedge, mains : ndarray, shape (n,)
        What a page plays of them: at this one seat the same sound arrives twice, and some tones
        add up where others cancel.

    Returns
    -------
    tuple of float
        In dB, for each step.
    """
    rate_hz = sounds.PAGE_RATE_HZ
    hz = np.fft.rfftfreq(wedge.size, 1.0 / rate_hz)
    low_hz, high_hz = (exact_midband_hz(one) for one in LOW_MIDS_HZ)
    kept = (hz >= low_hz / EDGE_RATIO) & (hz <= high_hz * EDGE_RATIO)
    ours, theirs = np.fft.rfft(wedge)[kept], np.fft.rfft(mains)[kept]
    before = np.sum(np.abs(ours + theirs) ** 2)
    changes = []
    for step in steps:
        sos = cascade_sos(step.filters, sample_rate_hz=rate_hz)
        response = frequency_response(sos, hz[kept], sample_rate_hz=rate_hz)
        after = np.sum(np.abs(ours * response + theirs) ** 2)
        changes.append(float(10.0 * np.log10(after / before)))
    return tuple(changes)


def _amount(amount: ThinningAmount, limits: Limits) -> tuple[Filter, ...]:
    return tuple(one.filter for one in thinning_filters(amount, limits, use=WedgeUse.VOCAL))


def _at_rest(filter: Filter) -> Filter:
    """Return a filter of the same kind that does next to nothing."""
    if filter.kind is FilterKind.HIGH_PASS:
        return replace(filter, frequency_hz=_LOWEST_HIGH_PASS_HZ)
    return replace(filter, gain_db=0.0)


def _between(under: Filter, above: Filter, share: float) -> Filter:
    def ratio(a: float, b: float) -> float:
        return float(a * (b / a) ** share)

    return replace(
        above,
        frequency_hz=ratio(under.frequency_hz, above.frequency_hz),
        q=None if under.q is None or above.q is None else ratio(under.q, above.q),
        gain_db=None
        if under.gain_db is None or above.gain_db is None
        else under.gain_db + share * (above.gain_db - under.gain_db),
    )
