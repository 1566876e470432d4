"""Where mains and wedges carry the same sound: which of them arrives first, and what that does.

Two recordings at the first row, wedges alone and mains alone, tell the difference of arrival if
the same programme was played and recorder and player were started together in both. Then the two
are added sample by sample as they would meet in the air, and set against powers added. In bands
wide against one over the difference the comb averages out; in those narrower than half of that a
seat sits on a peak or in a dip.

References
----------
.. [1] C. H. Knapp, G. C. Carter, "The generalized correlation method for estimation of time
   delay", IEEE Trans. ASSP 24(4), 1976: correlation with the phase alone (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from shaping.analysis.third_octave import LOWEST_BAND_HZ
from shaping.filters.bands import EDGE_RATIO, exact_midband_hz
from shaping.filters.cookbook import Sos
from shaping.filters.response import frequency_response

MOST_APART_S = 0.05
"""Mains and wedges of one stage arrive no further apart at its first row: 17 m of way."""

CLEAR_PEAK = 8.0
"""A peak of the correlation this many times its rms elsewhere is the same sound in both: two
different sounds stay below 5 in 5000 lags (normal distribution)."""

_PHASE_HZ = (100.0, 6000.0)  # where mains and wedges both have sound
_LONGEST_S = 30.0  # a choice: more changes no figure, and takes time
_DEEPEST = 1e-6  # of the powers: deeper dips are rounding
_PERIODS = 25.0  # of the lowest band, as in `shaping.analysis.third_octave`

_Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Interference:
    """What adding sample by sample does against adding powers.

    Attributes
    ----------
    wedges_later_s : float
        How much later than the mains the wedges arrive; negative if earlier.
    nominal_hz : tuple of float
        Third octaves narrower than half of one over that difference, rising.
    before_db, after_db : ndarray, shape (bands,)
        In each, the level as added sample by sample over that of powers added, without and with
        the wedges' filters. Negative where they cancel.
    change_db : ndarray, shape (bands,)
        What the filters do to the level as added sample by sample.
    low_mids_change_db : float
        The same over all bands asked for.
    """

    wedges_later_s: float
    nominal_hz: tuple[float, ...]
    before_db: _Real
    after_db: _Real
    change_db: _Real
    low_mids_change_db: float


def wedges_later_s(wedges: _Real, mains: _Real, sample_rate_hz: int) -> float | None:
    """Return how much later the wedges' sound arrives than the mains'.

    Parameters
    ----------
    wedges, mains : ndarray, shape (n,)
        The same programme through the one and through the other, started together.
    sample_rate_hz : int
        Sample rate of both.

    Returns
    -------
    float or None
        In seconds; None where the two do not carry the same sound within `MOST_APART_S`.
    """
    n = min(wedges.size, mains.size, round(_LONGEST_S * sample_rate_hz))
    size = fft.next_fast_len(2 * n, real=True)
    cross = fft.rfft(wedges[:n], size) * np.conj(fft.rfft(mains[:n], size))
    frequency_hz = fft.rfftfreq(size, 1.0 / sample_rate_hz)
    kept = (frequency_hz >= _PHASE_HZ[0]) & (frequency_hz <= _PHASE_HZ[1])
    phase = np.where(kept, cross / np.maximum(np.abs(cross), 1e-30), 0.0)
    correlation = np.abs(fft.irfft(phase, size))
    most = round(MOST_APART_S * sample_rate_hz)
    near = np.concatenate([correlation[-most:], correlation[: most + 1]])
    at = int(np.argmax(near))
    elsewhere = float(np.sqrt(np.mean(correlation[most + 1 : -most] ** 2)))
    if not near[at] > CLEAR_PEAK * elsewhere:
        return None
    return (at - most) / sample_rate_hz


def interference(
    wedges: _Real, mains: _Real, sample_rate_hz: int, *, bands_hz: Sequence[float], sos: Sos
) -> Interference | None:
    """Return what mains and wedges do to each other, without and with filters on the wedges.

    Parameters
    ----------
    wedges, mains : ndarray, shape (n,)
        The same programme through the one and through the other, started together.
    sample_rate_hz : int
        Sample rate of both.
    bands_hz : sequence of float
        Third octaves by their nominal names, rising.
    sos : ndarray, shape (m, 6)
        The wedges' filters, at this sample rate.

    Returns
    -------
    Interference or None
        None where the recordings do not show it, or no band is narrow enough.
    """
    later_s = wedges_later_s(wedges, mains, sample_rate_hz)
    if later_s is None:
        return None
    n = min(wedges.size, mains.size)
    segment = round(_PERIODS / LOWEST_BAND_HZ * sample_rate_hz)
    welch = {"fs": sample_rate_hz, "nperseg": segment, "detrend": False}
    frequency_hz, cross = signal.csd(mains[:n], wedges[:n], **welch)
    wedge_power, mains_power = (signal.welch(x[:n], **welch)[1] for x in (wedges, mains))
    response = frequency_response(sos, frequency_hz, sample_rate_hz=sample_rate_hz)
    powers, mixed = (
        np.array([mains_power + gain**2 * wedge_power for gain in (1.0, np.abs(response))]),
        np.array([2.0 * np.real(gain * cross) for gain in (1.0, response)]),
    )
    edges_hz = [_edges_hz(hz) for hz in bands_hz]
    inside = [(frequency_hz >= low) & (frequency_hz < high) for low, high in edges_hz]
    alone, met = (
        np.array([spectrum[:, band].sum(axis=1) for band in inside]) for spectrum in (powers, mixed)
    )
    total = np.maximum(alone + met, _DEEPEST * alone)
    narrow = sum((high - low) * abs(later_s) < 0.5 for low, high in edges_hz)
    if not narrow:
        return None
    over_db = 10.0 * np.log10(total / np.maximum(alone, 1e-30))[:narrow]
    both_db = 10.0 * np.log10(np.maximum(total, 1e-30))[:narrow]
    whole = total.sum(axis=0)
    return Interference(
        wedges_later_s=later_s,
        nominal_hz=tuple(bands_hz)[:narrow],
        before_db=over_db[:, 0],
        after_db=over_db[:, 1],
        change_db=both_db[:, 1] - both_db[:, 0],
        low_mids_change_db=float(10.0 * np.log10(whole[1] / max(whole[0], 1e-30))),
    )


def _edges_hz(nominal_hz: float) -> tuple[float, float]:
    exact_hz = exact_midband_hz(nominal_hz)
    return exact_hz / EDGE_RATIO, exact_hz * EDGE_RATIO
