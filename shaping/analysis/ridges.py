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


def neighbourhood_db(power_db: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the mean level around each bin, the bin's own main lobe left out."""
    first, last = NEIGHBOURS
    wide = ndimage.uniform_filter1d(power_db, 2 * last + 1, axis=-1, mode="nearest")
    core = ndimage.uniform_filter1d(power_db, 2 * first - 1, axis=-1, mode="nearest")
    wide *= 2 * last + 1
    core *= 2 * first - 1
    return np.asarray((wide - core) / np.float32(2 * (last - first + 1)), np.float32)


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


_MIN_FRAMES = 7
_MAX_SPREAD_BINS = 0.13
_MAX_STEP_BINS = 0.3
_MAX_GAP_S = 0.2


def steady_ridges(
    peaks: Peaks, spectrogram: Spectrogram, *, min_contrast_db: float, min_rise_db: float
) -> list[Ridge]:
    """Find the ridges of steady pitch that get louder on their way.

    Parameters
    ----------
    peaks : Peaks
        Of `spectrogram`.
    spectrogram : Spectrogram
        Where they were found.
    min_contrast_db : float
        Least height over the neighbourhood at the tallest place.
    min_rise_db : float
        Least rise within the ridge: a struck note has none.

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
    frames = np.split(peaks.frame[order], begins[1:])
    pieces = [Ridge(frames[i], float(mean[i])) for i in np.flatnonzero(good)]
    joined = _joined(pieces, spectrogram)
    return [r for r in joined if _rise_db(r, spectrogram) >= min_rise_db]


def _joined(pieces: list[Ridge], spectrogram: Spectrogram) -> list[Ridge]:
    """Join pieces of one frequency across short gaps."""
    pieces = sorted(pieces, key=lambda r: int(r.frame[0]))
    allowed_hz = _MAX_SPREAD_BINS * spectrogram.bin_hz
    allowed = round(_MAX_GAP_S / max(spectrogram.hop_s, 1e-6))
    chains: list[list[Ridge]] = []
    ends = np.zeros(len(pieces), np.int64)
    centres = np.full(len(pieces), np.inf)
    for piece in pieces:
        gap = int(piece.frame[0]) - ends
        apart = np.abs(centres - piece.frequency_hz)
        apart[(gap < 1) | (gap > allowed)] = np.inf
        nearest = int(apart.argmin())
        if apart[nearest] > allowed_hz:
            nearest = len(chains)
            chains.append([])
        chains[nearest].append(piece)
        ends[nearest], centres[nearest] = piece.frame[-1], piece.frequency_hz
    return [_join(chain, spectrogram) for chain in chains]


def _join(chain: list[Ridge], spectrogram: Spectrogram) -> Ridge:
    if len(chain) == 1:
        return chain[0]
    level = [
        spectrogram.power_db[r.frame, round(r.frequency_hz / spectrogram.bin_hz)].max()
        for r in chain
    ]
    weight = 10 ** (np.asarray(level, np.float64) / 10) + 1e-30
    return Ridge(
        frame=np.concatenate([r.frame for r in chain]),
        frequency_hz=float(np.average([r.frequency_hz for r in chain], weights=weight)),
    )


def _rise_db(ridge: Ridge, spectrogram: Spectrogram) -> float:
    level = spectrogram.power_db[ridge.frame, round(ridge.frequency_hz / spectrogram.bin_hz)]
    return float((level - np.minimum.accumulate(level)).max())
