"""Growths and falls: stretches in which a steady tone rises or falls in a straight line in dB.

These are the raw findings that `shaping.analysis.rings` weighs and merges into rings. Nothing
here decides; every growth carries the measures by which a howl differs from music and speech.

A fall is a growth with time reversed, and is found that way. A capture is looked at twice: with a
short window, which follows fast growth at any frequency, and with a long one, which tells a ring
from its neighbours and from music earlier in its growth.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from shaping.analysis.likelihood import CONSIDERED, best_likelihood
from shaping.analysis.lines import fit_line, sliding_lines, steepest_straight
from shaping.analysis.ridges import Peaks, Ridge, find_peaks, neighbourhood_db, steady_ridges
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

MIN_FALL_DB, MIN_FALL_S = 15.0, 0.2
"""Falls smaller or shorter than this tell nothing: every sound ends."""

_RIDGE_CONTRAST_DB = 15.0
_LINE_FRAMES = (8, 12, 18, 27, 40, 60, 90, 135)
_HELD_S = 0.4
_FAMILY = (2.0, 3.0, 4.0, 0.5, 1 / 3, 1.5, 2 / 3)


@dataclass(frozen=True, slots=True)
class _View:
    """One way of looking: window and hop in seconds, and the frequencies looked at."""

    window_s: float
    hop_s: float
    low_hz: float
    high_hz: float


_VIEWS = (_View(0.085, 0.015, 100.0, 12_000.0), _View(0.25, 0.020, 35.0, 6_000.0))


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
    contrast_db, contrast_before_db : float
        Height over the neighbouring spectrum at the end and at the start of the rise.
    held_db : float
        Mean level in the 0.4 s after the rise, relative to its end. Near 0: it stayed.
    family : int
        Tones at simple ratios of its frequency that rose along with it, as partials of a note do.
    partials : int
        Harmonics, second to fifth, that stood out two thirds up the rise: a note.
    overtones : int
        Harmonics, second to fifth, that stood out when it was loudest: a note, or a clipped howl.
    stood_until_s : float
        When it stopped standing out.
    peak_db : float
        Highest level from the start until then.
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
    contrast_before_db: float
    held_db: float
    family: int
    partials: int
    overtones: int
    stood_until_s: float
    peak_db: float
    share_db: float

    @property
    def rise_db(self) -> float:
        """Height of the rise in dB."""
        return self.slope_db_per_s * (self.stop_s - self.start_s)

    def same_pitch(self, other: Growth) -> bool:
        """Tell whether two frequencies cannot be told apart."""
        apart = abs(self.frequency_hz - other.frequency_hz)
        doubt = 2 * math.hypot(self.frequency_error_hz, other.frequency_error_hz)
        return apart <= max(1.0, 0.002 * self.frequency_hz, min(doubt, 4.0))

    def later(self, shift_s: float) -> Growth:
        """Return the same growth on a clock that started `shift_s` earlier."""
        return replace(
            self,
            start_s=self.start_s + shift_s,
            stop_s=self.stop_s + shift_s,
            stood_until_s=self.stood_until_s + shift_s,
        )

    def reversed(self, duration_s: float) -> Growth:
        """Return what it is when a capture of this duration is played backwards: a fall."""
        return replace(
            self,
            start_s=duration_s - self.stop_s,
            stop_s=duration_s - self.start_s,
            stood_until_s=duration_s - self.start_s,
        )


@dataclass(frozen=True, slots=True)
class Slopes:
    """What one stretch of capture shows, in no particular order.

    Attributes
    ----------
    growths : list of Growth
        Rises.
    falls : list of Growth
        Falls as growths: `slope_db_per_s` is the rate of the fall, `start_s` and `stop_s` are in
        order of time, and what a growth holds of its end holds of a fall's loud beginning.
    """

    growths: list[Growth]
    falls: list[Growth]


def find_slopes(samples: NDArray[np.float32], sample_rate_hz: int) -> Slopes:
    """Find the straight-line rises and falls of steady tones in one stretch of capture.

    Memory grows with the stretch (about 1 MB per second), so long captures come in blocks. What
    both windows see is returned twice; what its line alone rules out as a howl is left out.

    Parameters
    ----------
    samples : ndarray of float32, shape (n,)
        One channel.
    sample_rate_hz : int
        Sample rate in Hz.

    Returns
    -------
    Slopes
    """
    slopes = Slopes([], [])
    duration_s = samples.size / sample_rate_hz
    for view in _VIEWS:
        spectrogram = _spectrogram(samples, sample_rate_hz, view)
        peaks = find_peaks(spectrogram, min_contrast_db=MIN_CONTRAST_DB, min_level_db=MIN_LEVEL_DB)
        tracks = _tracks(spectrogram, peaks, view)
        slopes.growths.extend(_growths(tracks, samples, sample_rate_hz))
        reverse = spectrogram.reversed(duration_s)
        tracks = _tracks(reverse, peaks.reversed(reverse.time_s.size), view)
        slopes.falls.extend(
            fall.reversed(duration_s)
            for fall in _growths(tracks, samples[::-1], sample_rate_hz, backwards=True)
        )
    return slopes


def _spectrogram(samples: NDArray[np.float32], sample_rate_hz: int, view: _View) -> Spectrogram:
    step = max(int(sample_rate_hz / (2.6 * view.high_hz)), 1)
    if step > 1:
        samples = np.asarray(signal.resample_poly(samples, 1, step), np.float32)
    return power_spectrogram(
        samples,
        sample_rate_hz / step,
        window_s=view.window_s,
        hop_s=view.hop_s,
        max_frequency_hz=view.high_hz,
    )


def _tracks(spectrogram: Spectrogram, peaks: Peaks, view: _View) -> list[_Track]:
    ridges = steady_ridges(
        peaks, spectrogram, min_contrast_db=_RIDGE_CONTRAST_DB, min_rise_db=MIN_RISE_DB - 2
    )
    return [_track(spectrogram, peaks, r) for r in ridges if r.frequency_hz >= view.low_hz]


def _worth_measuring(track: _Track, first: int, last: int) -> bool:
    """Tell whether a fall is long and lone; music is full of others, and each costs time."""
    deep = track.level_db[last] - track.level_db[first] >= MIN_FALL_DB
    long = (last - first) * track.hop_s >= MIN_FALL_S
    middle = first + 2 * (last - first) // 3
    return bool(deep and long and _overtones(track, track.frequency_hz, middle, 35.0) == 0)


def _growths(
    tracks: Sequence[_Track],
    samples: NDArray[np.float32],
    sample_rate_hz: int,
    *,
    backwards: bool = False,
) -> Iterator[Growth]:
    for track, first, last in _rises(tracks):
        if backwards and not _worth_measuring(track, first, last):
            continue
        growth = _measure(track, first, last, samples, sample_rate_hz)
        if growth is not None:
            yield growth


@dataclass(frozen=True, eq=False)
class _Track:
    """Level at a ridge's frequency, from before it began to after it ended."""

    spectrogram: Spectrogram
    peaks: Peaks
    begin: int
    place: int
    frequency_hz: float
    level_db: NDArray[np.float64]
    standing: NDArray[np.bool_]

    @property
    def hop_s(self) -> float:
        return self.spectrogram.hop_s

    def time_s(self, index: int) -> float:
        return float(self.spectrogram.time_s[self.begin + index])


def _track(spectrogram: Spectrogram, peaks: Peaks, ridge: Ridge) -> _Track:
    first, last = int(ridge.frame[0]), int(ridge.frame[-1])
    begin = max(first - min(last - first + 1, _LINE_FRAMES[-1] // 2), 0)
    end = last + 1 + round(_HELD_S / spectrogram.hop_s)
    offset = ridge.frequency_hz / spectrogram.bin_hz
    place = min(int(offset), spectrogram.frequency_hz.size - 2)
    around = spectrogram.power_db[begin:end, place : place + 2]
    level = around.max(axis=1).astype(np.float64)
    standing = np.zeros(level.size, np.bool_)
    standing[ridge.frame - begin] = True
    return _Track(
        spectrogram=spectrogram,
        peaks=peaks,
        begin=begin,
        place=round(offset),
        frequency_hz=ridge.frequency_hz,
        level_db=level + float(hann_scalloping_db(np.array(offset - round(offset)))),
        standing=standing,
    )


def _rises(tracks: Sequence[_Track]) -> Iterator[tuple[_Track, int, int]]:
    """Yield a track with first and last index of a line, for the best lines, none overlapping."""
    if not tracks:
        return
    hop_s = tracks[0].hop_s
    level = np.concatenate([t.level_db for t in tracks])
    seen = np.concatenate([[0], np.cumsum(np.concatenate([t.standing for t in tracks]))])
    sizes = [t.level_db.size for t in tracks]
    owner = np.repeat(np.arange(len(tracks)), sizes)
    begins = np.concatenate([[0], np.cumsum(sizes)])
    parts = []
    for count in _LINE_FRAMES:
        if count > level.size:
            break
        late = count // 2
        lines = sliding_lines(level, hop_s, count)
        rise = lines.slope_db_per_s * ((count - 1) * hop_s)
        present = seen[count:] - seen[count - late : level.size + 1 - late]
        (run,) = np.nonzero(
            (rise >= MIN_RISE_DB)
            & (lines.slope_db_per_s >= MIN_SLOPE_DB_PER_S)
            & (lines.deviation_db <= 0.6 + 0.05 * rise)
            & (present >= 0.7 * late)
            & (owner[: owner.size - count + 1] == owner[count - 1 :])
        )
        score = rise[run] - 4 * lines.deviation_db[run]
        parts.append((owner[run], run, run + count - 1, score))
    owners, firsts, lasts, scores = (np.concatenate(p) for p in zip(*parts, strict=True))
    order = np.lexsort((-scores, owners))
    owners, firsts, lasts = owners[order], firsts[order], lasts[order]
    for index, left in zip(*_spans(owners), strict=True):
        track, start = tracks[index], int(begins[index])
        first, last = firsts[left], lasts[left]
        while first.size:
            begin, end = int(first[0]) - start, int(last[0]) - start
            stretch = track.level_db[begin : end + 1]
            low, high = steepest_straight(stretch, hop_s, min_length=_LINE_FRAMES[0])
            yield track, begin + low, begin + high
            apart = (last < first[0]) | (first > last[0])
            first, last = first[apart], last[apart]


def _spans(sorted_keys: NDArray[np.int64]) -> tuple[list[int], list[slice]]:
    """Return the distinct keys and where each one's run lies."""
    keys, begins = np.unique(sorted_keys, return_index=True)
    edges = [*begins.tolist(), sorted_keys.size]
    return keys.tolist(), [slice(a, b) for a, b in pairwise(edges)]


def _measure(
    track: _Track,
    first: int,
    last: int,
    samples: NDArray[np.float32],
    sample_rate_hz: int,
) -> Growth | None:
    hop_s, level = track.hop_s, track.level_db
    slope, deviation = fit_line(level[first : last + 1], hop_s)
    duration_s = (last - first) * hop_s
    if best_likelihood(slope * duration_s, deviation, duration_s) < CONSIDERED:
        return None
    held = level[last : last + 1 + round(_HELD_S / hop_s)]
    kept = int(np.argmax(np.append(held < level[last] - 6, True)))
    tone = refine_tone(
        samples,
        sample_rate_hz,
        track.frequency_hz,
        start_s=track.time_s(first),
        stop_s=track.time_s(last) + 0.75 * kept * hop_s,
    )
    if tone is None or tone.frequency_hz <= 0:
        return None
    until = _stands_until(track, last)
    top = first + int(level[first : until + 1].argmax())
    power_db = track.spectrogram.power_db
    near = slice(max(track.place - 40, 0), track.place + 41)
    around = neighbourhood_db(power_db[[track.begin + first, track.begin + last], near])
    around = around[:, track.place - near.start]
    return Growth(
        frequency_hz=tone.frequency_hz,
        frequency_error_hz=tone.error_hz,
        wander_hz=tone.wander_hz,
        start_s=track.time_s(first),
        stop_s=track.time_s(last),
        slope_db_per_s=slope,
        deviation_db=deviation,
        contrast_db=float(level[last] - around[1]),
        contrast_before_db=float(level[first] - around[0]),
        held_db=float(held.mean() - level[last]),
        family=_family(track, tone.frequency_hz, first, last),
        partials=_overtones(track, tone.frequency_hz, first + 2 * (last - first) // 3, 35.0),
        overtones=_overtones(track, tone.frequency_hz, top, 50.0),
        stood_until_s=track.time_s(until),
        peak_db=float(level[top]),
        share_db=float(level[top] - power_db[track.begin + top].max()),
    )


def _stands_until(track: _Track, last: int) -> int:
    """Return the last index at which it stands out, gaps up to 0.2 s allowed."""
    later = np.flatnonzero(track.standing[last:]) + last
    if later.size == 0:
        return last
    breaks = np.flatnonzero(np.diff(later) * track.hop_s > 0.2)
    return int(later[breaks[0]] if breaks.size else later[-1])


def _family(track: _Track, frequency_hz: float, first: int, last: int) -> int:
    """Count the tones at simple ratios that rose along in the same stretch.

    Looked at two thirds up the rise: a howl has no partials before it clips.
    """
    middle = first + 2 * (last - first) // 3
    level_db = track.level_db[middle]
    risen = level_db - track.level_db[first]
    before_db = track.spectrogram.power_db[track.begin + first]
    count = 0
    for ratio in _FAMILY:
        height = _peak_near(track, middle, ratio * frequency_hz, 0.5 * max(ratio, 0.7))
        if height is None or height < level_db - 35:
            continue
        place = round(ratio * frequency_hz / track.spectrogram.bin_hz)
        count += bool(height - before_db[min(place, before_db.size - 1)] > 0.5 * risen)
    return count


def _overtones(track: _Track, frequency_hz: float, index: int, within_db: float) -> int:
    """Count the harmonics, second to fifth, that stand out at one time."""
    least_db = track.level_db[index] - within_db
    heights = (_peak_near(track, index, n * frequency_hz, 0.5) for n in (2, 3, 4, 5))
    return sum(height is not None and height > least_db for height in heights)


def _peak_near(track: _Track, index: int, frequency_hz: float, within_bins: float) -> float | None:
    """Return the level of the highest peak near a frequency at one time, if there is one."""
    peaks = track.peaks.in_frame(track.begin + index)
    distance = np.abs(track.peaks.frequency_hz[peaks] - frequency_hz)
    near = distance < within_bins * track.spectrogram.bin_hz
    return float(track.peaks.level_db[peaks][near].max()) if near.any() else None
