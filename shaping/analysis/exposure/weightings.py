"""A- and C-weighting as filters, for levels of recordings.

The corners at 21, 108 and 738 Hz are far below any sample rate, so the bilinear transform gives
them as they are. The one at 12.2 kHz is not: its poles are mapped by ``z = exp(s / fs)`` and its
zeros fitted to the analogue power. From 20 Hz to 16 kHz the result is within 0.2 dB of the
analogue curve at 44.1 kHz, 0.08 dB at 48 kHz and 0.002 dB at 96 kHz.

References
----------
.. [1] IEC 61672-1:2013, annex E: poles of both weightings.
.. [2] M. Vicanek, "Matched Second Order Digital Filters", 2016: numerator from three values of
   the power response.
"""

from __future__ import annotations

import numpy as np
from scipy import signal

from shaping.analysis.weighting import F1_HZ, F2_HZ, F3_HZ, F4_HZ
from shaping.errors import ParameterError
from shaping.filters.cookbook import Sos
from shaping.filters.response import frequency_response

LEAST_RATE_HZ = 32_000
"""Below this the weightings end short of 16 kHz, and what a recording lacks may have been loud."""

_FITTED_TO_HZ = 22_000.0  # above it there is nothing to hear
_FITTED_POINTS = 400  # many more than the filter has coefficients


def a_weighting_sos(sample_rate_hz: int) -> Sos:
    """Return the A-weighting, shape (3, 6), 0 dB at 1 kHz.

    Raises
    ------
    ParameterError
        If the sample rate is below 32 kHz.
    """
    return _scaled(
        np.vstack([_c_sections(sample_rate_hz), _high_pass(F2_HZ, F3_HZ, sample_rate_hz)]),
        sample_rate_hz,
    )


def c_weighting_sos(sample_rate_hz: int) -> Sos:
    """Return the C-weighting, shape (2, 6), 0 dB at 1 kHz.

    Raises
    ------
    ParameterError
        If the sample rate is below 32 kHz.
    """
    return _scaled(_c_sections(sample_rate_hz), sample_rate_hz)


def _c_sections(sample_rate_hz: int) -> Sos:
    if sample_rate_hz < LEAST_RATE_HZ:
        raise ParameterError(
            f"levels need a sample rate of {LEAST_RATE_HZ / 1000:g} kHz or more, not "
            f"{sample_rate_hz / 1000:g} kHz: record again at 48 kHz"
        )
    return np.vstack([_high_pass(F1_HZ, F1_HZ, sample_rate_hz), _low_pass(sample_rate_hz)])


def _high_pass(first_hz: float, second_hz: float, sample_rate_hz: int) -> Sos:
    poles = -2 * np.pi * np.array([first_hz, second_hz])
    return np.asarray(signal.zpk2sos(*signal.bilinear_zpk([0, 0], poles, 1.0, sample_rate_hz)))


def _low_pass(sample_rate_hz: int) -> Sos:
    """Return the double pole at 12.2 kHz as one section."""
    pole = np.exp(-2 * np.pi * F4_HZ / sample_rate_hz)
    below = np.array([1.0, -2 * pole, pole**2])
    at_hz = np.linspace(0.0, min(0.5 * sample_rate_hz, _FITTED_TO_HZ), _FITTED_POINTS)
    _, recursive = signal.freqz([1.0], below, worN=at_hz, fs=sample_rate_hz)
    # |B|^2 is linear in the power at DC, at Nyquist, and one value between.
    sine = np.sin(np.pi * at_hz / sample_rate_hz) ** 2
    shapes = np.stack([1 - sine, sine, 4 * sine * (1 - sine)], axis=1)
    wanted = np.abs(recursive) ** -2 / (1 + (at_hz / F4_HZ) ** 2) ** 2
    at_dc = wanted[0]
    rest = (wanted - at_dc * shapes[:, 0]) / wanted
    (at_top, between), *_ = np.linalg.lstsq(shapes[:, 1:] / wanted[:, None], rest, rcond=None)
    mean = 0.5 * (np.sqrt(at_dc) + np.sqrt(at_top))
    first = 0.5 * (mean + np.sqrt(mean**2 + between))
    above = [first, 0.5 * (np.sqrt(at_dc) - np.sqrt(at_top)), -between / (4 * first)]
    return np.array([[*above, *below]])


def _scaled(sos: Sos, sample_rate_hz: int) -> Sos:
    """Return sections with 0 dB at 1 kHz."""
    sos = sos.copy()
    sos[0, :3] /= np.abs(frequency_response(sos, [1000.0], sample_rate_hz=sample_rate_hz)[0])
    return sos
