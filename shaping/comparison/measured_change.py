"""How a wedge's response changed between two captures, band by band, and what a plan promised.

Conventions: bands are a twelfth of an octave. A change is the ratio of the power in a band after
and before, in dB. What filters promise is averaged over each band with the power that was there
before, so that promise and measurement weigh the same frequencies. The level of the whole is
unknown (a gain may have been touched), so only the shape is compared.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.findings import LoopResponse
from shaping.analysis.spectra import welch_power
from shaping.capture.recording import Capture
from shaping.errors import CaptureError
from shaping.filters.design import filter_sos
from shaping.filters.kinds import Filter
from shaping.filters.response import magnitude_db

COMPARED_LOW_HZ, COMPARED_HIGH_HZ = 60.0, 16_000.0  # what a wedge plays and a vocal mic hears
BANDS_PER_OCTAVE = 12
"""As narrow as a cut of Q 17; in 30 s of noise a band at 100 Hz errs by under 1 dB."""

_PARTS = 8  # a choice: within an eighth of a band even a cut of Q 30 hardly changes
_LEAST_TRUSTED = 0.75
"""A choice: with a quarter of a band missing its level is no longer that band's."""
_LEAST_BANDS = 24  # a choice: two octaves, or there is no shape to compare
_WINDOW_S = 0.7  # 1.4 Hz: some two bins in the lowest band
_HANN = 1 + 2 * (4 / 9 + 1 / 36)
"""Variance of a sum of Hann bins over that of independent ones: neighbours share 4/9, next 1/36."""

_Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class MeasuredChange:
    """Change of a response between two captures.

    Attributes
    ----------
    centre_hz : ndarray, shape (bands,)
        Band centres, rising; bands that cannot be trusted are left out.
    change_db : ndarray, shape (bands,)
        Level after over level before.
    error_db : ndarray, shape (bands,)
        One standard deviation of `change_db` from noise alone.
    part_hz, weight : ndarray, shape (bands, parts)
        Frequencies inside each band, and the share of its power there before.
    """

    centre_hz: _Real
    change_db: _Real
    error_db: _Real
    part_hz: _Real
    weight: _Real

    def averaged_db(self, gain_db: _Real) -> _Real:
        """Return the change of each band's power under gains at `part_hz`, in dB."""
        return np.asarray(10 * np.log10(np.sum(self.weight * 10 ** (gain_db / 10), axis=1)))

    def filter_db(self, filter: Filter, *, sample_rate_hz: float) -> _Real:
        """Return the gain of one filter at `part_hz`, in dB."""
        sos = filter_sos(filter, sample_rate_hz=sample_rate_hz)
        return magnitude_db(sos, self.part_hz, sample_rate_hz=sample_rate_hz, floor_db=-60.0)

    def promised_db(self, filters: Iterable[Filter], *, sample_rate_hz: float) -> _Real:
        """Return the change of each band that filters promise, in dB."""
        total = np.zeros_like(self.part_hz)
        for one in filters:
            total += self.filter_db(one, sample_rate_hz=sample_rate_hz)
        return self.averaged_db(total)


def change_of_loops(before: LoopResponse, after: LoopResponse) -> MeasuredChange:
    """Return the change between two loops measured with the same test signal.

    Raises
    ------
    CaptureError
        If too little of both can be trusted.
    """
    hz = before.frequency_hz
    power_before = np.abs(before.response) ** 2
    power_after = np.interp(hz, after.frequency_hz, np.abs(after.response) ** 2)
    also = np.interp(hz, after.frequency_hz, after.trusted.astype(float)) > 0.99
    error_after = np.interp(hz, after.frequency_hz, after.error_db)
    variance = before.error_db**2 + error_after**2
    return _change(hz, power_before, power_after, variance, before.trusted & also)


def change_of_noise(before: Capture, after: Capture) -> MeasuredChange:
    """Return the change between two captures of the same steady noise.

    Raises
    ------
    CaptureError
        If the captures are too short.
    """
    hz, power_before, averages_before = welch_power(
        before.samples, before.sample_rate_hz, window_s=_WINDOW_S
    )
    other_hz, density, averages_after = welch_power(
        after.samples, after.sample_rate_hz, window_s=_WINDOW_S
    )
    power_after = np.interp(hz, other_hz, density)
    one_bin = _HANN * 4.34**2 * (1 / averages_before + 1 / averages_after)
    trusted = (hz > 0) & (hz < 0.49 * min(before.sample_rate_hz, after.sample_rate_hz))
    return _change(hz, power_before, power_after, np.full(hz.size, one_bin), trusted)


def _change(
    hz: _Real,
    power_before: _Real,
    power_after: _Real,
    variance: _Real,
    trusted: NDArray[np.bool_],
) -> MeasuredChange:
    steps = np.arange(
        np.ceil(np.log2(COMPARED_LOW_HZ / 1000) * BANDS_PER_OCTAVE),
        np.floor(np.log2(COMPARED_HIGH_HZ / 1000) * BANDS_PER_OCTAVE) + 1,
    )
    centre_hz = 1000 * 2 ** (steps / BANDS_PER_OCTAVE)
    offsets = (np.arange(_PARTS + 1) / _PARTS - 0.5) / BANDS_PER_OCTAVE
    edges = centre_hz[:, None] * 2**offsets
    total = _integral(hz, trusted.astype(float), edges)
    inside = total[:, -1] - total[:, 0]
    before = _integral(hz, power_before * trusted, edges)
    after = _integral(hz, power_after * trusted, edges)
    parts = np.maximum(np.diff(before, axis=1), 0.0)
    sums = parts.sum(axis=1)
    gained = after[:, -1] - after[:, 0]
    width = edges[:, -1] - edges[:, 0]
    good = (inside > _LEAST_TRUSTED * width) & (sums > 0) & (gained > 0) & (edges[:, -1] < hz[-1])
    if good.sum() < _LEAST_BANDS:
        raise CaptureError(
            "Too little of these captures can be trusted to compare their responses: record again, "
            "longer, with the noise louder or the room quieter."
        )
    spread = _integral(hz, variance * trusted, edges)
    mean_variance = (spread[:, -1] - spread[:, 0]) / np.maximum(inside, 1e-9)
    bins = np.maximum(inside / (hz[1] - hz[0]), 1.0)
    return MeasuredChange(
        centre_hz=centre_hz[good],
        change_db=10 * np.log10(gained[good] / sums[good]),
        error_db=np.sqrt(mean_variance / bins)[good],
        part_hz=np.sqrt(edges[:, :-1] * edges[:, 1:])[good],
        weight=(parts / np.maximum(sums, 1e-300)[:, None])[good],
    )


def _integral(hz: _Real, density: _Real, edges: _Real) -> _Real:
    """Return the integral of `density` from the first bin to each edge, bins as rectangles."""
    step = hz[1] - hz[0]
    bounds = np.append(hz - step / 2, hz[-1] + step / 2)
    total = np.concatenate([[0.0], np.cumsum(density) * step])
    return np.asarray(np.interp(edges, bounds, total))
