"""The level of a loop from pink noise alone, up to one constant, and whether it was pink at all.

What a mic hears of pink noise has the power ``|P|^2 / f`` times a constant, so its spectrum times
frequency is the loop's own level curve. Without the reference that constant cannot be known.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from shaping.analysis.loop.reach import SMOOTH, roughness
from shaping.analysis.noise.resonances import pink_spectrum
from shaping.plan.loop.level_curve import LevelCurve

LEAST_LINES = 90.0
"""So many independent lines are averaged at least: 0.5 dB of chance, as one standard deviation.
Fewer leave the cuts to chance, more blur the peaks of a room that rings long."""

STEEPEST_DB_PER_OCTAVE = 2.5
"""A wedge heard by a mic tilts less than this from 200 Hz to 8 kHz; white noise rises by 3."""

_TILT_HZ = (200.0, 8000.0)  # where wedge, mic and room all work; the ends would bend the line


def noise_curve(samples: ArrayLike, sample_rate_hz: float) -> LevelCurve:
    """Return the level curve of pink noise as a mic heard it, 0 dB on average.

    Raises
    ------
    CaptureError
        If the recording is too short.
    """
    spectrum = pink_spectrum(samples, sample_rate_hz)
    width = np.ceil(LEAST_LINES / spectrum.count).astype(np.int64)
    power, count = spectrum.power.copy(), spectrum.count.copy()
    for cells in np.unique(width[width > 1]):
        here = width == cells
        odd = int(cells) // 2 * 2 + 1
        power[here] = ndimage.uniform_filter1d(spectrum.power, odd, mode="nearest")[here]
        count[here] = odd * spectrum.count[here]
    level_db = 10 * np.log10(np.maximum(power, 1e-30))
    # The highest of many uncertain levels is high by chance, and higher where they are less sure.
    chance_db = 10 / np.log(10) / np.sqrt(count)
    return LevelCurve(spectrum.frequency_hz, level_db - level_db.mean() - chance_db, chance_db)


def pink_doubts(samples: NDArray[np.float32], sample_rate_hz: float) -> list[str]:
    """Return why a recording does not look like pink noise heard by a mic; empty if it does."""
    spectrum = pink_spectrum(samples, sample_rate_hz)
    inside = (spectrum.frequency_hz > _TILT_HZ[0]) & (spectrum.frequency_hz < _TILT_HZ[1])
    octaves = np.log2(spectrum.frequency_hz[inside])
    tilt = 0.0
    if inside.sum() > 2:
        tilt = float(np.polyfit(octaves, spectrum.level_db[inside], 1)[0])
    doubts = []
    if abs(tilt) > STEEPEST_DB_PER_OCTAVE:
        way = "rises" if tilt > 0 else "falls"
        doubts.append(
            f"Against pink noise the recording {way} by {abs(tilt):.1f} dB per octave, more than a "
            "wedge and a mic do: if the test signal was not pink, the cuts go to the wrong places."
        )
    if roughness(samples, sample_rate_hz=sample_rate_hz) < SMOOTH:
        doubts.append(
            "The recording is as smooth as noise that never was in a room: it may be the test "
            "signal itself. Name what the mic recorded."
        )
    return doubts
