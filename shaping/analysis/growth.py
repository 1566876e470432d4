"""Growths: stretches in which a tone of fixed frequency rises in a straight line in dB.

These are the raw findings that `shaping.analysis.rings` weighs and merges into rings. Nothing
here decides; every growth carries the measures by which a howl differs from music and speech.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.lines import fit_line, sliding_lines
from shaping.analysis.ridges import Peaks, find_peaks, link, neighbourhood_db
from shaping.analysis.spectra import Spectrogram, hann_scalloping_db, power_spectrogram
from shaping.analysis.tones import refine_tone

MIN_CONTRAST_DB = 10.0
"""A peak stands out when it is this far over the mean level of its neighbourhood."""

MIN_LEVEL_DB = -95.0
"""Peaks below this are left alone: no ring-out is that quiet."""

MIN_RISE_DB = 8.0
"""Growths smaller than this are within the ordinary unrest of any sound."""

MIN_SLOPE_DB_PER_S = 3.0
"""Slower growth is an engineer's hand or the weather."""

_RIDGE_FRAMES = 7
_RIDGE_CONTRAST_DB = 15.0
_RIDGE_SPREAD_HZ = 1.5
_LINE_FRAMES = (8, 12, 18, 27, 40, 60, 90, 135)
_HELD_S = 0.4
_FAMILY = (2.0, 3.0, 4.0, 0.5, 1 / 3, 1.5, 2 / 3)


@dataclass(frozen=True, slots=True)
class Growth:
    """One straight-line rise of one tone.

    Attributes
    ----------
    frequency_hz, frequency_error_hz, wander_hz : float
        As in `shaping.analysis.tones.Tone`, over the rise and a little beyond.
    start_s, stop_s : float
        When it rose.
    slope_db_per_s, deviation_db : float
        Least-squares line through its level, and the root-mean-square distance from it.
    contrast_db : float
        Height over the neighbouring spectrum at the end of the rise.
    held_db : float
        Mean level in the 0.4 s after the rise, relative to its end. Near 0: it stayed.
    family : int
        Tones at simple ratios of its frequency that rose along with it, as partials of a note do.
    stood_until_s : float
        When it stopped standing out.
    peak_db : float
        Highest level from the start until then.
    decay_db_per_s : float or None
        Rate of its fall afterwards, where one was seen.
    share_db : float
        Peak level relative to the loudest peak of any frequency in the same frame.
    """

    frequency_hz: float
    frequency_error_hz: float
    wander_hz: float
    start_s: float
    stop_s: float
    slope_db_per_s: float
    deviation_db: float
    contrast_db: float
    held_db: float
    family: int
    overtones: int
    contrast_before_db: float
    stood_until_s: float
    peak_db: float
    decay_db_per_s: float | None
    share_db: float

    @property
    def rise_db(self) -> float:
        """Height of the rise in dB."""
        return self.slope_db_per_s * (self.stop_s - self.start_s)

    def later(self, shift_s: float) -> Growth:
        """Return the same growth on a clock that started `shift_s` earlier."""
        return replace(
            self,
            start_s=self.start_s + shift_s,
            stop_s=self.stop_s + shift_s,
            stood_until_s=self.stood_until_s + shift_s,
        )


@dataclass(frozen=True, eq=False)
class _Tracks:
    """Levels at candidate frequencies: arrays of shape (candidates, frames)."""

    spectrogram: Spectrogram
    peaks: Peaks
    frequency_hz: NDArray[np.float64]
    level_db: NDArray[np.float64]
    standing: NDArray[np.bool_]
    place: NDArray[np.int64]

    @property
    def hop_s(self) -> float:
        return self.spectrogram.hop_s


def find_growths(samples: NDArray[np.float32], sample_rate_hz: int) -> list[Growth]:
    """Find the straight-line rises of steady tones in one stretch of capture.

    Memory grows with the stretch (about 1 MB per second), so long captures come in blocks.

    Parameters
    ----------
    samples : ndarray of float32, shape (n,)
        One channel.
    sample_rate_hz : int
        Sample rate in Hz.

    Returns
    -------
    list of Growth
        In no particular order.
    """
    tracks = _track(power_spectrogram(samples, sample_rate_hz))
    if tracks is None:
        return []
    found = []
    for candidate, *stretch in _rises(tracks):
        first, last = _straightest(tracks.level_db[candidate], stretch[0], stretch[1], tracks.hop_s)
        growth = _measure(tracks, candidate, first, last, samples, sample_rate_hz)
        if growth is not None:
            found.append(growth)
    return found


def _track(spectrogram: Spectrogram) -> _Tracks | None:
    peaks = find_peaks(spectrogram, min_contrast_db=MIN_CONTRAST_DB, min_level_db=MIN_LEVEL_DB)
    ridge = link(peaks, max_step_hz=0.3 * spectrogram.bin_hz)
    steady = _steady(peaks, ridge)
    if not steady.any():
        return None
    frame, frequency, level = (
        peaks.frame[steady],
        peaks.frequency_hz[steady],
        peaks.level_db[steady],
    )
    _, candidate = np.unique(
        np.round(2 * frequency / spectrogram.bin_hz).astype(np.int64), return_inverse=True
    )
    weight = 10 ** (level / 10)
    centre = np.bincount(candidate, weight * frequency) / np.bincount(candidate, weight)
    place = np.floor(centre / spectrogram.bin_hz).astype(np.int64)
    place = np.clip(place, 0, spectrogram.frequency_hz.size - 2)
    power_db = spectrogram.power_db.T
    track = np.maximum(power_db[place], power_db[place + 1]).astype(np.float64)
    offset = centre / spectrogram.bin_hz
    track += hann_scalloping_db(offset - np.round(offset))[:, None]
    standing = np.zeros(track.shape, np.bool_)
    standing[candidate, frame] = True
    return _Tracks(spectrogram, peaks, centre, track, standing, np.round(offset).astype(np.int64))


def _steady(peaks: Peaks, ridge: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Mark the peaks of ridges long, tall and level enough in pitch to belong to a howl."""
    if ridge.size == 0:
        return np.zeros(0, np.bool_)
    frames = np.bincount(ridge)
    contrast = np.zeros(frames.size)
    np.maximum.at(contrast, ridge, peaks.contrast_db)
    weight = 10 ** (peaks.level_db / 10)
    total = np.maximum(np.bincount(ridge, weight), 1e-30)
    mean = np.bincount(ridge, weight * peaks.frequency_hz) / total
    square = weight * (peaks.frequency_hz - mean[ridge]) ** 2
    spread = np.sqrt(np.bincount(ridge, square) / total)
    good = (frames >= _RIDGE_FRAMES) & (contrast >= _RIDGE_CONTRAST_DB)
    good &= spread <= _RIDGE_SPREAD_HZ
    return np.asarray(good[ridge])


def _rises(tracks: _Tracks) -> list[tuple[int, int, int]]:
    """Return candidate, first and last frame of the best lines, none overlapping."""
    level, hop_s = tracks.level_db, tracks.spectrogram.hop_s
    frames = level.shape[1]
    seen: NDArray[np.int64] = np.cumsum(np.pad(tracks.standing, ((0, 0), (1, 0))), axis=1)
    best = np.zeros(level.shape)
    length = np.zeros(level.shape, np.int64)
    for count in _LINE_FRAMES:
        if count > frames:
            break
        late = count // 2
        rows = np.flatnonzero(seen[:, -1] >= 0.7 * late)
        if rows.size == 0:
            break
        lines = sliding_lines(level[rows], hop_s, count)
        rise = lines.slope_db_per_s * ((count - 1) * hop_s)
        present = seen[rows, count:] - seen[rows, count - late : frames + 1 - late]
        good = (
            (rise >= MIN_RISE_DB)
            & (lines.slope_db_per_s >= MIN_SLOPE_DB_PER_S)
            & (lines.deviation_db <= 0.6 + 0.05 * rise)
            & (present >= 0.7 * late)
        )
        row, run = np.nonzero(good)
        score = rise[row, run] - 4 * lines.deviation_db[row, run]
        row, end = rows[row], run + count - 1
        better = score > best[row, end]
        row, end = row[better], end[better]
        best[row, end] = score[better]
        length[row, end] = count
    found = []
    for candidate in np.flatnonzero(best.max(axis=1) > 0):
        row, lengths = best[candidate], length[candidate]
        begins = np.arange(frames) - lengths + 1
        while row.max() > 0:
            last = int(row.argmax())
            first = int(begins[last])
            found.append((int(candidate), first, last))
            row[(begins <= last) & (np.arange(frames) >= first)] = 0.0
    return found


def _straightest(
    level: NDArray[np.float64], first: int, last: int, hop_s: float
) -> tuple[int, int]:
    """Trim a rise to its steepest straight part: no floor before it, no ceiling after it."""
    count = max((last - first + 1) // 2, _LINE_FRAMES[0])
    stretch = level[first : last + 1]
    lines = sliding_lines(stretch, hop_s, count)
    score = lines.slope_db_per_s - 2 * lines.deviation_db / (count * hop_s)
    begin = int(score.argmax())
    middle = begin + (count - 1) / 2
    time = np.arange(stretch.size)
    line = stretch[begin : begin + count].mean()
    line = line + lines.slope_db_per_s[begin] * hop_s * (time - middle)
    allowed_db = max(2.0, 2.5 * float(lines.deviation_db[begin]))
    off = np.abs(stretch - line) > allowed_db
    off[begin : begin + count] = False
    before, after = np.flatnonzero(off[:begin]), np.flatnonzero(off[begin:])
    start = int(before[-1]) + 1 if before.size else 0
    stop = begin + int(after[0]) - 1 if after.size else stretch.size - 1
    return first + start, first + stop


def _measure(
    tracks: _Tracks,
    candidate: int,
    first: int,
    last: int,
    samples: NDArray[np.float32],
    sample_rate_hz: int,
) -> Growth | None:
    spectrogram = tracks.spectrogram
    time, hop_s = spectrogram.time_s, spectrogram.hop_s
    level = tracks.level_db[candidate]
    held = level[last : last + 1 + round(_HELD_S / hop_s)]
    kept = int(np.argmax(np.append(held < level[last] - 6, True)))
    tone = refine_tone(
        samples,
        sample_rate_hz,
        float(tracks.frequency_hz[candidate]),
        start_s=float(time[first]),
        stop_s=float(time[last]) + 0.75 * kept * hop_s,
    )
    if tone is None or tone.frequency_hz <= 0:
        return None
    slope, deviation = fit_line(level[first : last + 1], hop_s)
    until = _stands_until(tracks, candidate, last)
    top = first + int(level[first : until + 1].argmax())
    place = tracks.place[candidate]
    around = neighbourhood_db(spectrogram.power_db[[first, last]])[:, place]
    return Growth(
        frequency_hz=tone.frequency_hz,
        frequency_error_hz=tone.error_hz,
        wander_hz=tone.wander_hz,
        start_s=float(time[first]),
        stop_s=float(time[last]),
        slope_db_per_s=slope,
        deviation_db=deviation,
        contrast_db=float(level[last] - around[1]),
        held_db=float(held.mean() - level[last]),
        family=_family(tracks, tone.frequency_hz, level, first, last),
        overtones=_overtones(tracks, tone.frequency_hz, float(level[top]), top),
        contrast_before_db=float(level[first] - around[0]),
        stood_until_s=float(time[until]),
        peak_db=float(level[top]),
        decay_db_per_s=_decay(level, until, hop_s),
        share_db=float(level[top] - spectrogram.power_db[top].max()),
    )


def _stands_until(tracks: _Tracks, candidate: int, last: int) -> int:
    """Return the last frame in which it stands out, gaps up to 0.1 s allowed."""
    allowed = max(round(0.1 / tracks.spectrogram.hop_s), 1)
    frames = np.flatnonzero(tracks.standing[candidate, last:]) + last
    if frames.size == 0:
        return last
    breaks = np.flatnonzero(np.diff(frames) > allowed)
    return int(frames[breaks[0]] if breaks.size else frames[-1])


def _decay(level: NDArray[np.float64], until: int, hop_s: float) -> float | None:
    """Return the steepest fall over 0.12 s around the end of standing out."""
    count = 8
    stretch = level[max(until - 30, 0) : until + 15]
    if stretch.size < count:
        return None
    lines = sliding_lines(stretch, hop_s, count)
    steepest = int(lines.slope_db_per_s.argmin())
    slope = float(lines.slope_db_per_s[steepest])
    return -slope if slope < -20 and lines.deviation_db[steepest] < 2.0 else None


def _family(
    tracks: _Tracks, frequency_hz: float, level: NDArray[np.float64], first: int, last: int
) -> int:
    """Count the tones at simple ratios that rose along in the same stretch.

    Looked at two thirds up the rise: a howl has no partials before it clips.
    """
    middle = first + 2 * (last - first) // 3
    risen = level[middle] - level[first]
    before_db = tracks.spectrogram.power_db[first]
    count = 0
    for ratio in _FAMILY:
        height = _peak_near(tracks, middle, ratio * frequency_hz, 0.5 * max(ratio, 0.7))
        if height is None or height < level[middle] - 35:
            continue
        place = round(ratio * frequency_hz / tracks.spectrogram.bin_hz)
        count += bool(height - before_db[min(place, before_db.size - 1)] > 0.5 * risen)
    return count


def _overtones(tracks: _Tracks, frequency_hz: float, peak_db: float, top: int) -> int:
    heights = (_peak_near(tracks, top, n * frequency_hz, 0.5) for n in (2, 3, 4, 5))
    return sum(height is not None and height > peak_db - 50 for height in heights)


def _peak_near(
    tracks: _Tracks, frame: int, frequency_hz: float, within_bins: float
) -> float | None:
    """Return the level of the highest peak near a frequency in one frame, if there is one."""
    peaks = tracks.peaks
    lower, upper = np.searchsorted(peaks.frame, [frame, frame + 1])
    distance = np.abs(peaks.frequency_hz[lower:upper] - frequency_hz)
    near = distance < within_bins * tracks.spectrogram.bin_hz
    return float(peaks.level_db[lower:upper][near].max()) if near.any() else None
