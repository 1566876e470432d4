"""The published howling criteria, as a baseline to beat.

Single-frame and multiple-frame features of spectral peaks and their logical combinations, as
reviewed by van Waterschoot and Moonen [1]_ (definitions and starting settings from memory), on
the frames of the rehearsal scan: 4096 samples every 1024 at 48 kHz, the three largest peaks of
each frame as candidates. All of them are causal.

========  ==========================================================================
PTPR      peak power over a fixed threshold, dB
PAPR      peak power over the frame's mean power, dB
PHPR      least of peak power over the power at 1/2, 3/2, 2, 3 and 4 times the frequency, dB
PNPR      least of peak power over the power one to five bins away (main lobe left out), dB
IPMP      share of the last 16 frames in which the bin (give or take one) was a candidate
IMSD      mean deviation of the slopes of sub-intervals of the last 32 frames from the
          slope of the whole, dB per frame; low for a howl
========  ==========================================================================

References
----------
.. [1] T. van Waterschoot and M. Moonen, "Comparative evaluation of howling detection criteria in
   notch-filter-based howling suppression", J. Audio Eng. Soc. 58(11), 923-940, 2010.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from shaping.rehearsals.frame_peaks import FramePeaks
from shaping.rehearsals.linking import link_peaks

if TYPE_CHECKING:
    from rehearsals_detection import Scanned

SIZE = 4096
HOP = SIZE // 4
CANDIDATES = 3
IPMP_FRAMES = 16
IMSD_FRAMES = 32
LOW_HZ, HIGH_HZ = 80.0, 12_000.0

FEATURES = ("PTPR", "PAPR", "PHPR", "PNPR", "IPMP", "IMSD")
"""Higher means more like a howl for every one: IMSD is taken negative."""

COMBINATIONS: tuple[tuple[str, ...], ...] = (
    ("PTPR",),
    ("PAPR",),
    ("PHPR",),
    ("PNPR",),
    ("IPMP",),
    ("IMSD",),
    ("PHPR", "IPMP"),
    ("PHPR", "PNPR"),
    ("PHPR", "IMSD"),
    ("PNPR", "IMSD"),
    ("PHPR", "PNPR", "IMSD"),
)


STEPS = {1: 40, 2: 12, 3: 7}
"""Thresholds of each criterion that are tried, by how many criteria are combined."""

LEAST_FRAMES = (1, 4, 8, 16, 32)
"""Least lengths of an event that are tried."""

GAP_S = 0.6
"""What is parted by less is one event, as in the scan."""

SAME_RATIO = 1.02


@dataclass(frozen=True, eq=False)
class PeakFeatures:
    """Candidates of one recording, in order of time.

    Attributes
    ----------
    time_s, frequency_hz : ndarray, shape (n,)
        Where each candidate is.
    values : ndarray, shape (n, 6)
        In the order of `FEATURES`.
    """

    time_s: NDArray[np.float64]
    frequency_hz: NDArray[np.float64]
    values: NDArray[np.float64]


def peak_features(samples: NDArray[np.float32], rate_hz: int) -> PeakFeatures:
    """Return the features of the largest peaks of every frame, a hundred seconds at a time."""
    step = 4_700 * HOP
    parts = [
        _features(samples[max(start - IMSD_FRAMES * HOP, 0) : start + step + SIZE], rate_hz)
        for start in range(0, max(samples.size - SIZE, 1), step)
    ]
    for number, part in enumerate(parts[1:], start=1):
        kept = slice(CANDIDATES * IMSD_FRAMES, None)
        shift_s = (number * step - IMSD_FRAMES * HOP) / rate_hz
        parts[number] = PeakFeatures(
            part.time_s[kept] + shift_s, part.frequency_hz[kept], part.values[kept]
        )
    return PeakFeatures(
        np.concatenate([part.time_s for part in parts]),
        np.concatenate([part.frequency_hz for part in parts]),
        np.concatenate([part.values for part in parts]),
    )


def _features(samples: NDArray[np.float32], rate_hz: int) -> PeakFeatures:
    if samples.size < SIZE:
        return PeakFeatures(np.zeros(0), np.zeros(0), np.zeros((0, len(FEATURES)), np.float32))
    frames = np.lib.stride_tricks.sliding_window_view(samples, SIZE)[::HOP]
    spectra = fft.rfft(frames * (np.hanning(SIZE) * (4 / SIZE)).astype(np.float32), axis=1)
    level = (10 * np.log10(np.abs(spectra) ** 2 + 1e-14)).astype(np.float32)
    mean = 10 * np.log10(np.mean(10 ** (level / 10), axis=1))
    low, high = round(LOW_HZ * SIZE / rate_hz), round(HIGH_HZ * SIZE / rate_hz)
    high = min(high, level.shape[1] - 1)  # recordings of low sample rate end before that
    inner = level[:, low:high]
    peaky = (inner > level[:, low - 1 : high - 1]) & (inner >= level[:, low + 1 : high + 1])
    order = np.argsort(np.where(peaky, -inner, 999), axis=1, kind="stable")[:, :CANDIDATES] + low
    rows = np.repeat(np.arange(len(level)), CANDIDATES)
    bins = order.ravel()
    chosen = np.zeros(level.shape, bool)
    chosen[rows, bins] = True
    near = chosen.copy()
    near[:, 1:] |= chosen[:, :-1]
    near[:, :-1] |= chosen[:, 1:]
    peak = level[rows, bins]

    def at(ratio: float) -> NDArray[np.float32]:
        place = np.clip(np.round(bins * ratio).astype(int), 1, level.shape[1] - 2)
        return np.maximum.reduce([level[rows, place + step] for step in (-1, 0, 1)])

    harmonic = np.min([peak - at(ratio) for ratio in (0.5, 1.5, 2.0, 3.0, 4.0)], axis=0)
    offsets = (-5, -4, -3, 3, 4, 5)  # one and two bins away is the window's own main lobe
    neighbour = np.min([peak - level[rows, np.maximum(bins + m, 0)] for m in offsets], axis=0)
    seen = np.cumsum(np.pad(near, ((IPMP_FRAMES, 0), (0, 0))), axis=0)
    persistent = (seen[rows + IPMP_FRAMES, bins] - seen[rows, bins]) / IPMP_FRAMES
    return PeakFeatures(
        time_s=(rows * HOP + SIZE / 2) / rate_hz,
        frequency_hz=bins * rate_hz / SIZE,
        values=np.stack(
            [peak, peak - mean[rows], harmonic, neighbour, persistent, -_imsd(level, rows, bins)],
            axis=1,
        ).astype(np.float32),
    )


def _imsd(
    level: NDArray[np.float32], rows: NDArray[np.int64], bins: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Mean absolute deviation of the sub-intervals' slopes from the whole span's slope."""
    span = np.arange(IMSD_FRAMES)
    past = np.maximum(rows[:, None] - IMSD_FRAMES + 1 + span, 0)
    track = level[past, bins[:, None]]
    whole = (track[:, -1] - track[:, 0]) / (IMSD_FRAMES - 1)
    parts = [(track[:, -1] - track[:, -1 - m]) / m for m in range(1, IMSD_FRAMES - 1)]
    result: NDArray[np.float64] = np.mean(np.abs(np.array(parts) - whole), axis=0)
    return result


@dataclass(frozen=True, slots=True)
class Swept:
    """What one combination reaches over all its thresholds: the best envelope.

    Attributes
    ----------
    name : str
        The criteria.
    area, causal_area : float
        Under the precision-recall curve, at the end and soon after a howl stands out.
    found_at_one : float
        Share of howls found at one false event an hour of everything scanned.
    """

    name: str
    area: float
    causal_area: float
    found_at_one: float


@dataclass(frozen=True, eq=False)
class _Table:
    """The candidates of all recordings, in order of frame, then frequency."""

    frame: NDArray[np.int64]
    place: NDArray[np.int64]
    label: NDArray[np.int64]  # number of the howl, -1 false, -2 left out
    soon: NDArray[np.bool_]
    values: NDArray[np.float32]
    howls: int
    hours: float


def swept(recordings: Sequence[Scanned], causal_s: float) -> list[Swept]:
    """Sweep every combination of criteria over recordings; the best area first."""
    table = _table(recordings, causal_s)
    true = table.label >= 0
    results = []
    for names in COMBINATIONS:
        columns = [FEATURES.index(name) for name in names]
        share = np.linspace(0.5, 99, STEPS[len(columns)])
        grids = [np.unique(np.percentile(table.values[true, c], share)) for c in columns]
        points = []
        for thresholds in itertools.product(*grids):
            chosen = np.ones(true.size, bool)
            for c, threshold in zip(columns, thresholds, strict=True):
                chosen &= table.values[:, c] >= threshold
            points += _points(table, np.flatnonzero(chosen))
        found, soon, false = (np.array(v, float) for v in zip(*points, strict=True))
        rate = false / table.hours
        results.append(
            Swept(
                " & ".join(names),
                _area(found, false, table.howls),
                _area(soon, false, table.howls),
                float(found[rate <= 1].max(initial=0.0)) / table.howls,
            )
        )
    return sorted(results, key=lambda row: -row.area)


def _table(recordings: Sequence[Scanned], causal_s: float) -> _Table:
    frame, place, label, soon = [], [], [], []
    first, numbered = 0, 0
    for r in recordings:
        time_s, hertz = r.peaks.time_s, r.peaks.frequency_hz
        at = np.repeat(np.arange(time_s.size // CANDIDATES), CANDIDATES)
        frame.append(at + first)
        first += (int(at[-1]) if at.size else 0) + 100
        place.append(np.round(hertz / (48_000 / SIZE)).astype(np.int64))
        own, early = np.full(time_s.size, -1), np.zeros(time_s.size, bool)
        for begin, end in r.excited:
            own[(time_s > begin) & (time_s < end)] = -2
        for howl in r.howls:
            near = np.abs(np.log(hertz / howl.frequency_hz)) < np.log(SAME_RATIO)
            during = (time_s > howl.start_s) & (time_s < howl.stop_s)
            own[near & during] = numbered
            early[near & during & (time_s < howl.start_s + causal_s)] = True
            numbered += 1
        label.append(own)
        soon.append(early)
    frames, places = np.concatenate(frame), np.concatenate(place)
    order = np.lexsort((places, frames))
    return _Table(
        frames[order],
        places[order],
        np.concatenate(label)[order],
        np.concatenate(soon)[order],
        np.concatenate([r.peaks.values for r in recordings])[order],
        numbered,
        sum(r.duration_s for r in recordings) / 3600,
    )


def _points(table: _Table, chosen: NDArray[np.int64]) -> list[tuple[int, int, int]]:
    """Join flagged peaks to events; return howls found, found soon, and false events."""
    if chosen.size == 0:
        return [(0, 0, 0)]
    frame, place, label = table.frame[chosen], table.place[chosen], table.label[chosen]
    half = (place * 0.5).astype(np.float32)  # a neighbouring bin still counts as the same tone
    root = link_peaks(FramePeaks(frame, place, half, half), SIZE)
    length = np.bincount(root, minlength=root.size)
    mixed = np.zeros(root.size, bool)
    mixed[root[label != -1]] = True  # a run that holds part of a howl, or lies beside one
    last = np.zeros(root.size, np.int64)
    np.maximum.at(last, root, frame)
    result = []
    for least in LEAST_FRAMES:
        long = length[root] >= least
        found = np.unique(label[long & (label >= 0)]).size
        # Frames of a run up to the deadline count towards its length then.
        age = frame - frame[root] + 1
        early = long & (label >= 0) & table.soon[chosen] & (age >= least)
        runs = np.flatnonzero((length >= least) & ~mixed)
        result.append((found, np.unique(label[early]).size, _joined(runs, frame, place, last)))
    return result


def _joined(
    runs: NDArray[np.int64],
    frame: NDArray[np.int64],
    place: NDArray[np.int64],
    last: NDArray[np.int64],
) -> int:
    """Count runs; those of one frequency that a short gap parts count once."""
    if runs.size == 0:
        return 0
    cell = place[runs] // 2
    order = np.lexsort((frame[runs], cell))
    runs, cell = runs[order], cell[order]
    gap = (frame[runs[1:]] - last[runs[:-1]]) * HOP / 48_000
    return 1 + int(np.sum((cell[1:] != cell[:-1]) | (gap >= GAP_S)))


def _area(found: NDArray[np.float64], false: NDArray[np.float64], howls: int) -> float:
    order = np.argsort(found, kind="stable")
    found, false = found[order], false[order]
    precision = found / np.maximum(found + false, 1)
    best = np.maximum.accumulate(precision[::-1])[::-1]
    return float(np.sum(np.diff(np.concatenate([[0.0], found / howls])) * best))
