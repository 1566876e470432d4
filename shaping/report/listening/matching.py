"""Two recordings brought to one loudness, second by second, by what is not howl in them.

Louder sounds better, so two versions are compared at one loudness. One gain for the whole does
not do it: a plan takes more from a bass than from a voice, and a howl outweighs all music. So the
gain follows the loudness of what is not howl, slowly; no moment is louder with the plan than
without, so no howl is, noticed or not; and both are held down where a howl would be much louder
than everything else.

Conventions: levels are K-weighted powers of steps of 0.1 s (`shaping.analysis.loudness`); gains
are one a step, meant for its middle, and straight lines in dB between.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from shaping.analysis.loudness import STEPS_PER_S, integrated_lufs, power_lufs

HOWL_CAP_DB = 3.0
"""A howl plays at most so far over the loudness of what is not howl: it still stands out, and
nobody's ears are surprised. Our choice."""

FOLLOWING_S = 0.4
"""Length of the window by which the gain follows: a moment of loudness. Over 1 s the moments differ
by more, and as none may be louder with the plan, what was taken put 3 s up to 1.3 LU apart."""

_BEFORE_S, _AFTER_S = 1.0, 2.0
"""A howl grows before it stands out and rings on afterwards, in measured rooms about so long: with
0.3 s on both sides it was up to 2 dB louder with the plan there, with 1 s up to 5 dB in one."""

_CORRECTIONS = 4  # a gain that changes fast, as after silence, misses its mark at first
_MOMENT = 4  # steps of one momentary window of 0.4 s (EBU Tech 3341, from memory)
_COUNTED_SHARE = 1e-4  # of the mean power: a moment 40 dB quieter is no howl, nor heard after one
_LEAST_SHARE = 1e-5  # of the mean power: what is 50 dB quieter takes the gain of the whole

_Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Match:
    """Gains that make two versions comparable.

    Attributes
    ----------
    without_db, with_db : ndarray, shape (n,)
        Gain of each, for the middle of each step.
    equally_loud : bool
        Whether they are matched; where nothing but howl sounds they keep their true difference.
    loudness_lufs : float
        Loudness of what is not howl, without the plan and before any gain.
    change_db : float
        What the plan does to the loudness of what is not howl.
    howl_cut_db : float or None
        What the plan takes from the howls, in loudness; None without howls.
    held_down_db : float
        How far howls were turned down at most, in both; 0 or more.
    """

    without_db: _Real
    with_db: _Real
    equally_loud: bool
    loudness_lufs: float
    change_db: float
    howl_cut_db: float | None
    held_down_db: float


def howl_steps(howls: Iterable[tuple[float, float]], steps: int) -> NDArray[np.bool_]:
    """Return which steps hold a howl, shape (steps,).

    Parameters
    ----------
    howls : iterable of (float, float)
        Start and stop of each, in seconds.
    steps : int
        Number of steps of 0.1 s.
    """
    marked = np.zeros(steps, dtype=np.bool_)
    for start_s, stop_s in howls:
        first = math.floor((start_s - _BEFORE_S) * STEPS_PER_S)
        marked[max(first, 0) : math.ceil((stop_s + _AFTER_S) * STEPS_PER_S)] = True
    return marked


def match(
    without: _Real, with_plan: _Real, howling: NDArray[np.bool_], *, equally_loud: bool
) -> Match | None:
    """Return gains for a recording without and with a plan.

    Parameters
    ----------
    without, with_plan : ndarray, shape (n,)
        K-weighted power of each step.
    howling : ndarray of bool, shape (n,)
        Which steps hold a howl.
    equally_loud : bool
        Whether loudness is matched; else both keep their true difference, howls held down alike.

    Returns
    -------
    Match or None
        None where there is too little sound to have a loudness.
    """
    kept = ~howling
    calm = math.isfinite(integrated_lufs(without, kept))
    if not calm:  # nothing but howl is loud enough to go by: no matching
        kept = np.ones_like(kept)
    loudness = integrated_lufs(without, kept)
    change_db = integrated_lufs(with_plan, kept) - loudness
    if not math.isfinite(change_db):
        return None
    held_db = np.where(howling, np.minimum(0.0, loudness + HOWL_CAP_DB - power_lufs(without)), 0.0)
    held_db = ndimage.minimum_filter1d(held_db, 3)
    follow_db = np.zeros(without.size)
    if equally_loud and calm:
        for _ in range(_CORRECTIONS):
            heard = with_plan * 10.0 ** (follow_db / 10.0)
            follow_db = follow_db + _following_db(without, heard, kept)
        # Where it howls the one with the plan is not raised over the other, howl and all.
        level_db = _following_db(without, with_plan, np.ones_like(kept))
        follow_db = np.where(howling, np.minimum(follow_db, level_db), follow_db)
    howl_cut_db = None
    if howling.any():
        howl_cut_db = float(
            power_lufs(without[howling].mean()) - power_lufs(with_plan[howling].mean())
        )
    return Match(
        held_db,
        held_db + follow_db,
        equally_loud and calm,
        loudness,
        change_db,
        howl_cut_db,
        -float(held_db.min()),
    )


def louder_db(without: _Real, with_plan: _Real, *, around: bool) -> _Real:
    """Return by how much to turn the one with the plan down so that no moment of it is louder.

    A howl grows for seconds before anything can tell it from music, so all moments count.

    Parameters
    ----------
    without, with_plan : ndarray, shape (n,)
        K-weighted power of each step, as heard.
    around : bool
        Whether the steps beside a moment, whose gains reach into it, are turned down with it: that
        is certain to do, and takes more than it must.

    Returns
    -------
    ndarray, shape (n,)
        In dB, 0 or more: for each step the most of all moments that it belongs to.
    """
    if without.size < _MOMENT:
        return np.zeros(without.size)
    before, after = (
        np.convolve(power, np.full(_MOMENT, 1.0 / _MOMENT), "valid")
        for power in (without, with_plan)
    )
    before = np.maximum(before, _LEAST_SHARE * without.mean())  # under this it counts no more
    heard = after > _COUNTED_SHARE * without.mean()
    over_db = np.where(heard, np.maximum(power_lufs(after) - power_lufs(before), 0.0), 0.0)
    reach = 1 if around else 0
    padded = np.pad(over_db, _MOMENT - 1 + reach)
    own = np.lib.stride_tricks.sliding_window_view(padded, _MOMENT + 2 * reach)
    return np.asarray(own.max(axis=1))


def _following_db(without: _Real, with_plan: _Real, kept: NDArray[np.bool_]) -> _Real:
    """Return the gain that brings the one to the other's loudness, followed slowly."""
    width = round(FOLLOWING_S * STEPS_PER_S)
    window = np.hanning(width + 2)[1:-1]
    near, other = (
        ndimage.convolve1d(np.where(kept, power, 0.0), window / window.sum(), mode="constant")
        for power in (without, with_plan)
    )
    # Where little or nothing is heard, go by the whole.
    near += _LEAST_SHARE * without[kept].mean()
    other += _LEAST_SHARE * with_plan[kept].mean()
    return np.asarray(power_lufs(near) - power_lufs(other))
