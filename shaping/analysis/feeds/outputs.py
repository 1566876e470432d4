"""One output of a pack, one ear: everything that its recording tells by itself.

Gains are recorded samples over samples of the signal, in dB.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.feeds.blocks import clean_periods, dropouts_s, spits_s
from shaping.analysis.feeds.line_up import Place
from shaping.analysis.feeds.periods import Heard, cut_out, pause_of
from shaping.analysis.feeds.played import (
    GAP_HZ,
    PERIOD,
    SIDES,
    STEPS_DB,
    lines_of,
    period_of,
    stretches,
)
from shaping.analysis.feeds.quiet import Quiet, quiet_of
from shaping.analysis.feeds.steps import Dynamics, dynamics_of
from shaping.filters.bands import NOMINAL_HZ

RESPONSE_BANDS_HZ = tuple(
    one for one in NOMINAL_HZ if 100 <= one <= 12_500 and not 1_900 < one < 2_700
)
"""Third octaves in which the response is told; the one in the signal's gap is left out."""

_EVEN_HZ = (125.0, 8_000.0)
"""Bands whose median gain is the level: roll-offs at either end leave it alone."""

_HEARD = 8.0
"""Power of a side over the standard deviation of what noise makes of it, to count as heard."""

_BAND_SURE = 10.0
"""Power of a band over its noise, to be told."""

_SIGN_HZ = (300.0, 6_000.0)
"""Band in which polarity and delay are looked for: within every pack's, clear of roll-offs."""

_CLEAR_SIGN_DB = 2.0
"""A peak must stand so much over the deepest dip of the other sign to have one."""

_NEAR_GAP = 2**0.5
"""Around the gap, half an octave on either side holds the signal it is compared with."""

_GAP_RIM = 1.04
"""Sidebands of a limiter's movement reach into the gap's rim."""

_UPSAMPLED = 8

Samples = NDArray[np.float32]
Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True, eq=False)
class Output:
    """What one output does with the signal.

    Attributes
    ----------
    from_db : dict of str to float
        Gain from each side of the signal; -inf where nothing is heard.
    least_db : float
        What would have been heard of a side that is not, as a gain; -inf where both are.
    main : str or None
        The side that it carries; None for neither.
    level_db : float
        Gain for soft sound, over the bands; of both sides together where it carries both.
    loud_db : float
        The same in the hold.
    bands_db : ndarray, shape (len(RESPONSE_BANDS_HZ),)
        Gain of the main side in the hold; NaN where noise hides it.
    delay_s : float
        Of the main side, against the place of the signal.
    signs : dict of str to int
        Polarity of each side: 1, -1, or 0 where it cannot be told.
    hold_dbfs : float
        Level in the hold.
    distortion_db : float
        What fills the gap, against the signal beside it; -inf for nothing.
    steps_db : ndarray, shape (len(STEPS_DB),)
        Gain at each step, against that of the hold; NaN where noise hides it.
    dynamics : Dynamics
        Limiter or compressor.
    quiet : Quiet
        The pause.
    dropouts_s : tuple of float
        When dropouts begin, in seconds of the signal.
    clipped : bool
        Whether the recording itself reaches full scale.
    """

    from_db: dict[str, float]
    least_db: float
    main: str | None
    level_db: float
    loud_db: float
    bands_db: Floats
    delay_s: float
    signs: dict[str, int]
    hold_dbfs: float
    distortion_db: float
    steps_db: Floats
    dynamics: Dynamics
    quiet: Quiet
    dropouts_s: tuple[float, ...]
    clipped: bool


def measure_output(
    samples: Samples,
    sample_rate_hz: int,
    place: Place,
    *,
    signal_rate_hz: int,
    level_dbfs: float,
) -> Output:
    """Measure one output.

    Parameters
    ----------
    samples : ndarray of float32, shape (n,)
        Its recording.
    sample_rate_hz : int
        Rate of the recording.
    place : Place
        Where the signal runs in it.
    signal_rate_hz : int
        Rate of the signal.
    level_dbfs : float
        Level of the signal's hold.

    Returns
    -------
    Output
    """
    heard = [
        cut_out(samples, sample_rate_hz, place, one, signal_rate_hz=signal_rate_hz)
        for one in stretches()
        if one.sides and one.kind != "burst"
    ]
    by_kind = {one.stretch.kind: one for one in heard}
    played = {
        side: np.fft.rfft(period_of(side, signal_rate_hz)) / PERIOD * 10 ** (level_dbfs / 20)
        for side in SIDES
    }
    hold = by_kind["hold"]
    (rest,) = (one for one in stretches() if one.kind == "pause")
    pause = pause_of(samples, sample_rate_hz, place, rest, signal_rate_hz=signal_rate_hz)
    quiet = quiet_of(pause, sample_rate_hz)
    dropouts = _dropouts(heard, pause, sample_rate_hz, signal_rate_hz)
    mean, error = hold.lines(clean_periods(hold, dropouts, signal_rate_hz))
    from_db, least_db = {}, -math.inf
    for side in SIDES:
        lines = lines_of(side, signal_rate_hz)
        alone = by_kind[side]
        own, noise = alone.lines(clean_periods(alone, dropouts, signal_rate_hz))
        from_db[side], least = _power_gain(own[lines], noise[lines], played[side][lines])
        if not math.isfinite(from_db[side]):
            least_db = max(least_db, least)
    main = max(from_db, key=lambda side: from_db[side])
    lines = lines_of(main, signal_rate_hz)
    bands_db = _bands(
        mean[lines], error[lines], played[main][lines], lines * signal_rate_hz / PERIOD
    )
    signs, delay_s = {}, 0.0
    for side in SIDES:
        own_lines = lines_of(side, signal_rate_hz)
        sign, delay = _peak(mean[own_lines] / played[side][own_lines], own_lines, signal_rate_hz)
        signs[side] = sign if math.isfinite(from_db[side]) else 0
        delay_s = delay if side == main else delay_s
    distortion_db = _distortion(mean, error, signal_rate_hz)
    steps_db, errors_db, bent_db = _steps((mean, error), heard, played, dropouts, signal_rate_hz)
    dynamics = dynamics_of(steps_db, errors_db, bent_db)
    inside = [_EVEN_HZ[0] <= one <= _EVEN_HZ[1] for one in RESPONSE_BANDS_HZ]
    # The median leaves a bent response alone; where noise hides bands, power is the fairer figure.
    certain = np.isfinite(bands_db[inside]).all()
    whole, _ = _power_gain(mean[lines], error[lines], played[main][lines])
    loud_db = float(np.median(bands_db[inside])) if certain else max(whole, from_db[main])
    # Distortion falls on the signal's lines too: it adds to their power, not to their gain.
    added_db = _db(1 + 10 ** (distortion_db / 10))
    loud_db += _both_sides_db(from_db, signs) - added_db
    return Output(
        from_db=from_db,
        least_db=least_db,
        main=main if math.isfinite(from_db[main]) else None,
        level_db=loud_db + dynamics.linear_db + 2 * added_db,
        loud_db=loud_db,
        bands_db=bands_db,
        delay_s=delay_s,
        signs=signs,
        hold_dbfs=_db(2 * float(np.sum(np.maximum(np.abs(mean) ** 2 - error, 0.0)))),
        distortion_db=distortion_db,
        steps_db=np.where(errors_db < 1.0, steps_db, np.nan),
        dynamics=dynamics,
        quiet=quiet,
        dropouts_s=dropouts,
        clipped=bool(np.sum(np.abs(samples) > 0.9995) > 3),
    )


def _dropouts(
    heard: list[Heard], pause: Floats, sample_rate_hz: int, signal_rate_hz: int
) -> tuple[float, ...]:
    """Return dropouts of all stretches in which the output sounds, and bursts in the pause."""
    powers = [float(np.mean(np.median(one.periods[1:], axis=0) ** 2)) for one in heard]
    (hold,) = (p for one, p in zip(heard, powers, strict=True) if one.stretch.kind == "hold")
    noise = float(np.mean(pause**2))
    found: list[float] = []
    for one, power in zip(heard, powers, strict=True):
        if power > 10 * noise and power > 1e-3 * hold:
            found.extend(dropouts_s(one, signal_rate_hz))
    if hold > 10 * noise:
        (rest,) = (one for one in stretches() if one.kind == "pause")
        start_s = (rest.start + PERIOD) / signal_rate_hz
        found.extend(start_s + at_s for at_s in spits_s(pause, hold, sample_rate_hz))
    return tuple(sorted(found))


def _power_gain(own: Complexes, noise: Floats, played: Complexes) -> tuple[float, float]:
    """Return the gain in power of a side, and the least that noise would have let be seen."""
    total = float(np.sum(np.abs(own) ** 2 - noise))
    spread = _HEARD * math.sqrt(float(np.sum(noise**2)))
    whole = float(np.sum(np.abs(played) ** 2))
    least = max(spread, 1e-20 * whole) / whole
    return (_db(total / whole) if total / whole > least else -math.inf), _db(least)


def _bands(own: Complexes, noise: Floats, played: Complexes, frequency_hz: Floats) -> Floats:
    gains = np.full(len(RESPONSE_BANDS_HZ), np.nan)
    for i, centre in enumerate(RESPONSE_BANDS_HZ):
        inside = (frequency_hz > centre / 10**0.05) & (frequency_hz <= centre * 10**0.05)
        power, sent = np.sum(np.abs(own[inside]) ** 2), np.sum(np.abs(played[inside]) ** 2)
        of_noise = float(np.sum(noise[inside]))
        if sent > 0 and power > _BAND_SURE * max(of_noise, 1e-30):
            gains[i] = _db(float((power - of_noise) / sent))
    return gains


def _peak(response: Complexes, lines: NDArray[np.int64], rate_hz: int) -> tuple[int, float]:
    """Return sign and delay of the highest peak of the response to an impulse."""
    frequency = lines * rate_hz / PERIOD
    low, high = np.log2(_SIGN_HZ[0]), np.log2(_SIGN_HZ[1])
    place = (np.log2(frequency) - low) / (high - low)
    weight = np.where((place > 0) & (place < 1), np.sin(np.pi * np.clip(place, 0, 1)) ** 2, 0.0)
    spectrum = np.zeros(PERIOD * _UPSAMPLED // 2 + 1, complex)
    spectrum[lines] = response * weight
    impulse = np.fft.irfft(spectrum, PERIOD * _UPSAMPLED)
    # One side has every other line, so the impulse comes again, turned or not, half a period later.
    quarter = impulse.size // 4
    near = np.concatenate([impulse[-quarter:], impulse[:quarter]])
    highest, deepest = float(near.max()), float(-near.min())
    at = int(np.argmax(np.abs(near))) - quarter
    clear = max(highest, deepest) > min(highest, deepest) * 10 ** (_CLEAR_SIGN_DB / 20)
    sign = (1 if highest > deepest else -1) if clear else 0
    return sign, at / (_UPSAMPLED * rate_hz)


def _distortion(mean: Complexes, error: Floats, rate_hz: int) -> float:
    """Return what fills the gap, as density against that of the signal beside it."""
    frequency = np.arange(mean.size) * rate_hz / PERIOD
    power = np.abs(mean) ** 2 - error
    gap = (frequency > GAP_HZ[0] * _GAP_RIM) & (frequency < GAP_HZ[1] / _GAP_RIM)
    beside = (frequency > GAP_HZ[0] / _NEAR_GAP) & (frequency < GAP_HZ[1] * _NEAR_GAP)
    beside &= (frequency < GAP_HZ[0]) | (frequency > GAP_HZ[1])
    filled = float(power[gap].mean())
    spread = 4 * math.sqrt(float(np.sum(error[gap] ** 2))) / int(gap.sum())
    signal = float(power[beside].mean())
    return _db(filled / signal) if filled > spread and signal > 0 else -math.inf


def _steps(
    hold: tuple[Complexes, Floats],
    heard: list[Heard],
    played: dict[str, Complexes],
    dropouts: tuple[float, ...],
    rate_hz: int,
) -> tuple[Floats, Floats, Floats]:
    """Return gain of every step against the hold, its error, and the distortion, all in dB."""
    mean, error = hold
    sounding = np.abs(sum(played.values())) > 0
    usual = mean[sounding]
    whole = float(np.sum(np.abs(usual) ** 2 - error[sounding]))
    gains, errors = np.zeros(len(STEPS_DB)), np.full(len(STEPS_DB), np.inf)
    bent = np.full(len(STEPS_DB), -np.inf)
    steps = [one for one in heard if one.stretch.kind == "step"]
    for i, one in enumerate(steps):
        own, noise = one.lines(clean_periods(one, dropouts, rate_hz))
        level = 10 ** (one.stretch.level_db / 20)
        gain = abs(np.vdot(usual, own[sounding])) / max(whole, 1e-30) / level
        spread = math.sqrt(float(np.sum(np.abs(usual) ** 2 * noise[sounding])))
        spread /= max(whole, 1e-30) * level
        bent[i] = _distortion(own, noise, rate_hz)
        if gain > 0:
            gains[i] = 20 * math.log10(gain)
            errors[i] = 20 / math.log(10) * spread / gain
    return gains, errors, bent


def _both_sides_db(from_db: dict[str, float], signs: dict[str, int]) -> float:
    """Return by how much a sound on both sides is louder than one on the main side alone."""
    high, low = sorted(from_db.values(), reverse=True)
    if not math.isfinite(low) or high - low > CARRIES_BOTH_DB:
        return 0.0
    ratio = 10 ** ((low - high) / 20)
    if signs["left"] * signs["right"] < 0:
        return 10 * math.log10(1 + ratio**2)
    return 20 * math.log10(1 + ratio)


CARRIES_BOTH_DB = 6.0
"""An output that carries one side less than this below the other carries both."""


def _db(power: float) -> float:
    return 10 * math.log10(power) if power > 0 else -math.inf
