"""Where the energy lies: how much of it in howls, how much in the low mids.

Shares of energy need no calibration. What stands within a howl's narrow band while it stood counts
as the howl's: its fundamental, and the little else that sounded there.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from shaping.analysis.first_row.spill import LOW_MIDS_HZ
from shaping.analysis.weighting import a_weighting_db, c_weighting_db
from shaping.filters.bands import EDGE_RATIO, exact_midband_hz

_FRAME_S = 0.085  # as in `shaping.rehearsals.frames`, whose events are shared out
_HOWL_BINS = 3  # a Hann window's main lobe and one more, on each side
_BATCH_FRAMES = 256  # at a time, to bound the memory

_Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Howl:
    """A howl that somebody found.

    Attributes
    ----------
    start_s, stop_s : float
        When it stood.
    frequency_hz : float
        Where.
    """

    start_s: float
    stop_s: float
    frequency_hz: float


@dataclass(frozen=True, slots=True)
class Shares:
    """Shares of the energy, 0..1.

    Attributes
    ----------
    howls_a, howls_c : float
        In howls, A- and C-weighted.
    low_mids_a, low_mids_c : float
        In the third octaves from 125 to 500 Hz.
    """

    howls_a: float
    howls_c: float
    low_mids_a: float
    low_mids_c: float


def energy_shares(
    blocks: Iterable[NDArray[np.floating]], sample_rate_hz: int, howls: Sequence[Howl] = ()
) -> Shares:
    """Return the shares of a stream's energy.

    Parameters
    ----------
    blocks : iterable of ndarray of float, shape (n,)
        One channel, in order.
    sample_rate_hz : int
        Sample rate in Hz.
    howls : sequence of Howl
        What was found in it.
    """
    size = fft.next_fast_len(round(_FRAME_S * sample_rate_hz), real=True)
    size += size % 2
    hop = size // 2
    window = np.sqrt(signal.windows.hann(size, sym=False))  # squares add up to 1 at half overlap
    frequency_hz = fft.rfftfreq(size, 1 / sample_rate_hz)
    at_hz = np.maximum(frequency_hz, 1.0)
    weights = np.stack([10 ** (w(at_hz) / 10) for w in (a_weighting_db, c_weighting_db)])
    low, high = (exact_midband_hz(hz) for hz in LOW_MIDS_HZ)
    low_mids = (frequency_hz >= low / EDGE_RATIO) & (frequency_hz < high * EDGE_RATIO)
    total, low_mid, howling = np.zeros(2), np.zeros(2), np.zeros(2)
    frame = 0
    for batch in _frames(blocks, size, hop):
        power = np.abs(fft.rfft(batch * window, axis=1)) ** 2
        sums = power.sum(axis=0)
        total += weights @ sums
        low_mid += weights[:, low_mids] @ sums[low_mids]
        middle_s = ((frame + np.arange(len(batch))) * hop + hop) / sample_rate_hz
        inside = _howling(howls, middle_s, frequency_hz)
        if inside is not None:
            howling += weights @ np.where(inside, power, 0.0).sum(axis=0)
        frame += len(batch)
    total = np.maximum(total, 1e-30)
    return Shares(*map(float, (*(howling / total), *(low_mid / total))))


def _howling(
    howls: Sequence[Howl], middle_s: _Real, frequency_hz: _Real
) -> NDArray[np.bool_] | None:
    """Return which bins of which frames are a howl's; None where none is."""
    step_hz = float(frequency_hz[1])
    inside = np.zeros((middle_s.size, frequency_hz.size), np.bool_)
    for howl in howls:
        frames = (middle_s >= howl.start_s) & (middle_s <= howl.stop_s)
        bins = np.abs(frequency_hz - howl.frequency_hz) <= _HOWL_BINS * step_hz
        inside[np.ix_(frames, bins)] = True
    return inside if inside.any() else None


def _frames(blocks: Iterable[NDArray[np.floating]], size: int, hop: int) -> Iterable[_Real]:
    """Yield batches of half overlapping frames, the last frame filled up with silence."""
    kept = np.zeros(hop)  # so that the first samples count in full
    for block in blocks:
        kept = np.concatenate([kept, np.asarray(block, np.float64)])
        count = (kept.size - size) // hop + 1
        for start in range(0, count, _BATCH_FRAMES):
            number = min(_BATCH_FRAMES, count - start)
            view = np.lib.stride_tricks.sliding_window_view(kept, size)[start * hop :: hop]
            yield view[:number]
        if count > 0:
            kept = kept[count * hop :]
    if kept.size:
        count = -(-kept.size // hop)
        padded = np.concatenate([kept, np.zeros((count + 1) * hop - kept.size)])
        yield np.lib.stride_tricks.sliding_window_view(padded, size)[::hop]
