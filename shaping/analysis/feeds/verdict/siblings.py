"""What packs are held against: the others, or their own last good state."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.feeds.findings import KnownFeed, PackMeasure
from shaping.analysis.feeds.outputs import CARRIES_BOTH_DB, RESPONSE_BANDS_HZ, Output
from shaping.analysis.feeds.thresholds import Thresholds

Floats = NDArray[np.float64]

ENOUGH = 2
"""Siblings from which on it is plain which of them is off; of two packs nobody can tell.

With so many a pack is held against the median of all, its own value among them: of three packs
with one far off, the median of the two others would lie between them.
"""


@dataclass(frozen=True, eq=False)
class Standing:
    """How one pack stands against what it is held against.

    Attributes
    ----------
    alive : tuple of bool
        Which outputs carry anything.
    gain_db : float or None
        Of the feed, over its living outputs; None where it is silent.
    level_db, change_db : float or None
        Gain against the median of the siblings; change since the known state against theirs.
    loud_db : float or None
        Level against the median of the siblings in the hold, where a limiter may hold it down.
    siblings : int
        How many others are heard.
    others_dbfs : float
        Median level of the others in the hold; -inf without others.
    delay_ms : float or None
        Against the median of the others of its take.
    turned : tuple of bool
        Which outputs have the polarity that others, or the known state, have not.
    uneven_db : Floats
        Response of each output against its like, shape (outputs, bands), NaN where not known.
    known : KnownFeed or None
        Its last good state.
    """

    alive: tuple[bool, ...]
    gain_db: float | None
    level_db: float | None
    change_db: float | None
    loud_db: float | None
    siblings: int
    others_dbfs: float
    delay_ms: float | None
    turned: tuple[bool, ...]
    uneven_db: Floats
    known: KnownFeed | None


def carries(output: Output) -> str | None:
    """Return which side of the signal an output carries: ``left``, ``right`` or ``both``."""
    if output.main is None:
        return None
    high, low = sorted(output.from_db.values(), reverse=True)
    return "both" if high - low < CARRIES_BOTH_DB else output.main


def polarity(output: Output) -> int:
    """Return the sign of what an output carries; 0 where it cannot be told."""
    return output.signs[output.main] if output.main else 0


def stand(
    measures: Sequence[PackMeasure], thresholds: Thresholds, known: Mapping[str, KnownFeed]
) -> tuple[Standing, ...]:
    """Hold every pack against the others and against the known state."""
    alive = [_alive(one, thresholds) for one in measures]
    gains = [_gain(one, living) for one, living in zip(measures, alive, strict=True)]
    louds = [_gain(one, living, loud=True) for one, living in zip(measures, alive, strict=True)]
    heard = [gain for gain in gains if gain is not None]
    if heard:  # what is far below all others is no sibling
        floor = float(np.median(heard)) - thresholds.silent_db
        gains = [None if gain is None or gain < floor else gain for gain in gains]
        alive = [
            living if gain is not None else (False,) * len(living)
            for living, gain in zip(alive, gains, strict=True)
        ]
    levels = [_against(gains, i) for i in range(len(gains))]
    changes = _changes(measures, gains, known)
    signs = _common_sign(measures, alive)
    curves = [_curves(one, living) for one, living in zip(measures, alive, strict=True)]
    delays = [_delay_s(one, living) for one, living in zip(measures, alive, strict=True)]
    made = []
    for i, one in enumerate(measures):
        last = known.get(one.pack.name)
        others = [j for j in range(len(measures)) if j != i and gains[j] is not None]
        together = [
            delays[j] for j in range(len(measures)) if measures[j].pack.take == one.pack.take
        ]
        own = sum(measures[j].pack.take == one.pack.take for j in range(i))
        late = _against(together, own)
        holds = [out.hold_dbfs for j in others for out in _living(measures[j], alive[j])]
        made.append(
            Standing(
                alive=alive[i],
                gain_db=gains[i],
                level_db=levels[i],
                change_db=changes[i],
                loud_db=_against(louds, i),
                siblings=len(others),
                others_dbfs=float(np.median(holds)) if holds else -math.inf,
                delay_ms=None if late is None else 1e3 * late,
                turned=_turned(one, alive[i], signs, last),
                uneven_db=_uneven(curves, i, last),
                known=last,
            )
        )
    return tuple(made)


def _alive(measure: PackMeasure, thresholds: Thresholds) -> tuple[bool, ...]:
    levels = [out.level_db if out.main else -math.inf for out in measure.outputs]
    best = max(levels, default=-math.inf)
    return tuple(math.isfinite(one) and one > best - thresholds.dead_db for one in levels)


def _living(measure: PackMeasure, alive: tuple[bool, ...]) -> list[Output]:
    return [out for out, lives in zip(measure.outputs, alive, strict=True) if lives]


def _gain(measure: PackMeasure, alive: tuple[bool, ...], *, loud: bool = False) -> float | None:
    powers = [
        10 ** ((out.loud_db if loud else out.level_db) / 10) for out in _living(measure, alive)
    ]
    return 10 * math.log10(float(np.mean(powers))) if powers else None


def _against(values: Sequence[float | None], own: int) -> float | None:
    """Return a value against the median of the siblings; None where either is not there."""
    mine = values[own]
    others = [one for i, one in enumerate(values) if i != own and one is not None]
    if mine is not None and len(others) >= ENOUGH:
        others.append(mine)
    return mine - float(np.median(others)) if mine is not None and others else None


def _changes(
    measures: Sequence[PackMeasure],
    gains: Sequence[float | None],
    known: Mapping[str, KnownFeed],
) -> list[float | None]:
    """Return changes since the known state, less what all have in common: the recorder's gain.

    Of one or two packs nobody can tell what is common; there the recorder's gain must be as it was.
    """
    plain = [
        gain - known[one.pack.name].gain_db if gain is not None and one.pack.name in known else None
        for one, gain in zip(measures, gains, strict=True)
    ]
    there = [one for one in plain if one is not None]
    common = float(np.median(there)) if len(there) > ENOUGH else 0.0
    return [None if one is None else one - common for one in plain]


def _common_sign(measures: Sequence[PackMeasure], alive: Sequence[tuple[bool, ...]]) -> int:
    """Return the polarity of most outputs; the signal's own where they are divided."""
    total = sum(
        polarity(out)
        for one, living in zip(measures, alive, strict=True)
        for out in _living(one, living)
    )
    return -1 if total < 0 else 1


def _turned(
    measure: PackMeasure, alive: tuple[bool, ...], common: int, known: KnownFeed | None
) -> tuple[bool, ...]:
    found = []
    for i, (out, lives) in enumerate(zip(measure.outputs, alive, strict=True)):
        expected = common
        if known and len(known.sides) == len(alive):
            expected = known.sides[i].polarity or common
        found.append(lives and polarity(out) == -expected)
    return tuple(found)


def _curves(measure: PackMeasure, alive: tuple[bool, ...]) -> Floats:
    """Return the response of every output about its own median, shape (outputs, bands)."""
    curves = np.full((len(measure.outputs), len(RESPONSE_BANDS_HZ)), np.nan)
    for i, (out, lives) in enumerate(zip(measure.outputs, alive, strict=True)):
        known = out.bands_db[np.isfinite(out.bands_db)]
        if lives and known.size > len(RESPONSE_BANDS_HZ) // 2:
            curves[i] = out.bands_db - np.median(known)
    return curves


def _uneven(curves: Sequence[Floats], own: int, known: KnownFeed | None) -> Floats:
    mine = curves[own]
    if known and len(known.sides) == len(mine):
        last = np.array([one.bands_db for one in known.sides])
        return np.asarray(mine - (last - _middle(last)))
    others = [one for i, one in enumerate(curves) if i != own and np.isfinite(one).any()]
    if not others:
        return np.full_like(mine, np.nan)
    if len(others) < ENOUGH:
        # Of two, the one that is less flat: packs are made to be flat.
        if np.nanmax(np.abs(others[0])) > np.nanmax(np.abs(mine), initial=0.0):
            return np.zeros_like(mine)
        return np.asarray(mine - _usual(others))
    return np.asarray(mine - _usual([*others, mine]))


def _usual(curves: Sequence[Floats]) -> Floats:
    """Return the median of all curves at every band where one of them is known."""
    whole = np.concatenate(curves)
    usual = np.full(whole.shape[1], np.nan)
    there = np.isfinite(whole).any(axis=0)
    usual[there] = np.nanmedian(whole[:, there], axis=0)
    return usual


def _middle(curves: Floats) -> Floats:
    """Return the median of every curve over its bands, NaN where none is known."""
    middle = np.full((len(curves), 1), np.nan)
    for i, curve in enumerate(curves):
        known = curve[np.isfinite(curve)]
        if known.size:
            middle[i] = np.median(known)
    return middle


def _delay_s(measure: PackMeasure, alive: tuple[bool, ...]) -> float | None:
    if measure.place is None or not any(alive):
        return None
    return measure.place.offset_s + min(out.delay_s for out in _living(measure, alive))
