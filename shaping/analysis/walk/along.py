"""The loop along a walk, block by block, and the highest level it may have had in each.

Within a block of one and a half seconds the path is taken as one response and what is left over.
What is left over is the room's noise, what the response was too short for, and above all the path's
own change while the mic moved: all of it counts as the path's. So a mic that stands still gives a
bound as close as a quiet measurement, and a mic that runs one that knows no more than the level.

A path that drifts lies furthest from its mean at the ends of a block; so blocks overlap by half,
and each speaks for its middle half, where a steady drift deviates by less than its mean square.

The bound: at each frequency the path is the response found plus a circular normal deviation whose
variance is that of the left-over, smoothed. For such a sum ``P(|a + d| > u)`` is Marcum's Q of
order 1, which is at most ``exp(-(u - |a|)^2 / v)``, v the variance. Added up over frequencies and
over the places within a block it bounds the chance that any of them is over u.

Conventions: a response is capture over reference, sample values to sample values, as in
`shaping.analysis.loop`; gains are of the send, worst case over phase.

References
----------
.. [1] M. K. Simon, M.-S. Alouini, "Exponential-type bounds on the generalized Marcum Q-function",
   IEEE Trans. Commun. 48(3), 2000: ``Q1(a, b) <= exp(-(b - a)^2 / 2)`` for b over a.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage, signal

from shaping.analysis.loop.deconvolution import (
    excitation_floor,
    least_squares_response,
    power_density,
)
from shaping.analysis.loop.resampling import resample_uniform
from shaping.analysis.walk.tracking import Follower, Track, track
from shaping.errors import CaptureError

WALK_RATE_HZ = 24_000.0
"""A loop that is carried about howls below 10 kHz; twice that rate would tell little more."""

HIGHEST_WALK_HZ = 10_000.0
LOWEST_WALK_HZ = 100.0
"""Below, a block holds too few periods, and no wedge howls in earnest."""

LONGEST_WALK_S = 600.0
CHANCE = 0.01
"""That some place within a block is over its bound."""

PLACES = 2.0
"""Unlike places that a walker passes within a block."""

LOUDER_BY = 4.0
"""What is left over in a block, over the median of the walk, from which something else sounds
there: a voice that calls out a place, a knock."""

_RESPONSE_S, _LEAD_S = 0.4, 0.05
_SMOOTH_OCT = 1 / 3
_SMOOTH_HZ = 60.0
_NEAR_S = 0.01
_STEPS = 24

Samples = NDArray[np.float32]
_Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Walk:
    """The loop along a walk.

    Attributes
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequencies.
    size, variance : ndarray of float32, shape (blocks, n)
        Magnitude of the response of each block, and variance of the path about it.
    start_s, stop_s : ndarray, shape (blocks,)
        The moments that each block speaks for: its middle half, since the next one, half a block
        later, speaks for what follows.
    measured : ndarray of bool, shape (blocks,)
        Whether it can tell: the noise was heard in it, and nothing else that was louder.
    disturbed : ndarray of bool, shape (blocks,)
        Whether something else sounded in it.
    explained : ndarray, shape (blocks,)
        Share of the power heard that one response per block explains.
    """

    frequency_hz: _Real
    size: NDArray[np.float32]
    variance: NDArray[np.float32]
    start_s: _Real
    stop_s: _Real
    measured: NDArray[np.bool_]
    disturbed: NDArray[np.bool_]
    explained: _Real


@dataclass(frozen=True, eq=False)
class Along:
    """Stable gain along a walk, in dB of send.

    Attributes
    ----------
    low_db, likely_db : ndarray, shape (blocks,)
        Safe end and likely value of each block; NaN where it was not measured.
    frequency_hz : ndarray, shape (blocks,)
        Where each block is likeliest to howl first.
    """

    low_db: _Real
    likely_db: _Real
    frequency_hz: _Real


def follow(
    capture: Samples, reference: Samples, *, capture_rate_hz: float, reference_rate_hz: float
) -> Walk:
    """Measure the loop along a walk.

    Parameters
    ----------
    capture, reference : ndarray of float32, shape (n,), (m,)
        The recording made while the mic was carried, and the file that was played.
    capture_rate_hz, reference_rate_hz : float
        Sample rates in Hz.

    Raises
    ------
    CaptureError
        If the walk is too long or too short, or the reference is not to be found in it.
    """
    if capture.size / capture_rate_hz > LONGEST_WALK_S:
        raise CaptureError(
            f"a walk of more than {LONGEST_WALK_S / 60:.0f} minutes is too long for one "
            "measurement: cut it in two"
        )
    heard = _at_rate(capture, capture_rate_hz)
    played = _at_rate(reference, reference_rate_hz)
    found = track(heard, played, WALK_RATE_HZ)
    length = round((_RESPONSE_S + _LEAD_S) * WALK_RATE_HZ)
    grid = fft.next_fast_len(2 * length, real=True)
    frequency_hz = fft.rfftfreq(grid, 1 / WALK_RATE_HZ)
    kept = (frequency_hz >= LOWEST_WALK_HZ) & (frequency_hz <= HIGHEST_WALK_HZ)
    frequency_hz = frequency_hz[kept]
    blocks = found.start.size
    size, variance = (np.zeros((blocks, frequency_hz.size), np.float32) for _ in range(2))
    left, total = np.zeros(blocks), np.ones(blocks)
    follower = Follower(heard, played, WALK_RATE_HZ, found)
    for block in np.flatnonzero(found.found):
        answer = _block(heard, follower, found, int(block), length)
        size[block] = np.abs(fft.rfft(answer.impulse, grid))[kept]
        variance[block] = np.interp(frequency_hz, answer.density_hz, answer.variance)
        left[block], total[block] = answer.left, answer.total
    disturbed = _disturbed(left, total, found.found)
    return Walk(
        frequency_hz=frequency_hz,
        size=size,
        variance=variance,
        start_s=np.asarray((found.start + found.size / 4) / WALK_RATE_HZ, np.float64),
        stop_s=np.asarray((found.start + 3 * found.size / 4) / WALK_RATE_HZ, np.float64),
        measured=found.found & ~disturbed,
        disturbed=disturbed,
        explained=np.where(found.found, 1 - left / np.maximum(total, 1e-30), 0.0),
    )


def _at_rate(samples: Samples, rate_hz: float) -> Samples:
    step = rate_hz / WALK_RATE_HZ
    if step == 1.0:
        return samples
    count = int((samples.size - 1) / step) + 1
    return resample_uniform(samples, start=0.0, step=step, count=count)


@dataclass(frozen=True, eq=False)
class _Answer:
    impulse: _Real
    density_hz: _Real
    variance: _Real
    left: float
    total: float


def _block(heard: Samples, follower: Follower, found: Track, block: int, length: int) -> _Answer:
    """Fit one block, and tell the variance of the path about the fit."""
    start = int(found.start[block])
    sound = heard[start : start + found.size]
    lead = round(_LEAD_S * WALK_RATE_HZ)
    source = follower.played(block, length=length, lead=lead)
    impulse, residual = least_squares_response(
        source, sound, length=length, sample_rate_hz=WALK_RATE_HZ
    )
    at = length - 1 - lead
    density_hz, excitation = power_density(source[at : at + sound.size], WALK_RATE_HZ)
    window = signal.windows.hann(residual.size, sym=False)
    line_hz = fft.rfftfreq(residual.size, 1 / WALK_RATE_HZ)
    periodogram = np.abs(fft.rfft(residual * window)) ** 2 * 2 / (WALK_RATE_HZ * np.sum(window**2))
    floor = excitation_floor(density_hz, excitation)
    smooth = _smoothed(periodogram, line_hz, density_hz)
    # The fit takes `length` degrees of freedom out of what is left over.
    freedom = residual.size / (residual.size - length)
    left, total = float(np.mean(residual**2)), float(np.mean(sound**2))
    return _Answer(
        _less_chance(impulse, lead, left / max(total, 1e-30)),
        density_hz,
        smooth * freedom / np.maximum(excitation, floor),
        left,
        total,
    )


def _less_chance(impulse: _Real, lead: int, left: float) -> _Real:
    """Return a response with less of what chance has put into it, the more was left over.

    Before the sound can have arrived there is nothing but chance: its power is taken off lag by
    lag (Wiener), in the share that was left over. A mic that stands still loses nothing, one that
    runs does not count its own error twice; of what else was tried, taking all of it off promised
    up to 1 dB too much, and none 2 dB too little (tuning grid).
    """
    chance = float(np.mean(impulse[: lead // 2] ** 2))
    around = ndimage.uniform_filter1d(impulse**2, round(_NEAR_S * WALK_RATE_HZ))
    share = min(left, 1.0) * chance / np.maximum(around, 1e-30)
    return np.asarray(impulse * np.clip(1.0 - share, 0.0, 1.0))


def _smoothed(power: _Real, line_hz: _Real, at_hz: _Real) -> _Real:
    """Return the mean power around each frequency, over a third of an octave or 60 Hz."""
    total = np.concatenate([[0.0], np.cumsum(power)])
    half = np.maximum(at_hz * (2 ** (_SMOOTH_OCT / 2) - 1), _SMOOTH_HZ / 2)
    low = np.clip(np.searchsorted(line_hz, at_hz - half), 0, power.size - 1)
    high = np.clip(np.searchsorted(line_hz, at_hz + half), low + 1, power.size)
    return np.asarray((total[high] - total[low]) / (high - low))


def _disturbed(left: _Real, total: _Real, found: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return where far more is left over than elsewhere, and more than the noise itself gave."""
    if not found.any():
        return np.zeros(found.size, np.bool_)
    usual = float(np.median(total[found]))
    return np.asarray(found & (left > LOUDER_BY * usual))


def along(walk: Walk, equaliser_db: _Real | None = None) -> Along:
    """Return the stable gain of every block, worst case over phase.

    Parameters
    ----------
    walk : Walk
        From `follow`.
    equaliser_db : ndarray, shape (n,), optional
        Gain of the equaliser at ``walk.frequency_hz``.
    """
    change = np.ones(walk.frequency_hz.size) if equaliser_db is None else 10 ** (equaliser_db / 20)
    blocks = walk.measured.size
    low, likely, where = (np.full(blocks, np.nan) for _ in range(3))
    for block in np.flatnonzero(walk.measured):
        size = walk.size[block] * change
        variance = np.maximum(walk.variance[block] * change**2, 1e-20)
        top, at = highest(size, variance, CHANCE)
        middle, _ = highest(size, variance, np.log(2.0))
        low[block], likely[block] = -20 * np.log10([top, middle])
        where[block] = walk.frequency_hz[at]
    return Along(low, likely, where)


def highest(size: _Real, variance: _Real, chance: float) -> tuple[float, int]:
    """Return a level that no frequency passes but with this chance, and where it is likeliest.

    Parameters
    ----------
    size, variance : ndarray, shape (n,)
        Magnitudes, and variances of the complex deviation about them.
    chance : float
        Expected number of frequencies and places over the level.
    """
    # The grid is twice as fine as the response is long: neighbours count for one.
    weight = PLACES / 2
    under = float(size.max())
    spread = np.sqrt(variance)
    over = float(np.max(size + spread * np.sqrt(np.log(weight * size.size / chance))))
    near = size + spread * np.sqrt(np.log(weight * size.size / chance)) > under
    near_size, near_variance = size[near], variance[near]

    def expected(level: float) -> _Real:
        return np.asarray(
            weight * np.exp(-(np.maximum(level - near_size, 0.0) ** 2) / near_variance)
        )

    for _ in range(_STEPS):
        middle = 0.5 * (under + over)
        if expected(middle).sum() > chance:
            under = middle
        else:
            over = middle
    return over, int(np.flatnonzero(near)[int(np.argmax(expected(over)))])
