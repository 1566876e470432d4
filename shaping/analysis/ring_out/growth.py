"""Growths and falls: stretches in which a steady tone rises or falls in a straight line in dB.

A fall is a growth with time reversed, and is found that way. A capture is looked at twice: with a
short window, which follows fast growth at any frequency, and with a long one, which tells a ring
from its neighbours and from music earlier in its growth.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from shaping.analysis.ring_out.likelihood import CONSIDERED, best_likelihood
from shaping.analysis.ring_out.lines import steepest_slope
from shaping.analysis.ring_out.ridges import (
    Peaks,
    Ridge,
    around_db,
    find_peaks,
    rising,
    steady_ridges,
)
from shaping.analysis.ring_out.slopes import Growth, Slopes
from shaping.analysis.ring_out.tones import refine_tone
from shaping.analysis.ring_out.tracks import HELD_S, MIN_RISE_DB, Lines, Track, follow, rises
from shaping.analysis.spectra import Spectrogram, power_spectrogram

MIN_CONTRAST_DB = 10.0
"""A peak stands out when it is this far over the mean level of its neighbourhood."""

MIN_LEVEL_DB = -95.0
"""Peaks below this are left alone: no ring-out is that quiet."""

MIN_FALL_DB, MIN_FALL_S = 15.0, 0.2
"""Falls smaller or shorter than this tell nothing: every sound ends."""

_RIDGE_CONTRAST_DB = 15.0
"""A choice: half as much again as a peak, for a ridge is an average and surer."""
_SLOW_HZ = 6_000.0  # as far as the long window looks; half the samples and less to turn
_STEEPEST_S = 0.5  # a choice: half a second of a steady rise is a growth and no accident
_FASTER_DB = 6.0
"""A clipped howl's n-th harmonic gains n dB where it gains one; a partial of a note does not."""
_FAMILY = np.array([2.0, 3.0, 4.0, 0.5, 1 / 3, 1.5, 2 / 3])
"""Tones whose partial it may be, or that may be its own."""
_UNDERTONES = np.array([0.5, 1 / 3])  # the tones of which it would be the second or third partial
_FAINT_DB = 20.0  # a choice: a fundamental 20 dB below its partial is another sound
_HARMONICS = np.array([2.0, 3.0, 4.0, 5.0])
"""As far up as the harmonics of a clipped howl stand out."""


@dataclass(frozen=True, slots=True)
class _View:
    """One way of looking: window and hop in seconds, and the frequencies looked at."""

    window_s: float
    hop_s: float
    low_hz: float
    high_hz: float


_VIEWS = (_View(0.085, 0.015, 100.0, 12_000.0), _View(0.25, 0.020, 35.0, 6_000.0))
"""A choice: 85 ms follow fast growth, 250 ms part tones 8 Hz apart."""


def find_slopes(
    samples: NDArray[np.float32], sample_rate_hz: int, *, least_likelihood: float = CONSIDERED
) -> Slopes:
    """Find the straight-line rises and falls of steady tones in one stretch of capture.

    Memory grows with the stretch (about 1 MB per second), so long captures come in blocks. What
    both windows see is returned twice; what its line rules out as a howl is left out.

    Parameters
    ----------
    samples : ndarray of float32, shape (n,)
        One channel.
    sample_rate_hz : int
        Sample rate in Hz.
    least_likelihood : float
        Rises less likely than this to be a howl are left out.

    Returns
    -------
    Slopes
    """
    slopes = Slopes([], [])
    sound = _Sound.of(samples, sample_rate_hz)
    for view in _VIEWS:
        spectrogram = sound.spectrogram(view)
        peaks = find_peaks(spectrogram, min_contrast_db=MIN_CONTRAST_DB, min_level_db=MIN_LEVEL_DB)
        ridges = steady_ridges(peaks, spectrogram, min_contrast_db=_RIDGE_CONTRAST_DB)
        ridges = [r for r in ridges if r.frequency_hz >= view.low_hz]
        rising_tracks = _tracks(spectrogram, peaks, ridges)
        slopes.growths.extend(_growths(rising_tracks, sound, least_likelihood))
        frames = spectrogram.time_s.size
        tracks = _tracks(
            spectrogram.reversed(sound.duration_s),
            peaks.reversed(frames),
            [r.reversed(frames) for r in ridges],
        )
        slopes.falls.extend(
            fall.reversed(sound.duration_s)
            for fall in _growths(tracks, sound.reversed(), least_likelihood, backwards=True)
        )
    return slopes


@dataclass(frozen=True, eq=False)
class _Sound:
    """A stretch of capture at its own sample rate, and at a lower one for what lies low."""

    samples: NDArray[np.float32]
    sample_rate_hz: float
    slow_samples: NDArray[np.float32]
    slow_rate_hz: float

    @classmethod
    def of(cls, samples: NDArray[np.float32], sample_rate_hz: int) -> _Sound:
        slow, slow_rate_hz = _decimated(samples, sample_rate_hz, _SLOW_HZ)
        highest_hz = max(view.high_hz for view in _VIEWS)
        return cls(*_decimated(samples, sample_rate_hz, highest_hz), slow, slow_rate_hz)

    @property
    def duration_s(self) -> float:
        return self.samples.size / self.sample_rate_hz

    def below(self, high_hz: float) -> tuple[NDArray[np.float32], float]:
        """Return the samples that hold everything below a frequency, and their rate."""
        if high_hz <= _SLOW_HZ:
            return self.slow_samples, self.slow_rate_hz
        return self.samples, self.sample_rate_hz

    def spectrogram(self, view: _View) -> Spectrogram:
        samples, rate_hz = self.below(view.high_hz)
        return power_spectrogram(
            samples,
            rate_hz,
            window_s=view.window_s,
            hop_s=view.hop_s,
            max_frequency_hz=view.high_hz,
        )

    def reversed(self) -> _Sound:
        return replace(
            self, samples=self.samples[::-1].copy(), slow_samples=self.slow_samples[::-1].copy()
        )


def _decimated(
    samples: NDArray[np.float32], sample_rate_hz: int, high_hz: float
) -> tuple[NDArray[np.float32], float]:
    step = max(int(sample_rate_hz / (2.6 * high_hz)), 1)
    if step > 1:
        samples = np.asarray(signal.resample_poly(samples, 1, step), np.float32)
    return samples, sample_rate_hz / step


def _tracks(spectrogram: Spectrogram, peaks: Peaks, ridges: list[Ridge]) -> list[Track]:
    louder = rising(ridges, spectrogram, min_rise_db=MIN_RISE_DB - 2)
    return follow(spectrogram, peaks, louder)


def _growths(
    tracks: Sequence[Track],
    sound: _Sound,
    least_likelihood: float,
    *,
    backwards: bool = False,
) -> Iterator[Growth]:
    lines = rises(tracks)
    duration_s = (lines.last - lines.first) * (tracks[0].hop_s if tracks else 0.0)
    rise_db = lines.slope_db_per_s * duration_s
    worth = np.full(rise_db.size, True)
    if backwards:  # music is full of falls, and each costs time
        worth = (rise_db >= MIN_FALL_DB) & (duration_s >= MIN_FALL_S)
    for index in np.flatnonzero(worth):
        growth = _measure(
            tracks[lines.owner[index]],
            lines,
            index,
            sound,
            least_likelihood,
            backwards=backwards,
        )
        if growth is not None:
            yield growth


def _measure(
    track: Track,
    lines: Lines,
    index: np.intp,
    sound: _Sound,
    least_likelihood: float,
    *,
    backwards: bool,
) -> Growth | None:
    hop_s, level = track.hop_s, track.level_db
    first, last = int(lines.first[index]), int(lines.last[index])
    slope_db_per_s = float(lines.slope_db_per_s[index])
    deviation_db = float(lines.deviation_db[index])
    line = slope_db_per_s * (last - first) * hop_s, deviation_db, (last - first) * hop_s
    if best_likelihood(*line) < least_likelihood:
        return None
    partials = _partials(track, _inside(first, last))
    if backwards and partials > 0:
        return None
    family, undertones = _company(track, first, last)
    likely = best_likelihood(*line, family=family, partials=partials) >= least_likelihood
    if not (likely or backwards):
        return None
    held = level[last : last + 1 + round(HELD_S / hop_s)]
    kept = int(np.argmax(np.append(held < level[last] - 6, True)))
    tone = refine_tone(
        *sound.below(1.2 * track.frequency_hz),
        track.frequency_hz,
        start_s=track.time_s(first),
        stop_s=track.time_s(last) + 0.75 * kept * hop_s,
    )
    if tone is None or tone.frequency_hz <= 0:
        return None
    until = _stands_until(track, last)
    top = first + int(level[first : until + 1].argmax())
    power_db = track.spectrogram.power_db
    around = around_db(power_db[[track.begin + first, track.begin + last]], track.place)
    return Growth(
        frequency_hz=tone.frequency_hz,
        frequency_error_hz=tone.error_hz,
        wander_hz=tone.wander_hz,
        start_s=track.time_s(first),
        stop_s=track.time_s(last),
        slope_db_per_s=slope_db_per_s,
        deviation_db=deviation_db,
        steepest_db_per_s=steepest_slope(level[first : last + 1], hop_s, length_s=_STEEPEST_S),
        contrast_db=float(level[last] - around[1]),
        contrast_before_db=float(level[first] - around[0]),
        held_db=float(held.mean() - level[last]),
        family=family,
        undertones=undertones,
        partials=partials,
        overtones=_new_overtones(track, _inside(first, last), top),
        stood_until_s=track.time_s(until),
        peak_db=float(level[top]),
        share_db=float(level[top] - power_db[track.begin + top].max()),
    )


def _inside(first: int, last: int) -> int:
    """Return the place two thirds up a rise, where a howl has no partials yet."""
    return first + 2 * (last - first) // 3


def _stands_until(track: Track, last: int) -> int:
    """Return the last index at which it stands out, gaps up to 0.2 s allowed."""
    later = np.flatnonzero(track.standing[last:]) + last
    if later.size == 0:
        return last
    breaks = np.flatnonzero(np.diff(later) * track.hop_s > 0.2)
    return int(later[breaks[0]] if breaks.size else later[-1])


def _company(track: Track, first: int, last: int) -> tuple[int, int]:
    """Count the tones at simple ratios that rose along, and those of them that it is a partial of.

    It is a partial of a tone at a half or a third of its frequency, unless that one is faint.
    """
    middle, bin_hz = _inside(first, last), track.spectrogram.bin_hz
    level_db = track.level_db[middle]
    risen = level_db - track.level_db[first]
    before_db = track.spectrogram.power_db[track.begin + first]
    height = track.peaks.heights_near(
        track.begin + middle, _FAMILY * track.frequency_hz, 0.5 * bin_hz * np.maximum(_FAMILY, 0.7)
    )
    place = np.round(_FAMILY * track.frequency_hz / bin_hz).astype(np.int64)
    rose = height - before_db[np.minimum(place, before_db.size - 1)] > 0.5 * risen
    below = np.isin(_FAMILY, _UNDERTONES) & (height >= level_db - _FAINT_DB)
    along = (height >= level_db - 35) & rose
    return int(np.count_nonzero(along)), int(np.count_nonzero(along & below))


def _partials(track: Track, index: int) -> int:
    """Count the harmonics, second to fifth, that stand out at one time."""
    return int(np.count_nonzero(_harmonics_db(track, index) > track.level_db[index] - 35))


def _new_overtones(track: Track, before: int, top: int) -> int:
    """Count the harmonics at the top that have risen faster than their fundamental since."""
    height = _harmonics_db(track, top)
    risen = track.level_db[top] - track.level_db[before]
    before_db = track.spectrogram.power_db[track.begin + before]
    place = np.round(_HARMONICS * track.frequency_hz / track.spectrogram.bin_hz).astype(np.int64)
    faster = height - before_db[np.minimum(place, before_db.size - 1)] > risen + _FASTER_DB
    return int(np.count_nonzero((height > track.level_db[top] - 50) & faster))


def _harmonics_db(track: Track, index: int) -> NDArray[np.float64]:
    """Return the levels of the second to fifth harmonic at one time, -inf where none stands out."""
    return track.peaks.heights_near(
        track.begin + index,
        _HARMONICS * track.frequency_hz,
        np.full(_HARMONICS.size, 0.5 * track.spectrogram.bin_hz),
    )
