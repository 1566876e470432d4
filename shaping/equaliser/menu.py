"""Every setting a feedback cut can take on a given equaliser, and its exact response in bulk.

Conventions: a setting is a row of centre (Hz), gain (dB) and cookbook Q; a notch has a gain of
minus infinity. Responses are those of the digital designs in `shaping.filters.design` at the
sample rate, in closed form.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shaping.equaliser.limits import Limits
from shaping.equaliser.quantise import centres_hz, gain_steps_db, quantise, worth_a_move
from shaping.errors import ParameterError
from shaping.filters.closed_forms import bell_db, notch_db
from shaping.filters.kinds import Filter, FilterKind

WIDEST_Q = 3.0
"""A feedback cut is about half an octave at most: wider is tone, not feedback."""

NARROWEST_Q = 30.0
"""A cut narrower than this misses its ring as the air warms by a few degrees."""

TONE_OCTAVES = math.log2(10_000 / 100)
"""Octaves that count as tone: 100 Hz to 10 kHz."""

FREE_GAIN_STEP_DB = 0.5
"""Gains tried where they have no steps: as fine as a hand sets them."""

_FREE_STEPS_PER_OCTAVE = 96  # a fifth of the width of the narrowest cut
_Q_RATIO = 1.09  # widths this close differ by less than a dB anywhere

_Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Settings:
    """What the bands of an equaliser can be set to for feedback cuts.

    Attributes
    ----------
    kind : FilterKind
        Peaking or notch.
    centres_hz : ndarray, shape (c,)
        Centres, rising.
    gain_db, q : ndarray, shape (g, w)
        Every gain (rows, the shallowest first) with every width it can have (narrowest last).
    tone_db : ndarray, shape (g, w)
        Level removed by each, averaged over `TONE_OCTAVES` octaves.
    one_per_centre : bool
        Whether each centre exists once only (a graphic equaliser).
    """

    kind: FilterKind
    centres_hz: _Real
    gain_db: _Real
    q: _Real
    tone_db: _Real
    one_per_centre: bool

    def filter(self, centre: int, gain: int, width: int) -> Filter:
        """Return one setting as a filter, from its indices."""
        gain_db = None if self.kind is FilterKind.NOTCH else float(self.gain_db[gain, width])
        return Filter(
            self.kind, float(self.centres_hz[centre]), q=float(self.q[gain, width]), gain_db=gain_db
        )


def feedback_settings(
    limits: Limits,
    *,
    sample_rate_hz: float,
    widest_q: float = WIDEST_Q,
    narrowest_q: float = NARROWEST_Q,
) -> Settings | None:
    """Return the settings feedback cuts are chosen from; None where the limits allow none."""
    kind = limits.band_kind
    if limits.bands == 0:
        return None
    low_q = min(max(limits.min_q, widest_q), limits.max_q)
    high_q = max(low_q, min(limits.max_q, narrowest_q))
    count = 1 + int(np.ceil(np.log(high_q / low_q) / np.log(_Q_RATIO) - 1e-9))
    dial_q = np.geomspace(low_q, high_q, count)
    rows = settings_rows(limits, dial_q)
    centres = _centres(limits, sample_rate_hz)
    if not rows or not centres.size:
        return None
    gain_db, q = (np.array(part) for part in zip(*rows, strict=True))
    tone_db = removed_tone_db(gain_db, q, kind=kind)
    return Settings(kind, centres, gain_db, q, tone_db, one_per_centre=limits.grid_hz is not None)


def settings_rows(
    limits: Limits,
    wanted_q: Sequence[float] | _Real,
    *,
    deepest_db: float = np.inf,
    least_move: bool = False,
) -> list[tuple[list[float], list[float]]]:
    """Return what a band can be set to, wherever its centre: of every gain a row of widths.

    Parameters
    ----------
    limits : Limits
        The equaliser.
    wanted_q : sequence of float, shape (w,)
        Cookbook Q of the widths wanted; each row has the nearest that can be dialled in.
    deepest_db : float
        Deepest cut, positive.
    least_move : bool
        Whether to leave out cuts that are not worth a hand's move.

    Returns
    -------
    list of (list of float, list of float)
        Gain in dB, minus infinity for a notch, and Q of every width; the shallowest gain first.
        A gain at which the equaliser's Q has no meaning has no row.
    """
    kind = limits.band_kind
    anywhere = replace(limits, grid_hz=None, steps_per_octave=None)
    gains = (0.0,) if kind is FilterKind.NOTCH else gain_steps_db(limits, FREE_GAIN_STEP_DB)
    kept = [gain for gain in gains if -gain <= deepest_db + 1e-9]
    if least_move and kind is not FilterKind.NOTCH:
        kept = [gain for gain in kept if worth_a_move(gain)]
    return [row for gain in kept if (row := _widths(kind, gain, wanted_q, anywhere)) is not None]


def _widths(
    kind: FilterKind, gain_db: float, wanted_q: Sequence[float] | _Real, limits: Limits
) -> tuple[list[float], list[float]] | None:
    """Return gain and Q of every width at one gain, or None where the Q has no meaning."""
    gain = None if kind is FilterKind.NOTCH else gain_db
    try:
        there = [quantise(Filter(kind, 1000.0, q=float(q), gain_db=gain), limits) for q in wanted_q]
    except ParameterError:
        return None
    level = -np.inf if gain is None else gain_db
    return [level] * len(there), [float(one.q or WIDEST_Q) for one in there]


def _centres(limits: Limits, sample_rate_hz: float) -> _Real:
    highest = min(limits.max_frequency_hz, 0.45 * sample_rate_hz)
    stepped = centres_hz(limits)
    if stepped is None:
        octaves = np.log2(highest / limits.min_frequency_hz)
        count = max(int(octaves * _FREE_STEPS_PER_OCTAVE), 1)
        return np.asarray(np.geomspace(limits.min_frequency_hz, highest, count + 1))
    centres = np.array(stepped)
    return np.asarray(centres[centres <= highest])


def cuts_db(
    frequency_hz: ArrayLike,
    centre_hz: ArrayLike,
    gain_db: ArrayLike,
    q: ArrayLike,
    *,
    kind: FilterKind,
    sample_rate_hz: float,
) -> _Real:
    """Return the exact response of many cuts in dB; the arrays broadcast."""
    centre = np.asarray(centre_hz, np.float64)
    turn = 2 * np.pi * centre / sample_rate_hz
    half_width = np.arcsinh(1 / (2 * np.asarray(q, np.float64)))
    warped_q = 1 / (2 * np.sinh(half_width * turn / np.sin(turn)))
    at = np.tan(np.pi / sample_rate_hz * np.asarray(frequency_hz, np.float64))
    middle = np.tan(turn / 2)
    if kind is FilterKind.NOTCH:
        return notch_db(at, centre_hz=middle, q=warped_q)
    return bell_db(at, centre_hz=middle, gain_db=gain_db, q=warped_q)


def removed_tone_db(gain_db: ArrayLike, q: ArrayLike, *, kind: FilterKind) -> _Real:
    """Return the level a cut removes, averaged over `TONE_OCTAVES` octaves; the arrays broadcast.

    The area between the response in dB and 0 dB over the logarithm of frequency. With
    ``x = 2 Q sinh(u)``, u the natural logarithm of frequency over centre, the response of a bell is
    ``10 log10((x^2 + A^2) / (x^2 + 1 / A^2))`` and ``d/dc`` of the integral of
    ``ln(sinh(u)^2 + c^2)`` is ``4 arccos(c) / sqrt(1 - c^2)``, so that the area is a difference of
    squared arc cosines.

    Examples
    --------
    >>> round(float(removed_tone_db(-6.0, 4.32, kind=FilterKind.PEAKING)), 2)
    0.45
    """
    width = 2.0 * np.asarray(q, np.float64)
    if kind is FilterKind.NOTCH:
        low, high = np.zeros_like(width), 1.0 / width
    else:
        ratio = 10.0 ** (np.asarray(gain_db, np.float64) / 40.0)
        low, high = ratio / width, 1.0 / (ratio * width)
    area = 20.0 / math.log(10.0) * (_squared_arc_cosine(low) - _squared_arc_cosine(high))
    return np.asarray(area / (TONE_OCTAVES * math.log(2.0)))


def _squared_arc_cosine(c: _Real) -> _Real:
    """Return arccos(c)^2, which goes on below zero as -arcosh(c)^2 where c is above 1."""
    within = np.arccos(np.minimum(c, 1.0)) ** 2
    return np.asarray(np.where(c <= 1.0, within, -(np.arccosh(np.maximum(c, 1.0)) ** 2)))
