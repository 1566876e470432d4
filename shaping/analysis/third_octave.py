"""Third-octave band levels of a recording.

Conventions: bands carry their nominal names (ISO 266) and lie between the exact edges of
IEC 61260-1, base ten. Levels are relative to full scale, 0 dBFS being a mean square of 1; they
are never sound pressure levels. Band edges are ideal: power is summed from a Welch spectrum whose
bins are a fifth of the lowest band or narrower.

References
----------
.. [1] IEC 61260-1:2014, clause 5: exact midbands and band edges.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.spectra import welch_power
from shaping.errors import CaptureError
from shaping.filters.bands import EDGE_RATIO, exact_midband_hz, midbands_hz

LOWEST_BAND_HZ, HIGHEST_BAND_HZ = 50.0, 10_000.0
"""Bands that matter to spill: the lowest of a wedge to the highest of a voice."""

_PERIODS = 25.0  # window in periods of the lowest midband: bins of its width / 5.8
_LEAST_POWER = 1e-30  # keeps a logarithm finite


@dataclass(frozen=True, eq=False)
class BandLevels:
    """Levels in third-octave bands.

    Attributes
    ----------
    nominal_hz : tuple of float
        Names of the bands, rising.
    level_dbfs : ndarray of float64, shape (bands,)
        Level of each.
    error_db : ndarray of float64, shape (bands,)
        One standard deviation, if the sound was steady noise: 4.34 dB / sqrt(bandwidth * time).
    """

    nominal_hz: tuple[float, ...]
    level_dbfs: NDArray[np.float64]
    error_db: NDArray[np.float64]


def band_levels(
    samples: NDArray[np.float32],
    sample_rate_hz: int,
    *,
    low_hz: float = LOWEST_BAND_HZ,
    high_hz: float = HIGHEST_BAND_HZ,
) -> BandLevels:
    """Return the level of each third-octave band.

    Parameters
    ----------
    samples : ndarray of float32, shape (n,)
        One channel, full scale +-1.
    sample_rate_hz : int
        Sample rate in Hz.
    low_hz, high_hz : float
        First and last band. Bands that reach beyond half the sample rate are left out.

    Returns
    -------
    BandLevels
        Levels and their uncertainty.

    Raises
    ------
    CaptureError
        If the recording is shorter than 25 periods of the lowest band.
    """
    exact_hz, nominal_hz = midbands_hz(low_hz, high_hz)
    kept = exact_hz * EDGE_RATIO <= sample_rate_hz / 2
    exact_hz = exact_hz[kept]
    window_s = _PERIODS / float(exact_hz[0])
    duration_s = samples.size / sample_rate_hz
    if duration_s < window_s:
        raise CaptureError(
            f"a recording of {duration_s:.2f} s is too short for band levels down to "
            f"{nominal_hz[0]:g} Hz; record 20 s or more"
        )
    frequency_hz, density, _ = welch_power(samples, sample_rate_hz, window_s=window_s)
    step_hz = float(frequency_hz[1])
    # A bin stands for the power from half a step below it to half a step above.
    power_below = np.concatenate([[0.0], np.cumsum(density) * step_hz])
    bin_edges_hz = np.concatenate([[0.0], frequency_hz + step_hz / 2])
    low_edges_hz, high_edges_hz = exact_hz / EDGE_RATIO, exact_hz * EDGE_RATIO
    power = np.interp(high_edges_hz, bin_edges_hz, power_below) - np.interp(
        low_edges_hz, bin_edges_hz, power_below
    )
    return BandLevels(
        nominal_hz=nominal_hz[: exact_hz.size],
        level_dbfs=10.0 * np.log10(np.maximum(power, _LEAST_POWER)),
        error_db=10.0 / np.log(10.0) / np.sqrt((high_edges_hz - low_edges_hz) * duration_s),
    )


def band_points_hz(nominal_hz: Sequence[float], points: int = 15) -> NDArray[np.float64]:
    """Return frequencies spread evenly (in octaves) over bands, shape (bands, points).

    The mean power of a response over a row is its effect on a band of pink noise.
    """
    exact_hz = np.array([exact_midband_hz(hz) for hz in nominal_hz])
    offsets = (np.arange(points) + 0.5) / points * 2.0 - 1.0
    return np.asarray(exact_hz[:, None] * EDGE_RATIO**offsets)


def band_mean_db(response_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the power mean, in dB, over the last axis of a response in dB."""
    return np.asarray(10.0 * np.log10(np.mean(10.0 ** (response_db / 10.0), axis=-1)))
