"""What is measured of tones that sound now, from what was heard up to now.

As `shaping.rehearsals.features`, but of many tones at once, and without what comes after: whether
a tone grows along a straight line out of what the loop holds, stands still in frequency, and
brings neither harmonics nor a stroke of its own. Levels in dB, times in seconds.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shaping.live.watch.history import KEPT_FRAMES, History

MEASURE_NAMES = (
    "frequency_hz",
    "age_s",
    "stand_off_db",
    "least_stand_off_db",
    "before_stand_off_db",
    "over_third_db",
    "dominance_db",
    "over_before_db",
    "rise_db",
    "below_top_db",
    "jump_db",
    "slope_short",
    "bend_short_db",
    "slope_middle",
    "bend_middle_db",
    "slope_long",
    "bend_long_db",
    "straight_db",
    "straight_s",
    "straight_curve_db",
    "straight_jump",
    "line_db",
    "line_s",
    "tremble_bins",
    "wander_bins",
    "drift_bins",
    "off_scale_cents",
    "harmonic_db",
    "partner_db",
    "siblings",
    "stroke_db",
    "rest_change_db",
    "over_highest_db",
    "over_usual_db",
    "lead_db",
    "tones_now",
    "tones_per_s",
)
"""In this order; ``slope_*`` in dB/s over 8, 16 and 32 frames, ``bend_*`` the deviation from them;
``straight_*`` of the highest straight line that ends now, ``line_*`` where twice as much deviation
is allowed; ``over_highest_db`` and ``over_usual_db`` over what was heard at this frequency before
the last second and a half; ``lead_db`` over the strongest of everything else; ``tones_*`` how many
tones the channel holds, and how many begin. The rest as in `shaping.rehearsals.features`."""

_LINE_FRAMES = (5, 7, 10, 14, 20, 28, 40, 56)
_TREND_FRAMES = (8, 16, 32)
_STEADY_FRAMES = 12
_ALL_ROWS = np.arange(KEPT_FRAMES)[::-1].copy()
_NEAR_ROWS = np.array([56, 48, 40, 32, 6, 5, 4, 3, 2, 1, 0])
_EARLIER = 4
_NEAR = np.concatenate([np.arange(-12, -3), np.arange(4, 13)])
_TIP = np.array([-2, -1, 0, 1, 2])
_RATIOS = np.array([2.0, 3.0, 4.0, 1 / 3, 1 / 2, 2 / 3, 3 / 2])
_KIN_ROWS = np.array([20, 16, 12, 8, 4, 2, 1, 0])
_OWN_BINS = 6
_HANN_POWER = np.float32(1.5)
_ABSENT = np.float32(-120.0)


def measure(
    history: History,
    channel: NDArray[np.int64],
    column: NDArray[np.int64],
    age: NDArray[np.int64],
    tones_per_s: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Measure the tones of the newest frame.

    Parameters
    ----------
    history : History
        What was heard.
    channel, column, age : ndarray of int64, shape (n,)
        Channel and bin of each tone's peak, and for how many frames it has been one.
    tones_per_s : ndarray, shape (channels,)
        How many tones have lately begun on each channel.

    Returns
    -------
    ndarray, shape (n, len(MEASURE_NAMES))
    """
    hop_s, grid = history.grid.hop_s, history.grid
    around = history.levels(channel, column, _TIP, _ALL_ROWS)
    tone = around[:, :, 1:4].max(axis=2).astype(np.float64)
    now = tone[:, -1]
    near = _mean_db(history.levels(channel, column, _NEAR, _NEAR_ROWS))
    off = tone[:, KEPT_FRAMES - 1 - _NEAR_ROWS] - near
    total = history.totals(channel, _ALL_ROWS)
    own = np.float32(10) ** (tone / 10) * _HANN_POWER
    rest = 10 * np.log10(np.maximum(total - own, 1e-12) / _HANN_POWER)
    trends = [_trend(tone[:, -count:]) for count in _TREND_FRAMES]
    straight, line = straight_lines(tone)
    position = _positions(around[:, -_STEADY_FRAMES:])
    tremble, wander, drift = _steadiness(position)
    hertz = (column + grid.first_bin + position[:, -1]) * grid.bin_hz
    cents = 1200 * np.log2(np.maximum(hertz, 1.0) / 440.0)
    harmonic, partner, siblings = _kin(history, channel, column, tone, position[:, -1])
    beside = np.clip(column[:, None] + _TIP, 0, history.power.shape[1] - 1)
    highest = history.highest_before[channel[:, None], beside].max(axis=1)
    usual = history.usual_before[channel[:, None], beside].max(axis=1)
    smooth = (tone[:, :-2] + tone[:, 1:-1] + tone[:, 2:]) / 3
    values = {
        "frequency_hz": hertz,
        "age_s": np.minimum(age, KEPT_FRAMES) * hop_s,
        "stand_off_db": off[:, -3:].mean(axis=1),
        "least_stand_off_db": off[:, _EARLIER:].min(axis=1),
        "before_stand_off_db": off[:, :_EARLIER].mean(axis=1),
        "over_third_db": now - _third_octave_db(history, channel, column),
        "dominance_db": (tone - rest)[:, -4:].mean(axis=1),
        "over_before_db": now - tone[:, :24].max(axis=1),
        "rise_db": now - smooth.min(axis=1),
        "below_top_db": tone[:, -16:].max(axis=1) - now,
        "jump_db": np.diff(tone[:, -24:], axis=1).max(axis=1),
        "slope_short": trends[0][0] / hop_s,
        "bend_short_db": trends[0][1],
        "slope_middle": trends[1][0] / hop_s,
        "bend_middle_db": trends[1][1],
        "slope_long": trends[2][0] / hop_s,
        "bend_long_db": trends[2][1],
        "straight_db": straight[0],
        "straight_s": straight[1] * hop_s,
        "straight_curve_db": straight[2],
        "straight_jump": straight[3],
        "line_db": line[0],
        "line_s": line[1] * hop_s,
        "tremble_bins": tremble,
        "wander_bins": wander,
        "drift_bins": drift,
        "off_scale_cents": np.abs(cents - 100 * np.round(cents / 100)),
        "harmonic_db": harmonic,
        "partner_db": partner,
        "siblings": siblings,
        "stroke_db": rest[:, -8:].max(axis=1) - rest[:, -24:-8].mean(axis=1),
        "rest_change_db": rest[:, -4:].mean(axis=1) - rest[:, :24].mean(axis=1),
        "over_highest_db": now - highest,
        "over_usual_db": now - usual,
        "lead_db": now - _strongest_other_db(history, channel, column),
        "tones_now": np.bincount(channel, minlength=history.channels)[channel],
        "tones_per_s": tones_per_s[channel],
    }
    return np.stack([values[name] for name in MEASURE_NAMES], axis=1).astype(np.float64)


def straight_lines(
    tone_db: NDArray[np.float64],
) -> tuple[tuple[NDArray[np.float64], ...], tuple[NDArray[np.float64], ...]]:
    """Return the highest straight rise of each tone that ends now, and one more loosely straight.

    Least squares over the last frames, for several lengths. The deviation allowed is 0.4 dB and
    4 % of the height, as in `shaping.rehearsals.features`; twice as much for the second.

    Parameters
    ----------
    tone_db : ndarray, shape (n, frames)
        Levels, the newest last.

    Returns
    -------
    straight, line : tuple of ndarray, shape (n,)
        Height in dB, length in frames, how far the middle third lies above the ends in dB, and
        the greatest step from frame to frame over the mean step. Zeros where there is no rise.
    """
    n = tone_db.shape[0]
    best = [[np.zeros(n) for _ in range(4)] for _ in range(2)]
    for count in _LINE_FRAMES:
        part = tone_db[:, -count:]
        slope, spread = _trend(part)
        height = slope * (count - 1)
        third = max(count // 3, 1)
        curve = part[:, third:-third].mean(axis=1)
        curve = curve - (part[:, :third].mean(axis=1) + part[:, -third:].mean(axis=1)) / 2
        jump = np.diff(part, axis=1).max(axis=1) * (count - 1) / np.maximum(height, 1.0)
        bar = 0.4 + 0.04 * np.maximum(height, 0.0)
        for allowed, kept in zip((1.0, 2.0), best, strict=True):
            better = (spread <= allowed * bar) & (height > kept[0])
            for old, new in zip(kept, (height, float(count), curve, jump), strict=True):
                old[better] = new[better] if isinstance(new, np.ndarray) else new
    return tuple(best[0]), tuple(best[1])


def _trend(level_db: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Slope per frame of each row, and standard deviation about the line."""
    count = level_db.shape[1]
    x = np.arange(count) - (count - 1) / 2
    slope = level_db @ x / np.sum(x * x)
    variance = level_db.var(axis=1) - slope**2 * np.mean(x * x)
    return slope, np.sqrt(np.maximum(variance, 0.0))


def _mean_db(levels: NDArray[np.float32]) -> NDArray[np.float64]:
    power = np.float32(10) ** (levels / 10)
    return np.asarray(10 * np.log10(power.mean(axis=2) + 1e-12), np.float64)


def _third_octave_db(
    history: History, channel: NDArray[np.int64], column: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Return the level of the third octave around each tone, the tone left out."""
    power, first = history.power, history.grid.first_bin
    bins = power.shape[1]
    sums = np.zeros((power.shape[0], bins + 1))
    np.cumsum(power, axis=1, out=sums[:, 1:])
    exact = column + first
    low = np.clip(np.floor(exact * 2 ** (-1 / 6)).astype(np.int64) - first, 0, column - 4)
    low = np.maximum(low, 0)
    high = np.clip(np.ceil(exact * 2 ** (1 / 6)).astype(np.int64) - first + 1, column + 5, bins)
    inner = np.maximum(column - 3, 0), np.minimum(column + 4, bins)
    left = sums[channel, high] - sums[channel, low]
    left -= sums[channel, inner[1]] - sums[channel, inner[0]]
    return np.asarray(10 * np.log10(np.maximum(left, 1e-12) / _HANN_POWER))


def _strongest_other_db(
    history: History, channel: NDArray[np.int64], column: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Return the level of the strongest bin that is not the tone's own."""
    power, bins = history.power, history.power.shape[1]
    below = np.maximum.accumulate(power, axis=1)
    above = np.maximum.accumulate(power[:, ::-1], axis=1)[:, ::-1]
    low, high = column - _OWN_BINS, column + _OWN_BINS
    other = np.maximum(
        np.where(low >= 0, below[channel, np.maximum(low, 0)], 0.0),
        np.where(high < bins, above[channel, np.minimum(high, bins - 1)], 0.0),
    )
    return np.asarray(10 * np.log10(other + 1e-12))


def _positions(around: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return where the peak lies, in bins from the middle, shape (n, frames)."""
    top = np.clip(around[:, :, 1:4].argmax(axis=2), 0, 2) + 1
    before, peak, after = (
        np.take_along_axis(around, (top + step)[:, :, None], axis=2)[:, :, 0].astype(np.float64)
        for step in (-1, 0, 1)
    )
    bend = before - 2 * peak + after
    shift = np.where(bend < -1e-6, 0.5 * (before - after) / np.minimum(bend, -1e-6), 0.0)
    return np.asarray(top - 2 + np.clip(shift, -0.5, 0.5))


def _steadiness(
    position: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """How the frequency trembles, its spread about its slow drift, and the drift, in bins."""
    turns = np.abs(position[:, 2:] - 2 * position[:, 1:-1] + position[:, :-2])
    slope, spread = _trend(position)
    return np.median(turns, axis=1), spread, np.abs(slope) * (position.shape[1] - 1)


def _kin(
    history: History,
    channel: NDArray[np.int64],
    column: NDArray[np.int64],
    tone: NDArray[np.float64],
    shift: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Strongest harmonic and partner relative to the tone; how many rise together with it."""
    first, bins = history.grid.first_bin, history.power.shape[1]
    place = np.rint((column + first + shift)[:, None] * _RATIOS).astype(np.int64) - first
    known = (place >= 1) & (place < bins - 1)
    at = np.where(known, place, 1)
    offsets = (at[:, :, None] + np.array([-1, 0, 1]) - column[:, None, None]).reshape(len(at), -1)
    levels = history.levels(channel, column, offsets, _KIN_ROWS)
    levels = levels.reshape(len(at), _KIN_ROWS.size, _RATIOS.size, 3).max(axis=3)
    levels = np.where(known[:, None, :], levels, _ABSENT).astype(np.float64)
    ratio = np.maximum(levels[:, -3:].mean(axis=1) - tone[:, -3:].mean(axis=1)[:, None], -60.0)
    gained = levels[:, -3:].max(axis=1) - levels[:, :4].mean(axis=1)
    together = np.clip((gained - 6) / 12, 0, 1) * (ratio > -40)
    return ratio[:, :3].max(axis=1), ratio[:, 3:].max(axis=1), together.sum(axis=1)
