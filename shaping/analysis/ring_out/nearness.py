"""How near every frequency is to howling: what a ring-out shows besides its howls.

In a loop of gain L the sound at the mic is 1 / (1 - L) times what it would be without the wedge:
where the loop is in phase and within a few dB of howling, noise and programme stand out of their
neighbourhood, and every sound rings on. One such point howls first and the limiter then holds the
others down, but before that they all show, in the floor between the words as well.

The recording's spectrum is whitened frame by frame, limited so that neither a howl nor a note
counts for more than its share, and averaged over the later part, in which the send was high.
What stood out from the very beginning, a hum or a held note, counts less; what stands out all
around counts as well, since wedge and mic raise whole regions. A line through these measures was
fitted to the in-phase points of loops in measured rooms (``tests/bench/fit_nearness.py``).

Cells are a twenty-fourth of an octave; levels are in dB over the gain at which the loop first
howls, so that 0 dB is the howl itself and -6 dB a point that a send 6 dB higher would start.

References
----------
.. [1] H. Nyquist, "Regeneration theory", Bell System Technical Journal 11(1), 126-147, 1932: a
   loop of gain L answers 1 / (1 - L) times as loud (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from shaping.analysis.findings import Nearness, Ring
from shaping.analysis.spectra import Spectrogram, power_spectrogram

CELLS_PER_OCTAVE = 24  # half a semitone: as close as two cuts ever lie
NEAR_LOW_HZ, NEAR_HIGH_HZ = 80.0, 10_760.0
"""A choice: what wedge and vocal mic both pass on."""

LIKELY = 0.5
"""A ring of at least this confidence is more likely a howl than not."""

ERROR_DB = 3.0
"""One standard deviation of a level, over loops in measured rooms within 6 dB of howling."""

WINDOW_S, HOP_S = 0.7, 0.14
"""A point 3 dB from howling in a loop of 40 ms is 3 Hz wide; this window shows 2 Hz."""

LATE_SHARE = 0.35
"""The send is high in the recording after this share of it; before, it shows the programme."""

LAST_S = 4.0
"""The last seconds, which tell the level of whole regions."""

_LEAST_S = 3.0  # a shorter recording has too few frames to average
_HEIGHTS_DB = (-6.0, 15.0)  # beyond these one frame says no more
_MEDIAN_OF_HZ, _MEDIAN_OVER = 30.0, 7  # neighbourhood: the median of about 200 Hz
_QUEFRENCY_S = (0.004, 0.006, 0.25, 0.325)  # ripple that a loop makes: no slower, no faster
_REGION_CELLS = 13  # half an octave
_BESIDE_CELLS = 7  # the median of seven leaves out up to three that a harmonic raises
_HARMONIC_HZ, _HARMONIC_SHARE = 1.5, 0.001  # a bin of the window, and the ring's own drift
_BLOCK_FRAMES = 400  # about a minute, to bound the memory

_Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Weights:
    """The fitted line: level in dB of one cell from what is seen in it.

    Attributes
    ----------
    base_db : float
        Level where nothing stands out.
    late_root : float
        For the square root of the height in the later part, in dB.
    region : float
        For the mean height of the half octave around it, in the last seconds.
    early, early_root : float
        For the height at the beginning, and for its square root.
    ring : float
        For the confidence of a ring found there.
    """

    base_db: float
    late_root: float
    region: float
    early: float
    early_root: float
    ring: float


WEIGHTS = Weights(-18.35, 3.17, 0.57, -0.88, 2.31, 3.23)
"""Fitted by tests/bench/fit_nearness.py on loops in measured rooms of the tuning part."""


@dataclass(frozen=True, eq=False)
class Heights:
    """What stands out of its neighbourhood in a recording; arrays of shape (cells,).

    Attributes
    ----------
    frequency_hz : ndarray
        Where each cell is highest in the later part.
    late_db, last_db, early_db : ndarray
        Mean heights in the later part, in the last seconds, and at the beginning.
    """

    frequency_hz: _Real
    late_db: _Real
    last_db: _Real
    early_db: _Real


def find_nearness(
    samples: NDArray[np.float32], sample_rate_hz: int, rings: Sequence[Ring]
) -> Nearness | None:
    """Estimate how near each frequency came to howling in a ring-out.

    Parameters
    ----------
    samples : ndarray of float32, shape (n,)
        One channel, full scale +-1, finite.
    sample_rate_hz : int
        Sample rate in Hz.
    rings : sequence of Ring
        The rings found in the same samples.

    Returns
    -------
    Nearness or None
        None where nothing rang that is more likely a howl than not, or the recording is shorter
        than 3 s: without a howl there is no level to count from.

    Notes
    -----
    Memory does not grow with the recording.
    """
    if samples.size < _LEAST_S * sample_rate_hz or not any(
        ring.confidence >= LIKELY for ring in rings
    ):
        return None
    seen = heights(samples, sample_rate_hz)
    level_db = levels(seen, ring_confidence(rings, seen.frequency_hz), WEIGHTS)
    level_db = _without_harmonics(level_db, seen.frequency_hz, rings)
    frequency_hz = seen.frequency_hz.copy()
    for ring in rings:
        cell = np.abs(np.log2(frequency_hz / ring.frequency_hz)).argmin()
        if ring.certain:
            level_db[cell] = max(level_db[cell], 0.0)
            frequency_hz[cell] = ring.frequency_hz
    return Nearness(frequency_hz, level_db, np.full_like(level_db, ERROR_DB))


def _without_harmonics(level_db: _Real, frequency_hz: _Real, rings: Sequence[Ring]) -> _Real:
    """Return levels in which the harmonics of howls are as high as what lies beside them.

    A howl that is limited brings its harmonics along, and they are no points of the loop.
    """
    beside_db = ndimage.median_filter(level_db, size=_BESIDE_CELLS, mode="nearest")
    result = level_db.copy()
    for ring in rings:
        if ring.certain:
            number = np.round(frequency_hz / ring.frequency_hz)
            apart_hz = np.abs(frequency_hz - number * ring.frequency_hz)
            on = (number >= 2) & (apart_hz <= _HARMONIC_HZ + _HARMONIC_SHARE * frequency_hz)
            result[on] = np.minimum(level_db, beside_db)[on]
    return result


def levels(seen: Heights, confidence: _Real, weights: Weights) -> _Real:
    """Return the level of every cell in dB over the first howl, shape (cells,)."""
    region = ndimage.uniform_filter1d(seen.last_db, _REGION_CELLS, mode="nearest")
    w = weights
    return np.asarray(
        w.base_db
        + w.late_root * _root(seen.late_db)
        + w.region * region
        + w.early * seen.early_db
        + w.early_root * _root(seen.early_db)
        + w.ring * confidence
    )


def measures(seen: Heights, confidence: _Real) -> _Real:
    """Return what `Weights` weigh, in their order, shape (cells, 6)."""
    region = ndimage.uniform_filter1d(seen.last_db, _REGION_CELLS, mode="nearest")
    ones = np.ones_like(region)
    late, early = _root(seen.late_db), _root(seen.early_db)
    return np.stack([ones, late, region, seen.early_db, early, confidence], axis=1)


def cell_edges(highest_hz: float = NEAR_HIGH_HZ) -> _Real:
    """Return the edges of the cells in Hz, rising."""
    count = int(np.log2(min(highest_hz, NEAR_HIGH_HZ) / NEAR_LOW_HZ) * CELLS_PER_OCTAVE + 1e-9)
    return np.asarray(NEAR_LOW_HZ * 2 ** (np.arange(count + 1) / CELLS_PER_OCTAVE))


def ring_confidence(rings: Sequence[Ring], frequency_hz: _Real) -> _Real:
    """Return the confidence of the surest ring in every cell, 0 where there is none."""
    confidence = np.zeros_like(frequency_hz)
    for ring in rings:
        cell = np.abs(np.log2(frequency_hz / ring.frequency_hz)).argmin()
        if abs(np.log2(frequency_hz[cell] / ring.frequency_hz)) < 1 / CELLS_PER_OCTAVE:
            confidence[cell] = max(confidence[cell], ring.confidence)
    return confidence


def heights(samples: NDArray[np.float32], sample_rate_hz: int) -> Heights:
    """Measure what stands out of its neighbourhood, early and late in a recording."""
    duration_s = samples.size / sample_rate_hz
    highest_hz = min(NEAR_HIGH_HZ, 0.45 * sample_rate_hz)
    late_from_s, early_to_s = LATE_SHARE * duration_s, max(LATE_SHARE * duration_s, 1.5)
    sums = [np.zeros(0), np.zeros(0), np.zeros(0)]
    counts = [0, 0, 0]
    frequency_hz = np.zeros(0)
    for start_s, spectrogram in _blocks(samples, sample_rate_hz, highest_hz):
        standing_db = np.clip(_standing_db(spectrogram), *_HEIGHTS_DB)
        time_s = start_s + spectrogram.time_s
        chosen = (
            time_s > late_from_s,
            time_s > duration_s - LAST_S,
            time_s < early_to_s,
        )
        for number, frames in enumerate(chosen):
            total = standing_db[frames].sum(axis=0, dtype=np.float64)
            sums[number] = sums[number] + total if sums[number].size else total
            counts[number] += int(frames.sum())
        frequency_hz = spectrogram.frequency_hz
    bin_hz = float(frequency_hz[1])
    late, last, early = (
        _ripple_db(total / max(count, 1), bin_hz) for total, count in zip(sums, counts, strict=True)
    )
    cells = np.digitize(frequency_hz, cell_edges(highest_hz)) - 1
    inside = (cells >= 0) & (cells < cell_edges(highest_hz).size - 1)
    top = _highest(cells[inside], late[inside])
    return Heights(
        frequency_hz=frequency_hz[inside][top],
        late_db=late[inside][top],
        last_db=last[inside][_highest(cells[inside], last[inside])],
        early_db=early[inside][_highest(cells[inside], early[inside])],
    )


def _blocks(
    samples: NDArray[np.float32], sample_rate_hz: int, highest_hz: float
) -> Iterator[tuple[float, Spectrogram]]:
    """Yield spectrograms of stretches, each starting a whole number of hops in."""
    hop = max(round(HOP_S * sample_rate_hz), 1)
    window = fft.next_fast_len(round(WINDOW_S * sample_rate_hz), real=True)
    step = _BLOCK_FRAMES * hop
    for start in range(0, max(samples.size - window, 1), step):
        stretch = samples[start : start + step + window - hop]
        yield (
            start / sample_rate_hz,
            power_spectrogram(
                stretch,
                sample_rate_hz,
                window_s=WINDOW_S,
                hop_s=HOP_S,
                max_frequency_hz=1.05 * highest_hz,
            ),
        )


def _standing_db(spectrogram: Spectrogram) -> NDArray[np.float32]:
    """Return levels over the median of their neighbourhood, shape (frames, bins)."""
    power_db = spectrogram.power_db
    size = max(round(_MEDIAN_OF_HZ / spectrogram.bin_hz), 1)
    blocks = power_db.shape[1] // size
    coarse = np.median(power_db[:, : blocks * size].reshape(-1, blocks, size), axis=2)
    coarse = ndimage.median_filter(coarse, size=(1, _MEDIAN_OVER), mode="nearest")
    place = np.clip((np.arange(power_db.shape[1]) + 0.5) / size - 0.5, 0, blocks - 1)
    below = np.minimum(place.astype(np.int64), max(blocks - 2, 0))
    part = (place - below).astype(np.float32)
    above = np.minimum(below + 1, blocks - 1)
    around = coarse[:, below] * (1 - part) + coarse[:, above] * part
    return np.asarray(power_db - around, np.float32)


def _ripple_db(height_db: _Real, bin_hz: float) -> _Real:
    """Keep the ripple over frequency that echoes of 5 to 300 ms make; shape as given."""
    spectrum = fft.dct(height_db, norm="ortho")
    quefrency_s = np.arange(height_db.size) / (2 * height_db.size * bin_hz)
    kept = np.interp(quefrency_s, _QUEFRENCY_S, (0.0, 1.0, 1.0, 0.0))
    return np.asarray(fft.idct(spectrum * kept, norm="ortho"))


def _highest(cells: NDArray[np.int64], values: _Real) -> NDArray[np.int64]:
    """Return the index of the highest value of every cell, rising."""
    order = np.lexsort((-values, cells))
    first = np.concatenate([[True], np.diff(cells[order]) != 0])
    return np.asarray(order[first])


def _root(height_db: _Real) -> _Real:
    return np.sqrt(np.maximum(height_db, 0.0) + 0.01)
