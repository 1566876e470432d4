"""Tracks: the level at a ridge's frequency, before, while and after it stood out.

A ridge is where a tone stood over its neighbourhood; its rise begins earlier and what it does
after the rise tells a howl from a note. Rises are the best straight lines in a track.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.ring_out.likelihood import line_score
from shaping.analysis.ring_out.lines import fit_lines, sliding_lines, steepest_straight
from shaping.analysis.ring_out.ridges import Peaks, Ridge
from shaping.analysis.spectra import Spectrogram, hann_scalloping_db

MIN_RISE_DB = 8.0
"""Growths smaller than this are within the ordinary unrest of any sound."""

MIN_SLOPE_DB_PER_S = 3.0
"""Slower growth is an engineer's hand or the weather."""

HELD_S = 0.4
"""How long a track goes on after its ridge has ended."""

_LINE_FRAMES = (8, 12, 18, 27, 40, 60, 90, 135)  # each half as long again as the one before


@dataclass(frozen=True, eq=False)
class Track:
    """Level at a ridge's frequency, from before it began to after it ended.

    Attributes
    ----------
    spectrogram, peaks : Spectrogram, Peaks
        Where the ridge was found.
    begin : int
        Frame of the first level.
    frequency_hz : float
        Frequency of the ridge.
    level_db : ndarray of float64, shape (n,)
        Level in each frame.
    standing : ndarray of bool, shape (n,)
        Whether the ridge stood out there.
    """

    spectrogram: Spectrogram
    peaks: Peaks
    begin: int
    frequency_hz: float
    level_db: NDArray[np.float64]
    standing: NDArray[np.bool_]

    @property
    def hop_s(self) -> float:
        """Time between levels in seconds."""
        return self.spectrogram.hop_s

    @property
    def place(self) -> int:
        """Nearest bin."""
        return round(self.frequency_hz / self.spectrogram.bin_hz)

    def time_s(self, index: int) -> float:
        """Return the time of a level."""
        return float(self.spectrogram.time_s[self.begin + index])


def follow(spectrogram: Spectrogram, peaks: Peaks, ridges: Sequence[Ridge]) -> list[Track]:
    """Follow the level of each ridge from before it began to after it ended."""
    if not ridges:
        return []
    first = np.array([r.frame[0] for r in ridges])
    last = np.array([r.frame[-1] for r in ridges])
    lead = np.minimum(last - first + 1, _LINE_FRAMES[-1] // 2)
    begin = np.maximum(first - lead, 0)
    held = round(HELD_S / spectrogram.hop_s)
    size = np.minimum(last + 1 + held, spectrogram.time_s.size) - begin
    offset = np.array([r.frequency_hz for r in ridges]) / spectrogram.bin_hz
    place = np.minimum(offset.astype(np.int64), spectrogram.frequency_hz.size - 2)
    starts = np.cumsum(size) - size
    frame = np.arange(size.sum()) + np.repeat(begin - starts, size)
    bins = np.repeat(place, size)
    power_db = spectrogram.power_db
    level = np.maximum(power_db[frame, bins], power_db[frame, bins + 1]).astype(np.float64)
    level += np.repeat(hann_scalloping_db(offset - np.round(offset)), size)
    standing = np.zeros(level.size, np.bool_)
    shift = np.repeat(starts - begin, [r.frame.size for r in ridges])
    standing[np.concatenate([r.frame for r in ridges]) + shift] = True
    return [
        Track(spectrogram, peaks, b, ridge.frequency_hz, level[s : s + n], standing[s : s + n])
        for ridge, b, s, n in zip(
            ridges, begin.tolist(), starts.tolist(), size.tolist(), strict=True
        )
    ]


@dataclass(frozen=True, eq=False)
class Lines:
    """Straight lines in the levels of tracks; arrays of shape (n,).

    Attributes
    ----------
    owner, first, last : ndarray of int64
        Track, and the first and last level of the line in it.
    slope_db_per_s, deviation_db : ndarray of float64
        The line, and the root-mean-square distance of the levels from it.
    """

    owner: NDArray[np.int64]
    first: NDArray[np.int64]
    last: NDArray[np.int64]
    slope_db_per_s: NDArray[np.float64]
    deviation_db: NDArray[np.float64]


def rises(tracks: Sequence[Track]) -> Lines:
    """Find the best rising lines of each track, none of them overlapping another of the track.

    A line is trimmed to its steepest straight part: no floor before it, no ceiling after it.
    """
    level = np.concatenate([np.zeros(0), *(t.level_db for t in tracks)])
    sizes = np.array([t.level_db.size for t in tracks], np.int64)
    begins = np.cumsum(sizes) - sizes
    none, nothing = np.zeros(0, np.int64), np.zeros(0)
    if level.size < _LINE_FRAMES[0]:
        return Lines(none, none, none, nothing, nothing)
    hop_s = tracks[0].hop_s
    owner, first, last = _chosen(*_candidates(tracks, level, sizes))
    parts = [(none, none, none, nothing, nothing)]
    for count in np.unique(last - first + 1):  # lines of one length are trimmed together
        (some,) = np.nonzero(last - first + 1 == count)
        stretch = level[first[some, None] + np.arange(count)]
        low, high = steepest_straight(stretch, hop_s, min_length=_LINE_FRAMES[0])
        inside = (np.arange(count) >= low[:, None]) & (np.arange(count) <= high[:, None])
        slope, deviation = fit_lines(stretch, inside, hop_s)
        start = first[some] - begins[owner[some]]
        parts.append((owner[some], start + low, start + high, slope, deviation))
    return Lines(*(np.concatenate(part) for part in zip(*parts, strict=True)))


def _candidates(
    tracks: Sequence[Track], level_db: NDArray[np.float64], sizes: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Return owner, first and last level of all rising lines, by owner and then the best first."""
    hop_s = tracks[0].hop_s
    seen = np.concatenate([[0], np.cumsum(np.concatenate([t.standing for t in tracks]))])
    owner = np.repeat(np.arange(len(tracks)), sizes)
    parts = []
    for count in _LINE_FRAMES:
        if count > level_db.size:
            break
        late = count // 2
        lines = sliding_lines(level_db, hop_s, count)
        rise = lines.slope_db_per_s * ((count - 1) * hop_s)
        present = seen[count:] - seen[count - late : level_db.size + 1 - late]
        (run,) = np.nonzero(
            (rise >= MIN_RISE_DB)
            & (lines.slope_db_per_s >= MIN_SLOPE_DB_PER_S)
            & (lines.deviation_db <= 0.8 + 0.08 * rise)
            & (present >= 0.7 * late)
            & (owner[: owner.size - count + 1] == owner[count - 1 :])
        )
        score = line_score(rise[run], lines.deviation_db[run], (count - 1) * hop_s)
        parts.append((owner[run], run, run + count - 1, score))
    owners, firsts, lasts, scores = (np.concatenate(p) for p in zip(*parts, strict=True))
    order = np.lexsort((-scores, owners))
    return owners[order], firsts[order], lasts[order]


def _chosen(
    owner: NDArray[np.int64], first: NDArray[np.int64], last: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Take each owner's first line, drop what overlaps it, and so on until none are left."""
    taken = [(owner[:0], first[:0], last[:0])]
    while owner.size:
        best = np.flatnonzero(np.append(True, owner[1:] != owner[:-1]))
        taken.append((owner[best], first[best], last[best]))
        counts = np.diff(np.append(best, owner.size))
        apart = (last < np.repeat(first[best], counts)) | (first > np.repeat(last[best], counts))
        owner, first, last = owner[apart], first[apart], last[apart]
    owners, firsts, lasts = (np.concatenate(part) for part in zip(*taken, strict=True))
    return owners, firsts, lasts
