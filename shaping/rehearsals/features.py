"""What is measured of one steady tone, to tell a howl from a note.

Every measure is a plain number on the power spectra around the tone, from a second before it to
a little after. Levels are in dB, times in seconds.

A howl grows along a straight line in dB until something limits it, then stays; it holds its
frequency; it has no family of harmonics unless something clips, stands off its neighbours, starts
without a stroke of its own, and goes on when the playing stops. A note starts within a few
milliseconds together with its harmonics, and falls.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass, fields

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.lines import sliding_lines
from shaping.rehearsals.frames import MARGIN_BINS, Grid

CONTEXT_S = 1.0
"""How long before a tone its surroundings are looked at."""

_HANN_POWER = 1.5
"""Sum over bins of a sine's power, relative to its peak, for a Hann window."""


@dataclass(frozen=True, slots=True)
class Features:
    """Measures of one tone.

    Attributes
    ----------
    frequency_hz : float
        Level-weighted mean frequency.
    peak_dbfs : float
        Highest level.
    start_s, duration_s : float
        Time it stood within 20 dB of its peak.
    steady_s : float
        Time it stood within 6 dB of its peak.
    wander_cents : float
        Spread of the frequency while it is loud, slow drift removed.
    drift_cents : float
        Change of frequency over the tone.
    stand_off_db : float
        Level over the bins around it while loud.
    dominance_db : float
        Level over everything else in the band while loud.
    best_dominance_db : float
        The same at its best moment.
    over_before_db : float
        Level over what the second before held at the same frequency.
    rise_db, growth_db_per_s, rise_s : float
        The rise to the plateau.
    bend_db : float
        Residual of a straight line through the rise.
    curve_db : float
        How far the middle of the rise lies above its chord (a howl: zero; a swell: positive).
    straight_db, straight_s : float
        Height and length of the longest straight line that ends near the plateau.
    plateau_slope_db_per_s : float
        Slope after the rise.
    plateau_ripple_db : float
        Spread after the rise, slope removed.
    stroke_db : float
        How much everything else rises together with the tone.
    harmonic_db : float
        Strongest of the 2nd to 4th harmonic, relative to the tone.
    partner_db : float
        Strongest of 1/3, 1/2, 2/3, 3/2 of the frequency, relative to the tone.
    siblings : float
        How many of those seven rise together with the tone.
    hold_db : float
        Fall of everything else during the tone while the tone stays.
    """

    frequency_hz: float
    peak_dbfs: float
    start_s: float
    duration_s: float
    steady_s: float
    wander_cents: float
    drift_cents: float
    stand_off_db: float
    dominance_db: float
    best_dominance_db: float
    over_before_db: float
    rise_db: float
    growth_db_per_s: float
    rise_s: float
    bend_db: float
    curve_db: float
    straight_db: float
    straight_s: float
    plateau_slope_db_per_s: float
    plateau_ripple_db: float
    stroke_db: float
    harmonic_db: float
    partner_db: float
    siblings: float
    hold_db: float

    def as_array(self) -> NDArray[np.float64]:
        """Return the values in the order of the fields."""
        return np.array(astuple(self), dtype=np.float64)


NAMES = tuple(field.name for field in fields(Features))

_LINE_FRAMES = (5, 8, 13, 21, 34)

_RATIOS = np.array([2.0, 3.0, 4.0, 1 / 3, 1 / 2, 2 / 3, 3 / 2])
_REACH = np.array([2, 3, 3, 1, 1, 1, 1])
_OFFSETS = np.clip(np.arange(-3, 4), -_REACH[:, None], _REACH[:, None])
"""Bins looked at around each ratio: more where an error of the frequency is multiplied."""


def _db(power: NDArray[np.float32]) -> NDArray[np.float32]:
    level: NDArray[np.float32] = np.float32(10) * np.log10(power + np.float32(1e-12))
    return level


def _middle(values: NDArray[np.float32]) -> float:
    """Return the median, or its upper neighbour."""
    return float(np.partition(values, values.size // 2)[values.size // 2])


def _straight_rise(
    level_db: NDArray[np.float32], top_db: float, hop_s: float
) -> tuple[float, float]:
    """Height and length of the highest straight line that ends within 5 dB of the plateau."""
    best, length_s = 0.0, 0.0
    for count in _LINE_FRAMES:
        if count > level_db.size:
            break
        lines = sliding_lines(level_db, hop_s, count)
        height = lines.slope_db_per_s * ((count - 1) * hop_s)
        straight = lines.deviation_db <= 0.4 + 0.04 * height
        ends_high = level_db[count - 1 :] >= top_db - 5
        height = np.where(straight & ends_high, height, 0.0)
        highest = float(height.max())
        if highest > best:
            best, length_s = highest, count * hop_s
    return best, length_s


def measure(
    frame: NDArray[np.int64],
    position: NDArray[np.float32],
    level_dbfs: NDArray[np.float32],
    power: NDArray[np.float32],
    first_frame: int,
    grid: Grid,
) -> Features:
    """Measure one tone.

    Parameters
    ----------
    frame, position, level_dbfs : ndarray, shape (n,)
        The tone's peaks in order of time.
    power : ndarray of float32, shape (frames, bins)
        Power spectra from up to `CONTEXT_S` before the tone to a little after it.
    first_frame : int
        Frame number of the first row of `power`.
    grid : Grid
        The grid of `power`.
    """
    hop_s = grid.hop_s
    loud = level_dbfs >= level_dbfs.max() - 6
    weight = 10 ** (level_dbfs[loud] / 10)
    centre = float(np.sum(weight * position[loud]) / weight.sum())
    column = round(centre)
    frequency = (centre + grid.first_bin) * grid.bin_hz
    cents_per_bin = 1731.2 / max(centre + grid.first_bin, 1.0)

    bins = power.shape[1]
    first, last = int(frame[0]) - first_frame, int(frame[-1]) - first_frame
    tone = _db(power[:, column - 1 : column + 2].max(axis=1))
    near = power[:, max(column - MARGIN_BINS, 0) : column - 3].sum(axis=1)
    near = near + power[:, column + 4 : column + MARGIN_BINS + 1].sum(axis=1)
    near_db = _db(near / (2 * (MARGIN_BINS - 3)))
    own = power[:, column - 3 : column + 4].sum(axis=1)
    rest_db = _db(np.maximum(power.sum(axis=1) - own, 0) / np.float32(_HANN_POWER))

    inside = tone[first : last + 1]
    top = float(np.partition(inside, -1 - inside.size // 10)[-1 - inside.size // 10])
    peak = int(np.argmax(inside >= top - 2)) + first
    high = np.flatnonzero(inside >= top - 6) + first
    audible = np.flatnonzero(inside >= top - 20) + first

    # The rise: back from the plateau to the last moment it was 25 dB lower, or at its lowest.
    before = tone[: peak + 1]
    foot_level = max(float(before.min()) + 2.0, top - 25.0)
    below = np.flatnonzero(before <= foot_level)
    foot = int(below[-1]) if below.size else 0
    rise = tone[foot : peak + 1]
    rise_db = float(rise[-1] - rise[0])
    upper = np.flatnonzero(rise >= top - 15)
    line = rise[int(upper[0]) :]
    if line.size >= 3:
        x = np.arange(line.size) - (line.size - 1) / 2
        slope = float(np.sum(x * line) / np.sum(x * x))
        bend = float(np.std(line - slope * x))
        growth = slope / hop_s
        curve = float(line[line.size // 2] - (line[0] + line[-1]) / 2)
    else:
        growth = float(rise[-1] - rise[max(rise.size - 3, 0)]) / (min(rise.size, 3) * hop_s)
        bend, curve = 0.0, 0.0
    rise_s = (float(rise[-1]) - max(float(rise[0]), top - 15)) / max(growth, 1e-3)

    straight_db, straight_s = _straight_rise(tone[max(peak - 70, 0) : peak + 1], top, hop_s)

    plateau = tone[peak : int(high[-1]) + 1]
    if plateau.size >= 4:
        x = np.arange(plateau.size) - (plateau.size - 1) / 2
        plateau_slope = float(np.sum(x * plateau) / np.sum(x * x))
        ripple = float(np.std(plateau - plateau_slope * x))
    else:
        plateau_slope, ripple = 0.0, 3.0

    held = position[loud]
    if held.size >= 4:
        x = frame[loud] - frame[loud].mean()
        drift = float(np.sum(x * held) / np.sum(x * x))
        wander = float(np.std(held - held.mean() - drift * x)) * cents_per_bin
        drift_cents = abs(drift) * float(np.ptp(x)) * cents_per_bin
    else:
        wander, drift_cents = 50.0, 50.0

    dominance = tone[high] - rest_db[high]
    ahead = slice(max(first - round(CONTEXT_S / hop_s), 0), max(foot, 1))
    over_before = top - float(tone[ahead].max())
    # Everything else before and after the moment the tone gets within 12 dB of its plateau.
    entry = foot + int(np.argmax(rise >= top - 12))
    then = slice(max(entry - 8, 0), max(entry - 3, 1))
    now = slice(entry, entry + 6)
    stroke = float(rest_db[now].max() - rest_db[then].mean())

    place = np.rint((centre + grid.first_bin) * _RATIOS).astype(np.int64) - grid.first_bin
    known = (place >= _REACH) & (place < bins - _REACH)
    columns = np.where(known[:, None], place[:, None] + _OFFSETS, 0)
    kin = np.where(known[:, None], _db(power[:, columns].max(axis=2)).T, np.float32(-120))
    ratios = np.maximum(kin[:, high].mean(axis=1) - tone[high].mean(), -60)
    gained = kin[:, now].max(axis=1) - kin[:, then].mean(axis=1)
    siblings = float(np.sum(np.clip((gained - 6) / 12, 0, 1)[ratios > -40]))

    third = max(high.size // 3, 1)
    hold = float(rest_db[high[:third]].max() - rest_db[high[-third:]].min())
    return Features(
        frequency_hz=frequency,
        peak_dbfs=float(level_dbfs.max()),
        start_s=grid.time_s(first_frame + int(audible[0])),
        duration_s=float(audible[-1] - audible[0] + 1) * hop_s,
        steady_s=high.size * hop_s,
        wander_cents=wander,
        drift_cents=drift_cents,
        stand_off_db=_middle(tone[high] - near_db[high]),
        dominance_db=_middle(dominance),
        best_dominance_db=float(dominance.max()),
        over_before_db=over_before,
        rise_db=rise_db,
        growth_db_per_s=growth,
        rise_s=float(rise_s),
        bend_db=bend,
        curve_db=curve,
        straight_db=straight_db,
        straight_s=straight_s,
        plateau_slope_db_per_s=plateau_slope / hop_s,
        plateau_ripple_db=ripple,
        stroke_db=stroke,
        harmonic_db=float(ratios[:3].max()),
        partner_db=float(ratios[3:].max()),
        siblings=siblings,
        hold_db=hold,
    )
