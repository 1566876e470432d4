"""How far everything may go up together, and each send alone; what decides; what would win most.

Worst over the positions of the mics throughout. Levels are those of the loops with the sends as
in the stage file, so that a margin is how far they may go up from there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.findings import CriticalFrequency
from shaping.analysis.loop.stability import critical_frequencies
from shaping.plan.loop.level_curve import highest_of_cells
from shaping.stage.loops.margins import (
    Crossing,
    decibels,
    entry_loop,
    first_crossing,
    radius_bounds,
    shares,
    worst_levels,
)
from shaping.stage.loops.matrix import PathMatrix, loops
from shaping.stage.loops.promise import highest_level_db

_Real = NDArray[np.float64]
_Complex = NDArray[np.complex128]

WEAKER_DB = 6.0
"""Moving a mic or a wedge is judged by what a path so much weaker would win."""

UNKNOWN_DELAYS_S = np.geomspace(0.002, 0.02, 31)
"""Delays taken as possible where they were not measured, as for a single loop."""

_CELLS_PER_OCTAVE = 96  # as for one wedge: `shaping.plan.loop.level_curve`
_LOOKED_AT = 3  # the highest points of a coarse grid: the top is beside one of them
_NEAR_DB = 14.0  # nobody wins more by muting one mic, so what lies lower is left alone


@dataclass(frozen=True, slots=True)
class Deciding:
    """The send that decides, and where.

    Attributes
    ----------
    mic, wedge : int
        The mic and the wedge it feeds.
    hears : int
        The wedge that this mic hears most of there: another one where loops run crosswise.
    frequency_hz : float
        Where.
    share : float
        What share of the loop passes through this send, 0..1.
    """

    mic: int
    wedge: int
    hears: int
    frequency_hz: float
    share: float


@dataclass(frozen=True, slots=True)
class Together:
    """Margins of the whole stage in one state of its equalisers.

    Attributes
    ----------
    stable_gain_db : float
        How far all sends may go up together, worst over phases.
    stable_gain_low_db : float
        The safe end of its 95 % interval: what is promised.
    in_phase_db : float
        How far they may go up with the phases as measured; the median over common delays from 2
        to 20 ms where the delays are not known.
    delay_known : bool
        Whether `in_phase_db` rests on delays as measured.
    in_phase_hz : float
        Where it then howls first; not a number where delays are not known.
    deciding : Deciding or None
        None where no loop is closed.
    critical : tuple of CriticalFrequency
        Where it could howl, first one first.
    position : int
        The position of the mics that decides.
    """

    stable_gain_db: float
    stable_gain_low_db: float
    in_phase_db: float
    delay_known: bool
    in_phase_hz: float
    deciding: Deciding | None
    critical: tuple[CriticalFrequency, ...]
    position: int


@dataclass(frozen=True, slots=True)
class Remedy:
    """Something to do beside equalising, and what all sends together would gain by it.

    Attributes
    ----------
    what : str
        ``mute-send``, ``mute-mic`` or ``weaken-path`` (by `WEAKER_DB`: move or turn).
    mic : int
        Which mic.
    wedge : int or None
        Which wedge it feeds (a send) or hears (a path); None for the whole mic.
    wins_db : float
        How much further all sends together could go up.
    """

    what: str
    mic: int
    wedge: int | None
    wins_db: float


def margins_together(
    matrices: Sequence[PathMatrix], sends: _Real, equalisers: Sequence[_Complex]
) -> Together:
    """Return the margins of all loops together.

    Parameters
    ----------
    matrices : sequence of PathMatrix
        One for each position of the mics.
    sends : ndarray, shape (W, M)
        Linear send gains.
    equalisers : sequence of ndarray, shape (n, W)
        Responses of the wedges' equalisers on each matrix's grid, over those in place while it
        was measured.

    Returns
    -------
    Together
    """
    levels = [
        worst_levels(loops(one.magnitude(), sends, np.abs(eq)))
        for one, eq in zip(matrices, equalisers, strict=True)
    ]
    tops = [_top_db(one.frequency_hz, level) for one, level in zip(matrices, levels, strict=True)]
    worst = int(np.argmax(tops))
    low = max(
        highest_level_db(one, sends, np.abs(eq), level, top)
        for one, eq, level, top in zip(matrices, equalisers, levels, tops, strict=True)
    )
    known = all(one.delay_known for one in matrices)
    in_phase = [
        _in_phase(one, sends, eq, known=known) for one, eq in zip(matrices, equalisers, strict=True)
    ]
    first = max(in_phase, key=lambda crossing: crossing.level_db)
    closed = math.isfinite(tops[worst])
    return Together(
        stable_gain_db=-tops[worst],
        stable_gain_low_db=-low,
        in_phase_db=-first.level_db,
        delay_known=known,
        in_phase_hz=first.frequency_hz,
        deciding=_deciding(matrices[worst], sends, equalisers[worst], levels[worst])
        if closed
        else None,
        critical=critical_frequencies(matrices[worst].frequency_hz, levels[worst])
        if closed
        else (),
        position=worst,
    )


def send_headrooms_db(
    matrices: Sequence[PathMatrix], sends: _Real, equalisers: Sequence[_Complex]
) -> _Real:
    """Return how far each send may go up alone, worst over phases and positions.

    Returns
    -------
    ndarray, shape (W, M)
        Infinite for a send that closes no loop or is muted; minus infinity where the rest of the
        stage howls without it, so that this send cannot help.
    """
    found = np.full(sends.shape, np.inf)
    for one, eq in zip(matrices, equalisers, strict=True):
        size, gain = one.magnitude(), np.abs(eq)
        whole = loops(size, sends, gain)
        kept = _highest_cells(one.frequency_hz, whole)
        for w, m in zip(*np.nonzero(sends), strict=True):
            part = sends[w, m] * size[:, m, :] * gain[:, w, None]
            at = np.union1d(kept, _highest_cells(one.frequency_hz, part[:, w, None, None]))
            level = decibels(entry_loop(whole[at], int(w), part[at]))
            if np.isposinf(level).any():
                found[w, m] = -np.inf
                continue
            highest = at[np.argsort(-level)[:_LOOKED_AT]]
            around = np.clip(highest[:, None] + [-1, 0, 1], 0, len(whole) - 1).ravel()
            heights = decibels(entry_loop(whole[around], int(w), part[around])).reshape(-1, 3)
            top = max(_parabola_top(*heights[i]) for i in range(len(heights)))
            found[w, m] = min(found[w, m], -top)
    return found


def wedge_headrooms_db(
    matrices: Sequence[PathMatrix], sends: _Real, equalisers: Sequence[_Complex]
) -> _Real:
    """Return how far all sends into each wedge may go up together, the rest staying, shape (W,).

    Values are as in `send_headrooms_db`.
    """
    found = np.full(sends.shape[0], np.inf)
    for one, eq in zip(matrices, equalisers, strict=True):
        whole = loops(one.magnitude(), sends, np.abs(eq))
        kept = _highest_cells(one.frequency_hz, whole)
        for w in range(sends.shape[0]):
            at = np.union1d(kept, _highest_cells(one.frequency_hz, whole[:, w, w, None, None]))
            level = decibels(entry_loop(whole[at], w, whole[at][:, w, :]))
            top = float(level.max())
            found[w] = min(found[w], -np.inf if np.isposinf(top) else -top)
    return found


def remedies(
    matrices: Sequence[PathMatrix], sends: _Real, equalisers: Sequence[_Complex]
) -> tuple[Remedy, ...]:
    """Return what muting a send or a mic, or a weaker path, would win; the best first.

    Only what lies near the top can decide, so only that is looked at.
    """
    near = []
    for one, eq in zip(matrices, equalisers, strict=True):
        size, gain = one.magnitude(), np.abs(eq)
        at = _highest_cells(one.frequency_hz, loops(size, sends, gain), within_db=_NEAR_DB)
        near.append((size[at], gain[at]))

    def top_db(changed_sends: _Real, factor: _Real | None = None) -> float:
        return max(
            float(
                worst_levels(
                    loops(size if factor is None else size * factor, changed_sends, gain)
                ).max(initial=-np.inf)
            )
            for size, gain in near
        )

    now = top_db(sends)
    if not math.isfinite(now):
        return ()
    found = []
    for w, m in zip(*np.nonzero(sends), strict=True):
        without = sends.copy()
        without[w, m] = 0.0
        found.append(Remedy("mute-send", int(m), int(w), _win(now, top_db(without))))
    for m in np.flatnonzero(sends.any(axis=0)):
        without = sends.copy()
        without[:, m] = 0.0
        found.append(Remedy("mute-mic", int(m), None, _win(now, top_db(without))))
        for v in range(sends.shape[0]):
            factor = np.ones(sends.T.shape)
            factor[m, v] = 10 ** (-WEAKER_DB / 20)
            found.append(Remedy("weaken-path", int(m), v, _win(now, top_db(sends, factor))))
    return tuple(sorted(found, key=lambda one: -one.wins_db))


def _win(before_db: float, after_db: float) -> float:
    """Return a win; nothing within reach any more is a win of at least that reach."""
    return before_db - after_db if math.isfinite(after_db) else _NEAR_DB


def _in_phase(matrix: PathMatrix, sends: _Real, equaliser: _Complex, *, known: bool) -> Crossing:
    if known:
        return first_crossing(matrix.frequency_hz, loops(matrix.delayed(), sends, equaliser))
    still = np.zeros(matrix.delay_s.size)
    loop = loops(matrix.delayed(still), sends, equaliser)
    levels = []
    for delay_s in UNKNOWN_DELAYS_S:
        turn = np.exp(-2j * np.pi * matrix.frequency_hz * delay_s)
        levels.append(first_crossing(matrix.frequency_hz, loop * turn[:, None, None]).level_db)
    return Crossing(math.nan, float(np.median(levels)))


def _deciding(matrix: PathMatrix, sends: _Real, equaliser: _Complex, level_db: _Real) -> Deciding:
    at = int(np.argmax(level_db))
    size = matrix.magnitude()[at]
    gains = np.abs(equaliser[at])[:, None] * sends
    loop = gains @ size
    _, share = shares(loop)
    with np.errstate(invalid="ignore", divide="ignore"):
        each = np.where(loop > 0, share.real / loop, 0.0)  # (w, v) per unit of loop
    parts = np.einsum("wv,wm,mv->wmv", each, gains, size)
    w, m = np.unravel_index(int(np.argmax(parts.sum(axis=2))), sends.shape)
    return Deciding(
        mic=int(m),
        wedge=int(w),
        hears=int(np.argmax(parts[w, m])),
        frequency_hz=float(matrix.frequency_hz[at]),
        share=float(parts[w, m].sum()),
    )


def _top_db(frequency_hz: _Real, level_db: _Real) -> float:
    """Return the highest level, between the grid's points as well."""
    if not np.isfinite(level_db).any():
        return -math.inf
    return -critical_frequencies(frequency_hz, level_db, count=1)[0].gain_db


def _highest_cells(
    frequency_hz: _Real, matrices: _Real, *, within_db: float = 20.0
) -> NDArray[np.int64]:
    """Return the highest frequency of every small cell, by bounds of the spectral radius."""
    level = decibels(radius_bounds(matrices)[1] if matrices.shape[1] > 1 else matrices[:, 0, 0])
    kept = np.flatnonzero((level > level.max() - within_db) & (frequency_hz > 0))
    if not kept.size:
        return kept
    return kept[highest_of_cells(frequency_hz[kept], level[kept], _CELLS_PER_OCTAVE)]


def _parabola_top(left: float, top: float, right: float) -> float:
    curvature = left - 2 * top + right
    if not math.isfinite(curvature) or curvature >= 0 or top < max(left, right):
        return max(left, top, right)
    return top - (left - right) ** 2 / (8 * curvature)
