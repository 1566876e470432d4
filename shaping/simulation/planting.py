"""Planting rings: bumps in the wedge's response that decide where a stage howls, and in what order.

A flat wedge and microphone in a diffuse room would howl in a new place with every step of the
microphone; real ones have bumps of a few dB that gather the rings. Planting chooses the bumps so
that the wanted number of frequencies turns unstable one after another as the gain rises.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from shaping.errors import ParameterError
from shaping.simulation.colour import (
    Complexes,
    Floats,
    Peak,
    bin_frequencies,
    coloured,
    peaks_response,
)
from shaping.simulation.truth import in_phase_points

APART_OCTAVES = 0.45  # planted bumps keep this distance


def plant_peaks(
    path: Floats,
    *,
    sample_rate_hz: int,
    spacing_db: tuple[float, ...],
    q: tuple[float, ...],
    clearance_db: float,
    band_hz: tuple[float, float],
    rng: np.random.Generator,
) -> tuple[Peak, ...]:
    """Choose bumps so that the path howls at them, one after another.

    Parameters
    ----------
    path : ndarray, shape (n,)
        Impulse response without the bumps.
    sample_rate_hz : int
        Sample rate in Hz.
    spacing_db : tuple of float
        How far below the first the in-phase gain of each planted bump lies, first 0.
    q : tuple of float
        Quality factor of each bump.
    clearance_db : float
        How far every other in-phase point must lie below the last bump.
    band_hz : tuple of float
        Where bumps may lie.
    rng : numpy.random.Generator
        Chooses among the most likely frequencies.

    Returns
    -------
    tuple of Peak
        In the order in which they howl.
    """
    size = fft.next_fast_len(4 * path.size, real=True)
    frequency_hz = bin_frequencies(size, sample_rate_hz=sample_rate_hz)
    bare: Complexes = np.asarray(fft.rfft(path, size))
    centres_hz = _likely_centres(*in_phase_points(frequency_hz, bare), spacing_db, band_hz, rng)
    gains_db = np.full(len(spacing_db), 3.0)
    for _ in range(12):
        peaks = tuple(
            Peak(float(f), float(g), float(width))
            for f, g, width in zip(centres_hz, gains_db, q, strict=True)
        )
        found_hz, level_db = in_phase_points(
            frequency_hz, bare * peaks_response(peaks, frequency_hz)
        )
        owner = _owner(found_hz, centres_hz)
        tops = np.array([level_db[owner == k].max() for k in range(len(peaks))])
        rest = level_db[owner < 0].max()
        wanted = rest + clearance_db + spacing_db[-1] - np.asarray(spacing_db)
        if np.all(np.abs(tops - wanted) < 0.05):
            break
        gains_db = np.clip(gains_db + 0.8 * (wanted - tops), 0.0, 18.0)
    return peaks


def planted(path: Floats, peaks: tuple[Peak, ...], *, sample_rate_hz: int) -> Floats:
    """Impulse response with the planted bumps; same length as `path`."""
    return coloured(path, peaks, sample_rate_hz=sample_rate_hz)


def _owner(found_hz: Floats, centres_hz: Floats) -> NDArray[np.int64]:
    """Index of the bump each in-phase point belongs to, -1 for none; shape of `found_hz`."""
    octaves = np.abs(np.log2(np.maximum(found_hz, 1.0)[:, None] / centres_hz[None, :]))
    nearest = octaves.argmin(axis=1)
    return np.asarray(np.where(octaves.min(axis=1) < APART_OCTAVES / 2, nearest, -1))


def _likely_centres(
    found_hz: Floats,
    level_db: Floats,
    spacing_db: tuple[float, ...],
    band_hz: tuple[float, float],
    rng: np.random.Generator,
) -> Floats:
    inside = (found_hz > band_hz[0]) & (found_hz < band_hz[1])
    candidates = found_hz[inside]
    draw_db = level_db[inside] + rng.normal(0.0, 1.5, candidates.size)
    chosen: list[float] = []
    for i in np.argsort(-draw_db):
        if all(abs(np.log2(candidates[i] / f)) > APART_OCTAVES for f in chosen):
            chosen.append(float(candidates[i]))
        if len(chosen) == len(spacing_db):
            return np.asarray(rng.permutation(chosen))
    raise ParameterError(f"no room for {len(spacing_db)} bumps between {band_hz} Hz")
