"""Second-order sections in the forms of the Audio EQ Cookbook.

Every function returns one section, shape (1, 6), ``[b0, b1, b2, 1, a1, a2]``, for
`scipy.signal.sosfilt`. Its width is given in one of three forms: `q`, `octaves` (between band
edges: half the gain for peaking, -3 dB for notch and band-pass) or, for shelves, `slope`
(1 is the steepest that stays monotonic). The `q` form narrows towards the Nyquist frequency, as
the bilinear transform does; the `octaves` form undoes that.

References
----------
.. [1] R. Bristow-Johnson, "Audio EQ Cookbook", W3C Group Note, 2021-06-08.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from shaping.errors import ParameterError
from shaping.filters.width import check_positive

Sos = NDArray[np.float64]

NEAREST_OVER_RATE = 1e-6
"""Least distance of a corner from 0 Hz and from the Nyquist frequency, over the sample rate:
nearer, double precision cannot hold the poles inside the unit circle."""

_WIDEST_OVER_EXACT = 2.0  # a choice: see `alpha_from_octaves`


def alpha_from_q(w0: float, q: float) -> float:
    """Return the cookbook's alpha for quality `q` at `w0` radians per sample.

    Raises
    ------
    ParameterError
        If `q` is not positive.
    """
    check_positive("Q", q)
    return math.sin(w0) / (2.0 * q)


def alpha_from_octaves(w0: float, octaves: float) -> float:
    """Return the cookbook's alpha for a width in octaves, corrected near Nyquist.

    The cookbook's expression grows without bound at the Nyquist frequency, where it would turn
    a bell into a gain change of the whole spectrum. It is held at twice the alpha that puts the
    lower band edge exactly right, which matters above 0.7 of Nyquist for a two-octave filter and
    above 0.95 for a sixth of an octave.

    Raises
    ------
    ParameterError
        If `octaves` is not positive.
    """
    check_positive("the width in octaves", octaves)
    edge = math.tan(w0 / 2.0 * 2.0 ** (-octaves / 2.0))
    exact_lower_edge = math.sin(w0 / 2.0) ** 2 / edge - math.cos(w0 / 2.0) ** 2 * edge
    argument = math.log(2.0) / 2.0 * octaves * w0 / math.sin(w0)
    alpha = math.sin(w0) * math.sinh(min(argument, 100.0))
    return min(alpha, _WIDEST_OVER_EXACT * exact_lower_edge)


def alpha_from_slope(w0: float, gain_db: float, slope: float) -> float:
    """Return the cookbook's alpha for a shelf of the given slope.

    Raises
    ------
    ParameterError
        If `slope` is not positive, or so steep that the shelf would not be stable.
    """
    check_positive("the shelf slope", slope)
    a = _amplitude(gain_db)
    radicand = (a + 1.0 / a) * (1.0 / slope - 1.0) + 2.0
    if radicand <= 0.0:
        raise ParameterError(
            f"a shelf of {gain_db:g} dB cannot have a slope of {slope:g}; use 1 or less"
        )
    return math.sin(w0) / 2.0 * math.sqrt(radicand)


def low_pass(
    frequency_hz: float,
    q: float | None = None,
    *,
    octaves: float | None = None,
    sample_rate_hz: float,
) -> Sos:
    """Design a second-order low-pass: 0 dB at 0 Hz, a gain of `q` at its corner.

    Parameters
    ----------
    frequency_hz : float
        Corner in Hz, below half the sample rate.
    q : float, optional
        Quality factor; 0.7071 is Butterworth's.
    octaves : float, optional
        Width in octaves, instead of `q`.
    sample_rate_hz : float
        Sample rate in Hz.

    Returns
    -------
    ndarray, shape (1, 6)
        One section.

    Raises
    ------
    ParameterError
        If a value is out of range, or the width is given twice or not at all.
    """
    w0 = _angle(frequency_hz, sample_rate_hz)
    alpha = _alpha(w0, q, octaves)
    # Half angles keep full precision where 1 - cos(w0) would cancel.
    b = math.sin(w0 / 2.0) ** 2
    return _section((b, 2.0 * b, b), (1.0 + alpha, -2.0 * math.cos(w0), 1.0 - alpha))


def high_pass(
    frequency_hz: float,
    q: float | None = None,
    *,
    octaves: float | None = None,
    sample_rate_hz: float,
) -> Sos:
    """Design a second-order high-pass: 0 dB at Nyquist, a gain of `q` at its corner.

    Parameters, result and errors are those of `low_pass`.
    """
    w0 = _angle(frequency_hz, sample_rate_hz)
    alpha = _alpha(w0, q, octaves)
    b = math.cos(w0 / 2.0) ** 2
    return _section((b, -2.0 * b, b), (1.0 + alpha, -2.0 * math.cos(w0), 1.0 - alpha))


def band_pass(
    frequency_hz: float,
    q: float | None = None,
    *,
    octaves: float | None = None,
    sample_rate_hz: float,
) -> Sos:
    """Design a band-pass of 0 dB at its centre; `octaves` is its -3 dB width.

    Parameters, result and errors are those of `low_pass`.
    """
    w0 = _angle(frequency_hz, sample_rate_hz)
    alpha = _alpha(w0, q, octaves)
    return _section((alpha, 0.0, -alpha), (1.0 + alpha, -2.0 * math.cos(w0), 1.0 - alpha))


def notch(
    frequency_hz: float,
    q: float | None = None,
    *,
    octaves: float | None = None,
    sample_rate_hz: float,
) -> Sos:
    """Design a notch: nothing passes at its centre; `octaves` is its -3 dB width.

    Parameters, result and errors are those of `low_pass`.
    """
    w0 = _angle(frequency_hz, sample_rate_hz)
    alpha = _alpha(w0, q, octaves)
    middle = -2.0 * math.cos(w0)
    return _section((1.0, middle, 1.0), (1.0 + alpha, middle, 1.0 - alpha))


def all_pass(
    frequency_hz: float,
    q: float | None = None,
    *,
    octaves: float | None = None,
    sample_rate_hz: float,
) -> Sos:
    """Design an all-pass: 0 dB everywhere, half a turn of phase at `frequency_hz`.

    Parameters, result and errors are those of `low_pass`.
    """
    w0 = _angle(frequency_hz, sample_rate_hz)
    alpha = _alpha(w0, q, octaves)
    middle = -2.0 * math.cos(w0)
    return _section((1.0 - alpha, middle, 1.0 + alpha), (1.0 + alpha, middle, 1.0 - alpha))


def peaking(
    frequency_hz: float,
    gain_db: float,
    q: float | None = None,
    *,
    octaves: float | None = None,
    sample_rate_hz: float,
) -> Sos:
    """Design a bell: `gain_db` at its centre, half of that at its band edges.

    Parameters
    ----------
    frequency_hz : float
        Centre in Hz, below half the sample rate.
    gain_db : float
        Gain at the centre in dB; negative cuts.
    q : float, optional
        Quality factor.
    octaves : float, optional
        Width in octaves between the half-gain points, instead of `q`.
    sample_rate_hz : float
        Sample rate in Hz.

    Returns
    -------
    ndarray, shape (1, 6)
        One section.

    Raises
    ------
    ParameterError
        If a value is out of range, or the width is given twice or not at all.

    Examples
    --------
    No gain leaves the signal alone:

    >>> section = peaking(1000.0, 0.0, 2.0, sample_rate_hz=48_000)
    >>> bool((section[0, :3] == section[0, 3:]).all())
    True
    """
    w0 = _angle(frequency_hz, sample_rate_hz)
    alpha = _alpha(w0, q, octaves)
    a = _amplitude(gain_db)
    middle = -2.0 * math.cos(w0)
    return _section(
        (1.0 + alpha * a, middle, 1.0 - alpha * a),
        (1.0 + alpha / a, middle, 1.0 - alpha / a),
    )


def low_shelf(
    frequency_hz: float,
    gain_db: float,
    q: float | None = None,
    *,
    octaves: float | None = None,
    slope: float | None = None,
    sample_rate_hz: float,
) -> Sos:
    """Design a low shelf: `gain_db` at 0 Hz, half of that at `frequency_hz`.

    Parameters
    ----------
    frequency_hz : float
        Midpoint of the slope in Hz, below half the sample rate.
    gain_db : float
        Gain of the shelf in dB; negative cuts.
    q, octaves, slope : float, optional
        Exactly one: quality factor, width in octaves, or shelf slope.
    sample_rate_hz : float
        Sample rate in Hz.

    Returns
    -------
    ndarray, shape (1, 6)
        One section.

    Raises
    ------
    ParameterError
        If a value is out of range, or the width is given twice or not at all.
    """
    w0 = _angle(frequency_hz, sample_rate_hz)
    b, a = _shelf(w0, _amplitude(gain_db), _shelf_alpha(w0, gain_db, q, octaves, slope), 1.0)
    return _section(b, a)


def high_shelf(
    frequency_hz: float,
    gain_db: float,
    q: float | None = None,
    *,
    octaves: float | None = None,
    slope: float | None = None,
    sample_rate_hz: float,
) -> Sos:
    """Design a high shelf: `gain_db` at Nyquist, half of that at `frequency_hz`.

    Parameters, result and errors are those of `low_shelf`.
    """
    w0 = _angle(frequency_hz, sample_rate_hz)
    b, a = _shelf(w0, _amplitude(gain_db), _shelf_alpha(w0, gain_db, q, octaves, slope), -1.0)
    return _section(b, a)


_Coefficients = tuple[float, float, float]


def _shelf(w0: float, a: float, alpha: float, side: float) -> tuple[_Coefficients, _Coefficients]:
    """Return b and a of a low (`side` 1) or high (`side` -1) shelf: one mirrors the other."""
    cosine = side * math.cos(w0)
    root = 2.0 * math.sqrt(a) * alpha
    plus, minus = a + 1.0, a - 1.0
    b = (
        a * (plus - minus * cosine + root),
        side * 2.0 * a * (minus - plus * cosine),
        a * (plus - minus * cosine - root),
    )
    return b, (
        plus + minus * cosine + root,
        side * -2.0 * (minus + plus * cosine),
        plus + minus * cosine - root,
    )


def _shelf_alpha(
    w0: float, gain_db: float, q: float | None, octaves: float | None, slope: float | None
) -> float:
    if slope is None:
        return _alpha(w0, q, octaves)
    if q is not None or octaves is not None:
        raise ParameterError("give a shelf one width: Q, octaves or slope")
    return alpha_from_slope(w0, gain_db, slope)


def _alpha(w0: float, q: float | None, octaves: float | None) -> float:
    if (q is None) == (octaves is None):
        raise ParameterError("give a filter one width: either Q or octaves")
    return alpha_from_q(w0, q) if q is not None else alpha_from_octaves(w0, octaves or 0.0)


def _amplitude(gain_db: float) -> float:
    """Return the cookbook's A, the square root of the gain."""
    if not math.isfinite(gain_db) or abs(gain_db) > 120.0:
        raise ParameterError(f"a gain must lie between -120 and 120 dB, not {gain_db:g}")
    return float(10.0 ** (gain_db / 40.0))


def _angle(frequency_hz: float, sample_rate_hz: float) -> float:
    """Return radians per sample, having checked that a section can be designed there."""
    check_design_frequency(frequency_hz, sample_rate_hz)
    return 2.0 * math.pi * frequency_hz / sample_rate_hz


def check_design_frequency(frequency_hz: float, sample_rate_hz: float) -> None:
    """Raise `ParameterError` unless a filter at `frequency_hz` exists at `sample_rate_hz`."""
    check_positive("the sample rate in Hz", sample_rate_hz)
    check_positive("a filter frequency in Hz", frequency_hz)
    if frequency_hz > (0.5 - NEAREST_OVER_RATE) * sample_rate_hz:
        raise ParameterError(
            f"a filter at {frequency_hz:g} Hz needs a sample rate above {2 * frequency_hz:g} Hz, "
            f"not {sample_rate_hz:g} Hz; leave it out or use a recording at a higher rate"
        )
    if frequency_hz < NEAREST_OVER_RATE * sample_rate_hz:
        raise ParameterError(
            f"a filter at {frequency_hz:g} Hz is too low for a sample rate of "
            f"{sample_rate_hz:g} Hz; use {NEAREST_OVER_RATE * sample_rate_hz:g} Hz or more"
        )


def _section(b: _Coefficients, a: _Coefficients) -> Sos:
    return np.array([[*b, *a]]) / a[0]
