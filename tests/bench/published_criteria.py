"""The published howling criteria, as a baseline to beat.

Single-frame and multiple-frame features of spectral peaks and their logical combinations, as
reviewed by van Waterschoot and Moonen [1]_ (definitions and starting settings from memory):
frames of 4096 samples at 44.1 or 48 kHz, half overlapping, the three largest peaks of each frame
as candidates.

========  ==========================================================================
PTPR      peak power over a fixed threshold, dB
PAPR      peak power over the frame's mean power, dB
PHPR      least of peak power over the power at 1/2, 3/2, 2, 3 and 4 times the frequency, dB
PNPR      least of peak power over the power one to five bins away (main lobe left out), dB
IPMP      share of the last 8 frames in which the bin (give or take one) was a candidate
IMSD      mean deviation of the slopes of sub-intervals of the last 16 frames from the
          slope of the whole, dB per frame; low for a howl
========  ==========================================================================

References
----------
.. [1] T. van Waterschoot and M. Moonen, "Comparative evaluation of howling detection criteria in
   notch-filter-based howling suppression", J. Audio Eng. Soc. 58(11), 923-940, 2010.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

SIZE = 4096
HOP = SIZE // 2
CANDIDATES = 3
IPMP_FRAMES = 8
IMSD_FRAMES = 16
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
    """Return the features of the three largest peaks of every frame."""
    frames = np.lib.stride_tricks.sliding_window_view(samples, SIZE)[::HOP]
    spectra = fft.rfft(frames * np.hanning(SIZE).astype(np.float32) * (4 / SIZE), axis=1)
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
        ).astype(np.float64),
    )


def _imsd(
    level: NDArray[np.float32], rows: NDArray[np.int64], bins: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Mean absolute deviation of the sub-intervals' slopes from the whole span's slope."""
    span = np.arange(IMSD_FRAMES)
    past = np.maximum(rows[:, None] - IMSD_FRAMES + 1 + span, 0)
    track = level[past, bins[:, None]].astype(np.float64)
    whole = (track[:, -1] - track[:, 0]) / (IMSD_FRAMES - 1)
    parts = [(track[:, -1] - track[:, -1 - m]) / m for m in range(1, IMSD_FRAMES - 1)]
    result: NDArray[np.float64] = np.mean(np.abs(np.array(parts) - whole), axis=0)
    return result
