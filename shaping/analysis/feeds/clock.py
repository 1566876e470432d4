"""The recorder's clock to some hundredths of a part per million.

The bursts place both ends to some microseconds; over the length of the signal that leaves up to
1 ppm, which turns the phase of 14 kHz by a fraction of a turn from one stretch to the next. Two
stretches of the same sound, one early and one late, tell the rest by the delay between them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.feeds.line_up import Place
from shaping.analysis.feeds.periods import cut_out
from shaping.analysis.feeds.played import PERIOD, STEPS_DB, Stretch, lines_of, stretches

_FINER = 16
"""Points to the sample in which the delay is looked for, before a parabola."""

_MOST_S = 60e-6
"""Most that bursts misplace the end; a delay beyond it is a mistake."""

_CLEAR = 8.0
"""Height of the peak over the rms beside it for the delay to count."""

Samples = NDArray[np.float32]


def finer_clock(
    samples: Samples, sample_rate_hz: int, place: Place, *, signal_rate_hz: int
) -> Place:
    """Return a place with the clock that one output, shape (n,), tells.

    Parameters
    ----------
    samples : ndarray of float32, shape (n,)
        The output that carries the signal best.
    sample_rate_hz : int
        Rate of the recording.
    place : Place
        By the bursts.
    signal_rate_hz : int
        Rate of the signal.

    Returns
    -------
    Place
        The same where nothing is clear.
    """
    early, late = _pair()
    lines = np.union1d(lines_of("left", signal_rate_hz), lines_of("right", signal_rate_hz))
    spectra = []
    for one in (early, late):
        heard = cut_out(samples, sample_rate_hz, place, one, signal_rate_hz=signal_rate_hz)
        spectra.append(np.fft.rfft(np.median(heard.periods[1:], axis=0))[lines])
    spectrum = np.zeros(PERIOD * _FINER // 2 + 1, complex)
    spectrum[lines] = spectra[1] * np.conj(spectra[0]) * lines  # pink twice over, made white
    peak = np.fft.irfft(spectrum, PERIOD * _FINER)
    reach = int(_MOST_S * signal_rate_hz * _FINER)
    near = np.concatenate([peak[-reach:], peak[: reach + 1]])
    at = int(np.argmax(near))
    rms = float(np.sqrt(np.mean(peak**2)))
    if not 0 < at < near.size - 1 or near[at] < _CLEAR * rms:
        return place
    before, here, after = near[at - 1 : at + 2]
    top = at - reach + 0.5 * (before - after) / (before - 2 * here + after)
    delay_s = float(top) / (_FINER * signal_rate_hz)
    drift = delay_s / ((late.start - early.start) / signal_rate_hz)
    # The offset holds at the middle of the signal, where the bursts of both ends placed it.
    middle_s = 0.5 * (stretches()[0].start + stretches()[-1].start) / signal_rate_hz
    return replace(
        place,
        offset_s=place.offset_s - drift * middle_s,
        clock_ppm=place.clock_ppm + 1e6 * drift,
    )


def _pair() -> tuple[Stretch, Stretch]:
    """Return the step at the hold's level, and the last one."""
    steps = [one for one in stretches() if one.kind == "step"]
    early = steps[STEPS_DB.index(0.0)]
    return early, steps[-1]
