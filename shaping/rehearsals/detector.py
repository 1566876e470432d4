"""One channel's detector: samples in, howls out, in bounded memory.

The stream is cut into batches of frames of a fixed size, so results are the same for any block
size. Peaks that may still go on wait in a pool; a track is measured when it ends, and every few
seconds while it lasts, on the last seconds of power spectra that are kept for that purpose.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shaping.rehearsals.features import CONTEXT_S, Features, measure
from shaping.rehearsals.first_look import look
from shaping.rehearsals.frame_peaks import NO_PEAKS, FramePeaks, join, peaks_of_frames
from shaping.rehearsals.frames import BATCH_FRAMES, Framer, Grid, grid_for
from shaping.rehearsals.linking import MAX_STEP, link_peaks
from shaping.rehearsals.model import evidence_of, seen_growing, worth_measuring

MIN_TRACK_S = 0.28
"""Shorter tracks are no events."""

LONG_TRACK_S = 6.0
"""A track that lasts is measured whenever it has grown this long, and its first half let go."""

WEAKEST_EVIDENCE = -3.5
"""Tones with less evidence for a howl are not even candidates."""

_HISTORY_FRAMES_MORE = BATCH_FRAMES + 32
"""A track is measured up to a batch after it grew long, and its surroundings before it, too."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A tone that may be a howl.

    Attributes
    ----------
    start_s, stop_s : float
        When it stood out.
    evidence : float
        For a howl, at its most howl-like; see `shaping.rehearsals.model`.
    grew : bool
        Whether it was ever seen growing.
    features : Features
        What was measured where it was most howl-like.
    """

    start_s: float
    stop_s: float
    evidence: float
    grew: bool
    features: Features

    def joined(self, later: Candidate) -> Candidate:
        """Return both as one."""
        surer = self if self.evidence >= later.evidence else later
        return replace(
            surer,
            start_s=min(self.start_s, later.start_s),
            stop_s=max(self.stop_s, later.stop_s),
            grew=self.grew or later.grew,
        )


class _Past:
    """The last seconds of power spectra, in one array that is moved up when it is full."""

    def __init__(self, grid: Grid) -> None:
        self._kept = round((LONG_TRACK_S + CONTEXT_S) / grid.hop_s) + _HISTORY_FRAMES_MORE
        self._context = round(CONTEXT_S / grid.hop_s)
        rows = self._kept + BATCH_FRAMES
        self._rows = np.empty((rows, grid.stop_bin - grid.first_bin), np.float32)
        self._totals = np.empty(rows, np.float32)
        self._filled = 0
        self._first_frame = 0

    def room_for(self, frames: int) -> NDArray[np.float32]:
        """Return rows for the next frames, to be filled by the caller."""
        if self._filled + frames > len(self._rows):
            dropped = self._filled - self._kept
            self._rows[: self._kept] = self._rows[dropped : self._filled]
            self._totals[: self._kept] = self._totals[dropped : self._filled]
            self._filled = self._kept
            self._first_frame += dropped
        start = self._filled
        self._filled += frames
        return self._rows[start : self._filled]

    def note_totals(self, rows: NDArray[np.float32]) -> None:
        """Keep the sums of the rows that `room_for` gave out last."""
        rows.sum(axis=1, out=self._totals[self._filled - len(rows) : self._filled])

    def all(self) -> tuple[NDArray[np.float32], NDArray[np.float32], int]:
        """Return all spectra kept, their sums, and the number of the first."""
        kept = slice(0, self._filled)
        return self._rows[kept], self._totals[kept], self._first_frame

    def around(self, first: int, last: int) -> tuple[NDArray[np.float32], NDArray[np.float32], int]:
        """Return the spectra from `CONTEXT_S` before frame `first` to a little after `last`.

        And their sums over frequency, and the number of the first.
        """
        start = max(first - self._context, self._first_frame)
        kept = slice(start - self._first_frame, min(last + 9 - self._first_frame, self._filled))
        return self._rows[kept], self._totals[kept], start


class Detector:
    """Finds candidates in one channel.

    Parameters
    ----------
    sample_rate_hz : int
        Sample rate of the channel.
    """

    def __init__(self, sample_rate_hz: int) -> None:
        self.grid = grid_for(sample_rate_hz)
        self._framer = Framer(self.grid)
        self._frames = 0
        self._pool = NO_PEAKS
        self._track = np.zeros(0, np.int64)
        self._lasting: dict[int, Candidate] = {}
        self._min_frames = round(MIN_TRACK_S / self.grid.hop_s)
        self._long_frames = round(LONG_TRACK_S / self.grid.hop_s)
        self._past = _Past(self.grid)

    def feed(self, samples: NDArray[np.float32]) -> list[Candidate]:
        """Take the next samples, shape (n,); return the candidates that ended meanwhile."""
        found: list[Candidate] = []
        for frames in self._framer.feed(samples):
            found += self._batch(frames, last=False)
        return found

    def finish(self) -> list[Candidate]:
        """Return the candidates that last until the end of the recording."""
        return self._batch(self._framer.finish(), last=True)

    def _batch(self, frames: NDArray[np.float32], *, last: bool) -> list[Candidate]:
        bins = self.grid.stop_bin - self.grid.first_bin
        power = self._past.room_for(len(frames))
        self._framer.power_into(frames, power)
        self._past.note_totals(power)
        fresh = peaks_of_frames(power, self._frames, self.grid)
        self._frames += len(frames)
        peaks = join(self._pool, fresh)
        if not len(peaks):
            return []
        root = link_peaks(peaks, bins)
        # A track keeps the name of its first peak for as long as it lasts.
        name = np.concatenate([self._track, fresh.frame * bins + fresh.bin])[root]
        self._pool, self._track, found = self._sort_out(peaks, root, name, last=last)
        return found

    def _sort_out(
        self, peaks: FramePeaks, root: NDArray[np.int64], name: NDArray[np.int64], *, last: bool
    ) -> tuple[FramePeaks, NDArray[np.int64], list[Candidate]]:
        """Measure what ended or grew long; return the peaks that wait, and candidates."""
        count = np.bincount(root, minlength=len(peaks))
        final = np.zeros(len(peaks), np.int64)
        final[root] = peaks.frame  # in order of time: the last one stays
        ended = final[root] < self._frames - MAX_STEP
        if last:
            ended[:] = True
        first = peaks.frame[root]
        long = ~ended & (self._frames - first >= self._long_frames)
        enough = count[root] >= self._min_frames
        chosen = np.flatnonzero((ended | long) & enough)
        waiting = ~ended
        waiting &= ~(long & (peaks.frame < self._frames - self._long_frames // 2))
        found: list[Candidate] = []
        if chosen.size:
            order = chosen[np.argsort(root[chosen], kind="stable")]
            starts = np.flatnonzero(np.diff(root[order], prepend=-1))
            looks = look(peaks.take(order), starts, *self._past.all(), self.grid)
            worth = self._worth(looks)
            if self._lasting:
                worth |= np.isin(name[order[starts]], list(self._lasting))
            stops = np.append(starts[1:], order.size)
            for index in np.flatnonzero(worth):
                group = order[starts[index] : stops[index]]
                key = int(name[group[0]])
                candidate = self._measured(peaks.take(group), self._lasting.pop(key, None))
                if candidate is None:
                    continue
                if ended[group[0]]:
                    found.append(candidate)
                else:
                    self._lasting[key] = candidate
        if last:
            waiting[:] = False
        return peaks.take(waiting), name[waiting], found

    def _worth(self, looks: NDArray[np.float64]) -> NDArray[np.bool_]:
        return worth_measuring(looks)

    def _features(self, track: FramePeaks) -> Features:
        return measure(
            track.frame,
            track.position,
            track.level_dbfs,
            *self._past.around(int(track.frame[0]), int(track.frame[-1])),
            self.grid,
        )

    def _measured(self, track: FramePeaks, known: Candidate | None) -> Candidate | None:
        features = self._features(track)
        stop_s = features.start_s + features.duration_s
        fresh = Candidate(
            features.start_s, stop_s, evidence_of(features), seen_growing(features), features
        )
        if known is not None:
            return known.joined(fresh)
        return fresh if fresh.evidence >= WEAKEST_EVIDENCE else None
