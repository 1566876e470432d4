"""Stable gain: how far the send may rise before the loop howls.

Conventions: the loop is ``g E(f) P(f)``, g the send gain. It howls where its magnitude reaches 1
and its phase is a multiple of 2 pi (Nyquist). Worst case over phase means that every phase is
taken as possible, because the latency in use need not be the latency measured; the stable gain is
then the negative of the highest level. In phase means the phase as measured.

References
----------
.. [1] H. Nyquist, "Regeneration theory", Bell System Technical Journal 11(1), 1932.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from shaping.analysis.findings import CriticalFrequency, LoopResponse
from shaping.errors import CaptureError

LONGEST_LOOP_DELAY_S = 0.1
"""A measured delay beyond this is a late start of the recorder, not the loop's latency."""

_UNKNOWN_DELAYS_S = np.geomspace(0.002, 0.02, 31)
"""A choice: a desk's latency and a metre of air and more; in steps of 8 %."""
_IN_PHASE_REACH = 0.1  # 20 dB below the top: such a crossing is far from howling
_CRITICAL_COUNT = 12  # as many as a large parametric equaliser has bands
_CRITICAL_PROMINENCE_DB = 1.0  # a choice: a lesser bump is part of its neighbour
_CRITICAL_APART_OCT = 1 / 24  # half a semitone: one narrow cut serves both

_Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class StableGain:
    """Where a loop howls first.

    Attributes
    ----------
    worst_case_db : float
        Send gain at which it could howl, whatever the phase.
    error_db : float
        One standard deviation of `worst_case_db`.
    critical : tuple of CriticalFrequency
        Peaks of the loop's magnitude, lowest stable gain first.
    """

    worst_case_db: float
    error_db: float
    critical: tuple[CriticalFrequency, ...]


def stable_gain(
    response: LoopResponse, equaliser: NDArray[np.complex128] | None = None
) -> StableGain:
    """Return the send gain at which the loop would howl.

    Parameters
    ----------
    response : LoopResponse
        The open loop. Only trusted frequencies count.
    equaliser : ndarray of complex128, shape (n,), optional
        Response of the equaliser at ``response.frequency_hz``.

    Returns
    -------
    StableGain

    Raises
    ------
    CaptureError
        If no frequency of the response can be trusted.
    """
    if not response.trusted.any():
        raise CaptureError(
            "No frequency of this measurement can be trusted: play the noise louder, or record "
            "longer in a quieter room."
        )
    loop = response.response if equaliser is None else response.response * equaliser
    level_db = np.where(response.trusted, 20 * np.log10(np.maximum(np.abs(loop), 1e-15)), -np.inf)
    peak = int(np.argmax(level_db))
    return StableGain(
        worst_case_db=-_peak_height(level_db, peak),
        error_db=float(response.error_db[peak]),
        critical=critical_frequencies(response.frequency_hz, level_db),
    )


def may_be_own_delay(delay_s: float) -> bool:
    """Return whether a delay from file to file may be a loop's own, by its length.

    >>> may_be_own_delay(0.012), may_be_own_delay(0.512)
    (True, False)
    """
    return 0 < delay_s <= LONGEST_LOOP_DELAY_S


def in_phase_interval(
    response: LoopResponse,
    equaliser: NDArray[np.complex128] | None = None,
    *,
    same_start: bool = False,
) -> tuple[float, float]:
    """Return the least and the highest send gain at which the loop may howl, in phase.

    Parameters
    ----------
    response : LoopResponse
        The open loop; some of it must be trusted.
    equaliser : ndarray of complex128, shape (n,), optional
        Response of the equaliser at ``response.frequency_hz``.
    same_start : bool
        Whether player and recorder share a clock and a start, so that the delay as measured is
        the loop's own. Otherwise every delay a desk may have is taken as possible.

    Returns
    -------
    least_db, highest_db : float
        Equal where the delay is known.
    """
    loop = response.response if equaliser is None else response.response * equaliser
    delays = np.array([response.delay_s]) if same_start else _UNKNOWN_DELAYS_S
    gains = [-_in_phase_peak_db(response, loop, float(delay)) for delay in delays]
    return min(gains), max(gains)


def critical_frequencies(
    frequency_hz: _Real, level_db: _Real, *, count: int = _CRITICAL_COUNT
) -> tuple[CriticalFrequency, ...]:
    """Return the highest separate peaks of a level curve (minus infinity where unknown)."""
    finite = np.where(np.isfinite(level_db), level_db, -300.0)
    peaks, _ = signal.find_peaks(finite, prominence=_CRITICAL_PROMINENCE_DB)
    peaks = np.union1d(peaks, [int(np.argmax(finite))])
    chosen: list[CriticalFrequency] = []
    for at in peaks[np.argsort(-finite[peaks], kind="stable")]:
        if len(chosen) == count or finite[at] <= -300:
            break
        place = float(frequency_hz[at])
        if all(abs(np.log2(place / c.frequency_hz)) >= _CRITICAL_APART_OCT for c in chosen):
            chosen.append(CriticalFrequency(place, -_peak_height(level_db, int(at))))
    return tuple(chosen)


def worst_of(gains: Sequence[StableGain]) -> StableGain:
    """Return the least stable of several captures' gains, their critical frequencies merged."""
    worst = min(gains, key=lambda gain: gain.worst_case_db)
    merged: list[CriticalFrequency] = []
    for found in sorted((c for gain in gains for c in gain.critical), key=lambda c: c.gain_db):
        if all(
            abs(np.log2(found.frequency_hz / c.frequency_hz)) >= _CRITICAL_APART_OCT for c in merged
        ):
            merged.append(found)
    return StableGain(
        worst.worst_case_db,
        worst.error_db,
        tuple(merged[:_CRITICAL_COUNT]),
    )


def _peak_height(level_db: _Real, at: int) -> float:
    """Return the top of the parabola through a peak and its neighbours."""
    if not 0 < at < level_db.size - 1 or not np.isfinite(level_db[at - 1 : at + 2]).all():
        return float(level_db[at])
    left, top, right = level_db[at - 1 : at + 2]
    curvature = left - 2 * top + right
    if curvature >= 0 or top < max(left, right):
        return float(top)
    return float(top - (left - right) ** 2 / (8 * curvature))


def _in_phase_peak_db(
    response: LoopResponse, loop: NDArray[np.complex128], delay_s: float
) -> float:
    """Return the highest level where the loop's phase passes a multiple of 2 pi.

    Between grid points the loop is followed in magnitude and phase, which both run smoothly once
    the bulk delay is put back in.
    """
    size = np.abs(loop)
    trusted = response.trusted
    # Far below the top no crossing can count.
    high = trusted & (size > _IN_PHASE_REACH * size[trusted].max())
    left = np.flatnonzero(high[:-1] & trusted[1:] | trusted[:-1] & high[1:])
    turn = -2j * np.pi * delay_s
    here = loop[left] * np.exp(turn * response.frequency_hz[left])
    there = loop[left + 1] * np.exp(turn * response.frequency_hz[left + 1])
    crossing = np.signbit(here.imag) != np.signbit(there.imag)
    here, there = here[crossing], there[crossing]
    share = here.imag / (here.imag - there.imag)
    real = here.real + share * (there.real - here.real)
    real = real[real > 0]
    return float(20 * np.log10(real.max())) if real.size else -300.0
