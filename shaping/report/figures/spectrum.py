"""The evidence in a recorded test signal: its averaged spectrum with the resonances found."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.findings import Resonance
from shaping.analysis.spectra import welch_power
from shaping.capture.recording import Capture
from shaping.report.figures import axes as shared
from shaping.report.figures import style
from shaping.report.figures.marked_frequencies import Mark, MarkKind, draw_marks

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LOW_HZ = 60.0  # what a wedge plays
_HIGH_HZ = 16_000.0  # likewise
_BANDS_PER_OCTAVE = 24  # fine enough to show resonances, coarse enough to be steady

_WINDOW_S = 0.34  # 3 Hz a bin: a stage's resonances are hardly narrower


def draw_spectrum(ax: Axes, capture: Capture, resonances: Sequence[Resonance]) -> Axes:
    """Draw the averaged spectrum of a capture in 1/24-octave bands, and mark resonances.

    Parameters
    ----------
    ax : matplotlib Axes
        Where to draw; the labels need room above it.
    capture : Capture
        A recording of pink noise: flat here where wedge, room and mic are flat.
    resonances : sequence of Resonance
        Most prominent first.

    Returns
    -------
    matplotlib Axes
        The same axes: frequency in Hz (logarithmic), level per band in dB over the median band.
        The line carries the id ``spectrum``.
    """
    colours = style.LIGHT
    high_hz = min(_HIGH_HZ, 0.499 * capture.sample_rate_hz)
    frequency, density, _ = welch_power(capture.samples, capture.sample_rate_hz, window_s=_WINDOW_S)
    centre_hz, level_db = band_levels(frequency, density, _LOW_HZ, high_hz)
    level_db = level_db - np.median(level_db)
    shared.clean(ax)
    shared.frequency_axis(ax.xaxis, _LOW_HZ, high_hz)
    ax.plot(centre_hz, level_db, color=colours.ink, linewidth=1.6, gid="spectrum")
    top = float(level_db.max())
    ax.set_ylim(max(float(level_db.min()) - 3.0, top - 48.0), top + 6.0)
    ax.grid(axis="y", color=colours.rule, linewidth=0.8)
    ax.set_xlabel("frequency in Hz", fontsize=style.TEXT_PT, color=colours.ink)
    ax.set_ylabel("level in dB", fontsize=style.TEXT_PT, color=colours.ink)
    marks = [Mark(peak.frequency_hz, MarkKind.RESONANCE) for peak in resonances]
    draw_marks(ax, marks, np.interp([m.frequency_hz for m in marks], centre_hz, level_db).tolist())
    return ax


def band_levels(
    frequency_hz: NDArray[np.float64], density: NDArray[np.float64], low_hz: float, high_hz: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Integrate a power density over logarithmic bands.

    Returns
    -------
    centre_hz, level_db : ndarray, shape (bands,)
        Band centres and power per band in dB; equal for every band of ideal pink noise.
    """
    bands = max(1, int(np.log2(high_hz / low_hz) * _BANDS_PER_OCTAVE))
    edges = np.geomspace(low_hz, high_hz, bands + 1)
    step = frequency_hz[1] - frequency_hz[0]
    total = np.concatenate([[0.0], np.cumsum(density) * step])
    between = np.interp(
        edges, np.append(frequency_hz - step / 2, frequency_hz[-1] + step / 2), total
    )
    power = np.maximum(np.diff(between), 1e-30)
    return np.sqrt(edges[:-1] * edges[1:]), 10 * np.log10(power)
