"""Ridges: spectral peaks that stand over their neighbourhood, linked from frame to frame.

A tone of fixed frequency leaves one long ridge; a voice or a glide leaves many short ones, since
a link may not move by more than a fraction of a bin.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from shaping.analysis.spectra import Spectrogram, interpolate_peak

NEIGHBOURS = (3, 12)
"""Bins to either side, first and last, whose mean level a peak must stand over."""


@dataclass(frozen=True, eq=False)
class Peaks:
    """Spectral peaks of all frames, ordered by frame and then by frequency.

    Attributes
    ----------
    frame : ndarray of int64, shape (n,)
        Frame of each peak.
    frequency_hz : ndarray of float64, shape (n,)
        Interpolated frequency.
    level_db : ndarray of float64, shape (n,)
        Interpolated level.
    contrast_db : ndarray of float64, shape (n,)
        Height over the mean level of its neighbourhood.
    """

    frame: NDArray[np.int64]
    frequency_hz: NDArray[np.float64]
    level_db: NDArray[np.float64]
    contrast_db: NDArray[np.float64]

    def in_frame(self, frame: int) -> slice:
        """Return where the peaks of one frame are."""
        first, last = np.searchsorted(self.frame, [frame, frame + 1])
        return slice(int(first), int(last))

    def heights_near(
        self, frame: int, frequency_hz: NDArray[np.float64], within_hz: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the level of the highest peak of a frame near each frequency, -inf without one."""
        here = self.in_frame(frame)
        apart = np.abs(self.frequency_hz[here] - frequency_hz[:, None])
        levels = np.where(apart < within_hz[:, None], self.level_db[here], -np.inf)
        return np.asarray(levels.max(axis=1, initial=-np.inf))

    def reversed(self, frames: int) -> Peaks:
        """Return the peaks of the same `frames` frames in the opposite order."""
        frame = frames - 1 - self.frame
        order = np.argsort(frame, kind="stable")
        return Peaks(
            frame[order],
            self.frequency_hz[order],
            self.level_db[order],
            self.contrast_db[order],
        )


@dataclass(frozen=True, eq=False)
class Ridge:
    """One tone of steady pitch.

    Attributes
    ----------
    frame : ndarray of int64, shape (n,)
        Frames in which it stood out, rising.
    frequency_hz : float
        Its power-weighted mean frequency.
    """

    frame: NDArray[np.int64]
    frequency_hz: float

    def reversed(self, frames: int) -> Ridge:
        """Return the same ridge with the `frames` frames in the opposite order."""
        return Ridge(frames - 1 - self.frame[::-1], self.frequency_hz)


def neighbourhood_db(power_db: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the mean level around each bin, the bin's own main lobe left out."""
    first, last = NEIGHBOURS
    wide = ndimage.uniform_filter1d(power_db, 2 * last + 1, axis=-1, mode="nearest")
    core = ndimage.uniform_filter1d(power_db, 2 * first - 1, axis=-1, mode="nearest")
    wide *= 2 * last + 1
    core *= 2 * first - 1
    return np.asarray((wide - core) / np.float32(2 * (last - first + 1)), np.float32)


def around_db(power_db: NDArray[np.float32], place: int) -> NDArray[np.float32]:
    """Return the mean level around one bin of each frame, as in `neighbourhood_db`."""
    first, last = NEIGHBOURS
    steps = np.arange(first, last + 1)
    bins = np.clip(place + np.concatenate([-steps, steps]), 0, power_db.shape[1] - 1)
    return np.asarray(power_db[:, bins].mean(axis=1), np.float32)


def find_peaks(spectrogram: Spectrogram, *, min_contrast_db: float, min_level_db: float) -> Peaks:
    """Find the spectral peaks that stand at least `min_contrast_db` over their neighbourhood."""
    power_db = spectrogram.power_db
    contrast = power_db - neighbourhood_db(power_db)
    middle = power_db[:, 1:-1]
    top = (
        (contrast[:, 1:-1] >= min_contrast_db)
        & (middle > power_db[:, :-2])
        & (middle >= power_db[:, 2:])
        & (middle >= min_level_db)
    )
    frame, place = np.nonzero(top)
    place += 1
    offset, level = interpolate_peak(
        power_db[frame, place - 1], power_db[frame, place], power_db[frame, place + 1]
    )
    return Peaks(
        frame=frame,
        frequency_hz=(place + offset) * spectrogram.bin_hz,
        level_db=level,
        contrast_db=contrast[frame, place].astype(np.float64),
    )


def link(peaks: Peaks, *, max_step_hz: float) -> NDArray[np.int64]:
    """Link each peak with the mutually nearest peak of the next frame.

    Parameters
    ----------
    peaks : Peaks
        Ordered by frame and frequency, as `find_peaks` gives them.
    max_step_hz : float
        Furthest a ridge may move from one frame to the next.

    Returns
    -------
    ndarray of int64, shape (n,)
        Ridge number of each peak: the index of the ridge's first peak.
    """
    count = peaks.frame.size
    if count == 0:
        return np.zeros(0, np.int64)
    stride = 2 * float(peaks.frequency_hz.max()) + 4 * max_step_hz
    key = peaks.frame * stride + peaks.frequency_hz
    after = _nearest(key, key + stride)
    before = _nearest(key, key - stride)
    index = np.arange(count)
    step = np.abs(key[after] - key - stride)
    linked = (step <= max_step_hz) & (before[after] == index)
    parent = index.copy()
    parent[after[linked]] = index[linked]
    while True:  # each pass halves the way to the ridge's first peak
        further = parent[parent]
        if np.array_equal(further, parent):
            return parent
        parent = further


def _nearest(sorted_keys: NDArray[np.float64], wanted: NDArray[np.float64]) -> NDArray[np.int64]:
    right = np.clip(np.searchsorted(sorted_keys, wanted), 1, sorted_keys.size - 1)
    nearer_left = wanted - sorted_keys[right - 1] < sorted_keys[right] - wanted
    return np.asarray(np.where(nearer_left, right - 1, right), np.int64)


_MIN_FRAMES = 7  # a tenth of a second: shorter ones are strokes and consonants
_MAX_SPREAD_BINS = 0.13  # a fixed tone in noise stays well inside
_MAX_STEP_BINS = 0.3  # from frame to frame, in noise, near the least contrast
_MAX_GAP_S = 0.2  # another sound hides a tone for so long


def steady_ridges(peaks: Peaks, spectrogram: Spectrogram, *, min_contrast_db: float) -> list[Ridge]:
    """Find the ridges of steady pitch.

    Parameters
    ----------
    peaks : Peaks
        Of `spectrogram`.
    spectrogram : Spectrogram
        Where they were found.
    min_contrast_db : float
        Least height over the neighbourhood at the tallest place.

    Returns
    -------
    list of Ridge
        In order of their first frame. Pieces of one frequency with short gaps are one ridge.
    """
    ridge = link(peaks, max_step_hz=_MAX_STEP_BINS * spectrogram.bin_hz)
    if ridge.size == 0:
        return []
    long = np.bincount(ridge)[ridge] >= _MIN_FRAMES
    order = np.flatnonzero(long)[np.argsort(ridge[long], kind="stable")]
    _, begins, counts = np.unique(ridge[order], return_index=True, return_counts=True)
    if begins.size == 0:
        return []
    level, frequency = peaks.level_db[order], peaks.frequency_hz[order]
    weight = 10 ** (level / 10)
    total = np.add.reduceat(weight, begins)
    mean = np.add.reduceat(weight * frequency, begins) / total
    off = frequency - np.repeat(mean, counts)
    spread = np.sqrt(np.add.reduceat(weight * off**2, begins) / total)
    tallest = np.maximum.reduceat(peaks.contrast_db[order], begins)
    good = (spread <= _MAX_SPREAD_BINS * spectrogram.bin_hz) & (tallest >= min_contrast_db)
    frames = peaks.frame[order]
    pieces = [
        Ridge(frames[begins[i] : begins[i] + counts[i]], float(mean[i]))
        for i in np.flatnonzero(good)
    ]
    return _joined(pieces, spectrogram)


def rising(ridges: list[Ridge], spectrogram: Spectrogram, *, min_rise_db: float) -> list[Ridge]:
    """Return the ridges that get louder on their way by this much: a struck note does not."""
    rise = _rises_db(ridges, spectrogram)
    return [ridges[i] for i in np.flatnonzero(rise >= min_rise_db)]


def _joined(pieces: list[Ridge], spectrogram: Spectrogram) -> list[Ridge]:
    """Join pieces of one frequency across short gaps."""
    pieces = sorted(pieces, key=lambda r: int(r.frame[0]))
    weights = _powers(pieces, spectrogram)
    allowed_hz = _MAX_SPREAD_BINS * spectrogram.bin_hz
    allowed = round(_MAX_GAP_S / max(spectrogram.hop_s, 1e-6))
    chains: list[list[int]] = []
    recent: list[tuple[int, float, int]] = []  # last frame and frequency of a chain, its number
    for number, piece in enumerate(pieces):
        start, here_hz = int(piece.frame[0]), piece.frequency_hz
        best, nearest_hz, still = None, allowed_hz, []
        for one in recent:
            if start - one[0] > allowed:
                continue
            still.append(one)
            apart_hz = abs(one[1] - here_hz)
            if one[0] < start and apart_hz <= nearest_hz:
                best, nearest_hz = one, apart_hz
        if best is None:
            chain = len(chains)
            chains.append([])
        else:
            still.remove(best)
            chain = best[2]
        chains[chain].append(number)
        recent = [*still, (int(piece.frame[-1]), here_hz, chain)]
    return [
        pieces[chain[0]]
        if len(chain) == 1
        else Ridge(
            frame=np.concatenate([pieces[n].frame for n in chain]),
            frequency_hz=sum(weights[n] * pieces[n].frequency_hz for n in chain)
            / sum(weights[n] for n in chain),
        )
        for chain in chains
    ]


def _powers(ridges: list[Ridge], spectrogram: Spectrogram) -> list[float]:
    """Return the highest power of each ridge."""
    if not ridges:
        return []
    level, starts = _levels(ridges, spectrogram)
    power = 10 ** (np.maximum.reduceat(level, starts) / 10) + 1e-30
    return [float(p) for p in power]


def _levels(
    ridges: list[Ridge], spectrogram: Spectrogram
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return the levels at the nearest bin of all ridges, and where each ridge's begin."""
    sizes = np.array([r.frame.size for r in ridges])
    place = np.round([r.frequency_hz / spectrogram.bin_hz for r in ridges]).astype(np.int64)
    frame = np.concatenate([r.frame for r in ridges])
    level = spectrogram.power_db[frame, np.repeat(place, sizes)].astype(np.float64)
    return level, np.cumsum(sizes) - sizes


def _rises_db(ridges: list[Ridge], spectrogram: Spectrogram) -> NDArray[np.float64]:
    """Return how far each ridge rises over its lowest level before, shape (ridges,)."""
    if not ridges:
        return np.zeros(0)
    level, starts = _levels(ridges, spectrogram)
    # Each ridge lies far below the one before, so that one running minimum serves all.
    level -= np.repeat(1e4 * np.arange(len(ridges)), [r.frame.size for r in ridges])
    return np.asarray(np.maximum.reduceat(level - np.minimum.accumulate(level), starts))
