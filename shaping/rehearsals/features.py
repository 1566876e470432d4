"""What is measured of one steady tone, to tell a howl from a note.

Every measure is a plain number on the power spectra around the tone, from a second before it to
a little after. Levels are in dB, times in seconds.

A howl grows along a straight line in dB out of what the loop holds, until something limits it,
then stays; its frequency is the loop's, which may drift slowly but neither trembles nor glides;
it brings no family of harmonics that start with it, no stroke of its own, and goes on when the
playing stops. A note starts faster than the frames resolve or along a line that bends, together
with its harmonics, and falls.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from shaping.rehearsals.frames import MARGIN_BINS, Grid
from shaping.rehearsals.rises import growth, middle, steadiness, straight_rises, trend

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
    tremble_bins : float
        Middle change of the frequency's slope from frame to frame while it is loud.
    wander_cents : float
        Spread of the frequency while it is loud, slow drift removed.
    drift_cents : float
        Change of frequency over the tone.
    off_scale_cents : float
        Distance from the nearest note, A4 = 440 Hz.
    stand_off_db : float
        Level over the bins around it while loud.
    before_stand_off_db : float
        The same in the second before it rises: what the loop rings with already.
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
    jump_db : float
        Greatest step of the rise from frame to frame.
    straight_db, straight_s, straight_db_per_s : float
        Height, length and slope of the highest straight line that ends near the plateau.
    straight_share : float
        How much of the rise that line makes up.
    line_db, line_db_per_s : float
        Height and slope of the highest line when twice as much deviation is allowed: growth that
        other sounds disturb.
    line_jump : float
        Greatest step of that line from frame to frame over its mean step: a tone that is turned up
        click by click jumps, a loop grows evenly.
    straight_curve_db : float
        How far the middle third of the straight line lies above its ends (a fade along a line of
        amplitude: 2 dB).
    plateau_slope_db_per_s : float
        Slope after the rise.
    plateau_ripple_db : float
        Spread after the rise, slope removed.
    fall_db_per_s : float
        How fast it went when it ended.
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
    second_dominance_db : float
        Level while loud over everything else but the strongest other tone: of two howls neither
        stands over the other.
    spread_stroke_db : float
        How much the mean level in dB over the whole band rises together with the tone: a stroke
        raises it, another howl does not.
    line_flat : float
        Share of that line (`line_db`) on which the level stands still: a staircase, no growth.
    """

    frequency_hz: float
    peak_dbfs: float
    start_s: float
    duration_s: float
    steady_s: float
    tremble_bins: float
    wander_cents: float
    drift_cents: float
    off_scale_cents: float
    stand_off_db: float
    before_stand_off_db: float
    dominance_db: float
    best_dominance_db: float
    over_before_db: float
    rise_db: float
    growth_db_per_s: float
    rise_s: float
    bend_db: float
    curve_db: float
    jump_db: float
    straight_db: float
    straight_s: float
    straight_db_per_s: float
    straight_share: float
    line_db: float
    line_db_per_s: float
    line_jump: float
    straight_curve_db: float
    plateau_slope_db_per_s: float
    plateau_ripple_db: float
    fall_db_per_s: float
    stroke_db: float
    harmonic_db: float
    partner_db: float
    siblings: float
    hold_db: float
    second_dominance_db: float
    spread_stroke_db: float
    line_flat: float

    def as_array(self) -> NDArray[np.float64]:
        """Return the values in the order of the fields."""
        return np.array([getattr(self, name) for name in NAMES], dtype=np.float64)


NAMES = tuple(field.name for field in fields(Features))

_LONGEST_RISE_FRAMES = 140

_RATIOS = np.array([2.0, 3.0, 4.0, 1 / 3, 1 / 2, 2 / 3, 3 / 2])
_REACH = np.array([2, 3, 3, 1, 1, 1, 1])
_OFFSETS = np.clip(np.arange(-3, 4), -_REACH[:, None], _REACH[:, None])
"""Bins looked at around each ratio: more where an error of the frequency is multiplied."""

_SPREAD_STEP = 4
"""Bins apart at which the whole band is looked at: as wide as the window's main lobe."""

_AROUND = np.arange(-MARGIN_BINS, MARGIN_BINS + 1)
_OWN = slice(MARGIN_BINS - 3, MARGIN_BINS + 4)
_TIP = slice(MARGIN_BINS - 1, MARGIN_BINS + 2)


def measure(
    frame: NDArray[np.int64],
    position: NDArray[np.float32],
    level_dbfs: NDArray[np.float32],
    power: NDArray[np.float32],
    total: NDArray[np.float32],
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
    total : ndarray of float32, shape (frames,)
        Sums of `power` over frequency.
    first_frame : int
        Frame number of the first row of `power`.
    grid : Grid
        The grid of `power`.
    """
    hop_s = grid.hop_s
    top = level_dbfs.size - 1 - level_dbfs.size // 10
    top_dbfs = float(np.partition(level_dbfs, top)[top])
    loud = level_dbfs >= top_dbfs - 6
    weight = 10 ** (np.minimum(level_dbfs[loud], top_dbfs) / 10)
    centre = float(np.sum(weight * position[loud]) / weight.sum())
    line = _Line.of(power, total, frame - first_frame, position, loud)
    high = line.high
    duration_s = (line.audible[1] - line.audible[0] + 1) * hop_s
    foot = line.foot()
    ahead = slice(max(line.first - round(CONTEXT_S / hop_s), 0), max(foot, 1))
    over_before = line.top_db - float(line.tone_db[ahead].max())
    kin = _kin_db(power, centre, grid)
    ratios = np.maximum(kin[:, high].mean(axis=1) - line.tone_db[high].mean(), -60)

    rise = line.tone_db[foot : line.peak + 1]
    slope_db_per_s, bend, curve = growth(rise[int(np.argmax(rise >= line.top_db - 15)) :], hop_s)
    climb = line.tone_db[max(line.peak - _LONGEST_RISE_FRAMES, 0) : line.peak + 1]
    straight, loose = straight_rises(climb, line.top_db, hop_s)
    slope, ripple = trend(line.tone_db[line.peak : int(high[-1]) + 1], spread_if_short=3.0)
    frequency_hz = (centre + grid.first_bin) * grid.bin_hz
    cents_per_bin = 1200 / np.log(2) / max(centre + grid.first_bin, 1.0)
    tremble, wander, drift = steadiness(frame[loud], position[loud])
    dominance = (line.tone_db - line.rest_db)[high]
    after = line.tone_db[int(high[-1]) :]
    cents = 1200 * np.log2(frequency_hz / 440.0)
    height = float(rise[-1] - rise[0])

    # Everything else before and after the moment the tone gets within 12 dB of its plateau.
    entry = foot + int(np.argmax(rise >= line.top_db - 12))
    then, now = slice(max(entry - 8, 0), max(entry - 3, 1)), slice(entry, entry + 6)
    gained = kin[:, now].max(axis=1) - kin[:, then].mean(axis=1)
    third = max(high.size // 3, 1)
    return Features(
        frequency_hz=frequency_hz,
        peak_dbfs=float(level_dbfs.max()),
        start_s=grid.time_s(first_frame + line.audible[0]),
        duration_s=duration_s,
        steady_s=high.size * hop_s,
        tremble_bins=tremble,
        wander_cents=wander * cents_per_bin,
        drift_cents=drift * cents_per_bin,
        off_scale_cents=abs(cents - 100 * round(cents / 100)),
        stand_off_db=middle((line.tone_db - line.near_db)[high]),
        before_stand_off_db=float(np.mean((line.tone_db - line.near_db)[ahead])),
        dominance_db=middle(dominance),
        best_dominance_db=float(dominance.max()),
        over_before_db=over_before,
        rise_db=height,
        growth_db_per_s=slope_db_per_s,
        rise_s=(float(rise[-1]) - max(float(rise[0]), line.top_db - 15))
        / max(slope_db_per_s, 1e-3),
        bend_db=bend,
        curve_db=curve,
        jump_db=float(np.diff(rise).max()) if rise.size > 1 else 30.0,
        straight_db=straight[0],
        straight_s=straight[1],
        straight_db_per_s=straight[0] / max(straight[1] - hop_s, hop_s),
        straight_share=straight[0] / max(height, 1.0),
        line_db=loose[0],
        line_db_per_s=loose[0] / max(loose[1] - hop_s, hop_s),
        line_jump=loose[3],
        straight_curve_db=straight[2],
        plateau_slope_db_per_s=slope / hop_s,
        plateau_ripple_db=ripple,
        fall_db_per_s=float(after[0] - after.min()) / (max(int(after.argmin()), 1) * hop_s),
        stroke_db=float(line.rest_db[now].max() - line.rest_db[then].mean()),
        harmonic_db=float(ratios[:3].max()),
        partner_db=float(ratios[3:].max()),
        siblings=float(np.sum(np.clip((gained - 6) / 12, 0, 1)[ratios > -40])),
        hold_db=float(line.rest_db[high[:third]].max() - line.rest_db[high[-third:]].min()),
        second_dominance_db=_second_dominance(line, power, centre),
        spread_stroke_db=_spread_db(power[now]) - _spread_db(power[then]),
        line_flat=loose[4],
    )


@dataclass(frozen=True, eq=False)
class _Line:
    """A tone's own line through the spectra, its surroundings, and its landmarks (rows).

    `top_db` is the level it reaches for a tenth of its time, `peak` the first row near that,
    `high` the rows within 6 dB of it, `audible` the first and last within 20 dB.
    """

    tone_db: NDArray[np.float32]
    near_db: NDArray[np.float32]
    rest_db: NDArray[np.float32]
    first: int
    top_db: float
    peak: int
    high: NDArray[np.int64]
    audible: tuple[int, int]

    @classmethod
    def of(
        cls,
        power: NDArray[np.float32],
        total: NDArray[np.float32],
        row: NDArray[np.int64],
        position: NDArray[np.float32],
        loud: NDArray[np.bool_],
    ) -> _Line:
        # Follows the drift while loud; before and after that the frequency stands still.
        rows = np.arange(power.shape[0])
        column = np.rint(np.interp(rows, row[loud], position[loud])).astype(np.int64)
        bins = power.shape[1]
        columns = np.minimum(np.maximum(column[:, None] + _AROUND, 0), bins - 1)
        around = power.reshape(-1).take((rows * bins)[:, None] + columns)
        own = around[:, _OWN].sum(axis=1)
        near = (around.sum(axis=1) - own) / (2 * (MARGIN_BINS - 3))
        tone_db = _db(around[:, _TIP].max(axis=1))
        first, last = int(row[0]), int(row[-1])
        inside = tone_db[first : last + 1]
        place = inside.size - 1 - inside.size // 10
        top_db = float(np.partition(inside, place)[place])
        high = np.flatnonzero(inside >= top_db - 6) + first
        audible = np.flatnonzero(inside >= top_db - 20) + first
        return cls(
            tone_db=tone_db,
            near_db=_db(np.maximum(near, 0)),
            rest_db=_db(np.maximum(total - own, 0) / np.float32(_HANN_POWER)),
            first=first,
            top_db=top_db,
            peak=int(np.argmax(inside >= top_db - 2)) + first,
            high=high,
            audible=(int(audible[0]), int(audible[-1])),
        )

    def foot(self) -> int:
        """Return the last row before the plateau 25 dB below it, or else at its lowest."""
        before = self.tone_db[: self.peak + 1]
        below = np.flatnonzero(before <= max(float(before.min()) + 2.0, self.top_db - 25.0))
        return int(below[-1])


def _second_dominance(line: _Line, power: NDArray[np.float32], centre: float) -> float:
    """Level over the rest without its strongest tone, in the middle of a dozen loud rows."""
    rows = line.high[:: max(line.high.size // 12, 1)]
    spectra = power[rows]
    own = round(centre)
    spectra[:, max(own - 3, 0) : own + 4] = 0
    other = np.minimum(spectra.argmax(axis=1)[:, None] + np.arange(-3, 4), spectra.shape[1] - 1)
    tone = np.take_along_axis(spectra, np.maximum(other, 0), axis=1).sum(axis=1)
    rest = _db(np.maximum(spectra.sum(axis=1) - tone, 0) / np.float32(_HANN_POWER))
    return middle(line.tone_db[rows] - rest)


def _spread_db(power: NDArray[np.float32]) -> float:
    """Return the mean level of some of the bins, in dB."""
    return float(_db(power[:, ::_SPREAD_STEP]).mean())


def _db(power: NDArray[np.float32]) -> NDArray[np.float32]:
    level: NDArray[np.float32] = np.float32(10) * np.log10(power + np.float32(1e-12))
    return level


def _kin_db(power: NDArray[np.float32], centre: float, grid: Grid) -> NDArray[np.float32]:
    """Levels at simple ratios of the frequency, shape (ratios, frames)."""
    place = np.rint((centre + grid.first_bin) * _RATIOS).astype(np.int64) - grid.first_bin
    known = (place >= _REACH) & (place < power.shape[1] - _REACH)
    columns = np.where(known[:, None], place[:, None] + _OFFSETS, 0)
    kin: NDArray[np.float32] = np.where(
        known[:, None], _db(power[:, columns].max(axis=2)).T, np.float32(-120)
    )
    return kin
