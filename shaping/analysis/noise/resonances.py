"""Resonances in the spectrum of pink noise heard through a wedge, without its reference.

One spectrum of the whole recording is averaged over cells of a constant fraction of an octave.
Cells are independent and gamma distributed about their mean, which judges every peak: nothing is
called a resonance that steady noise of this length could have made by itself. A resonance is then
fitted by maximum likelihood, with the averaging in the model, so that neither a window nor a
cell biases its Q.

Conventions: levels are relative to pink noise (a flat path gives a level curve). A resonance of
height h stands over the trend as ``1 + h / (1 + u^2)`` in power, ``u = Q (f / f0 - f0 / f)``; its
Q is that of the resonance itself, centre over half-power bandwidth.

References
----------
.. [1] P. Whittle, "Curve and periodogram smoothing", J. Royal Statistical Society B 19, 1957
   (likelihood of periodogram ordinates).
.. [2] E. B. Wilson, M. M. Hilferty, "The distribution of chi-square", PNAS 17, 1931.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft, ndimage, signal

from shaping.analysis.findings import LoopResponse, Resonance
from shaping.errors import CaptureError

_LOW_HZ = 50.0  # a wedge plays little below
_HIGH_HZ = 16_000.0  # the end of what a wedge and a vocal mic pass on
_SHORTEST_S = 4.0  # three lines are then as wide as a cell at 200 Hz; below, cells are wider
MOST_RESONANCES = 16  # a choice: more than anybody cuts

FALSE_ALARM_Z = 5.0
"""Standard score a peak must reach; chosen so that fewer than 1 in 100 captures of flat noise
show any (tests/analysis/noise/test_resonances.py counts them)."""

LEAST_PROMINENCE_DB = 1.5  # a choice: less is not heard as a tone of its own, nor worth a cut

_CELLS_PER_OCTAVE = 192  # a resonance of Q 128 is two cells wide
_FEWEST_BINS = 3  # with fewer, a cell's mean is too far from normal for a score
_TREND_OCTAVES = 2.0  # a choice: twice as wide as what still counts as a resonance (Q 1.5)
_TREND_CLIP = 1.0  # one standard deviation of a cell: what stands out further is no trend
_BANK_Q = np.geomspace(1.5, 120.0, 14)
"""A factor of 1.4 apart: at worst a fifth off, which the fit makes good."""
_Q_RANGE = (1.0, 150.0)
"""Wider is trend; narrower a room does not make (Q 0.455 f T60: 330 Hz at 1 s)."""
_FALL_DB = 35.0  # the ends of the band, where filters take all; a dip that deep is none
_FRAME_S = 0.1  # a choice: the start and the end are found to a tenth of a second
_LEAST_SCORE = 5.0  # keeps 31 of 36 bumps planted in tuning stages
_MOST_CERTAIN = 1000.0  # lines: no cell of a measured response counts as better known
_REACH = 3.0  # of a fit, in bandwidths to either side
_BASE_SD = 0.15
"""How far the trend may be off under a peak, as one standard deviation in nepers of power."""
_WIDE_Q = 8.0  # wider peaks bend the trend over two octaves themselves
_WIDE_BASE_SD = 0.7  # a choice, 3 dB: under a wide peak the trend is hardly known
_DB = 10 / np.log(10)  # dB of one neper of power

_Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class PinkSpectrum:
    """A spectrum relative to pink noise, averaged over cells of a fraction of an octave.

    Attributes
    ----------
    frequency_hz, low_hz, high_hz : ndarray, shape (n,)
        Middle and edges of every cell.
    power : ndarray, shape (n,)
        Mean power density times frequency.
    count : ndarray, shape (n,)
        Independent spectral lines averaged: the relative variance is ``1 / count``.
    """

    frequency_hz: _Real
    low_hz: _Real
    high_hz: _Real
    power: _Real
    count: _Real

    @property
    def level_db(self) -> _Real:
        """Level in dB, relative to pink noise."""
        return np.asarray(10 * np.log10(np.maximum(self.power, 1e-30)))

    @property
    def error_db(self) -> _Real:
        """One standard deviation of `level_db`."""
        return np.asarray(_DB / np.sqrt(self.count))


@dataclass(frozen=True, eq=False)
class _Peak:
    """A fitted peak: natural logarithms of centre, Q and height, and their covariance."""

    theta: _Real
    covariance: _Real

    @property
    def height(self) -> float:
        return float(np.exp(self.theta[2]))

    def score(self) -> float:
        """Prominence in dB over its own standard deviation.

        Of a tall peak the height is badly known, but not that it is tall.
        """
        error = np.sqrt(max(self.covariance[2, 2], 1e-12)) * self.height / (1 + self.height)
        return float(np.log1p(self.height) / error)


def pink_spectrum(samples: ArrayLike, sample_rate_hz: float) -> PinkSpectrum:
    """Return the spectrum of steady noise relative to pink noise.

    Parameters
    ----------
    samples : array_like, shape (n,)
        One channel, at least 4 s long.
    sample_rate_hz : float
        Sample rate in Hz.

    Returns
    -------
    PinkSpectrum
        From 50 Hz to 16 kHz, without the ends of the band where the level falls away.

    Raises
    ------
    CaptureError
        If the recording is too short.
    """
    values = _sounding(np.asarray(samples, np.float32), sample_rate_hz)
    if values.size < _SHORTEST_S * sample_rate_hz:
        raise CaptureError(
            f"{values.size / sample_rate_hz:.1f} s of noise are too short to tell resonances from "
            "chance: record 30 s."
        )
    size = fft.next_fast_len(values.size, real=True)
    taper = signal.windows.tukey(values.size, 0.02).astype(np.float32)
    spectrum = fft.rfft(values * taper, size)
    density = (spectrum.real**2 + spectrum.imag**2) / np.float32(np.mean(taper**2))
    # Zero padding makes neighbouring lines depend on each other by as much.
    independent = values.size / size * float(np.mean(taper**2) ** 2 / np.mean(taper**4))
    line_hz = sample_rate_hz / size
    edges = _cell_edges(line_hz, min(_HIGH_HZ, 0.45 * sample_rate_hz))
    at_hz = np.arange(edges[-1] + 1) * line_hz
    pink = np.concatenate([[0.0], np.cumsum(density[: edges[-1] + 1] * at_hz, dtype=np.float64)])
    count = np.diff(edges)
    power = (pink[edges[1:]] - pink[edges[:-1]]) / count
    low, high = (edges[:-1] - 0.5) * line_hz, (edges[1:] - 0.5) * line_hz
    kept = _lively(power)
    return PinkSpectrum(
        np.sqrt(low * high)[kept], low[kept], high[kept], power[kept], count[kept] * independent
    )


def find_resonances(samples: ArrayLike, sample_rate_hz: float) -> tuple[Resonance, ...]:
    """Return the resonances that stand out of the smooth trend, the most prominent first.

    Parameters
    ----------
    samples : array_like, shape (n,)
        Pink noise as the mic heard it.
    sample_rate_hz : float
        Sample rate in Hz.

    Returns
    -------
    tuple of Resonance
        At most `MOST_RESONANCES`; none where nothing is significant.

    Raises
    ------
    CaptureError
        If the recording is too short.
    """
    return resonances_of(pink_spectrum(samples, sample_rate_hz))


def resonances_of(spectrum: PinkSpectrum) -> tuple[Resonance, ...]:
    """Return the significant resonances of a spectrum, the most prominent first."""
    log_f = np.log(spectrum.frequency_hz)
    trend = _trend(spectrum.power, spectrum.count)
    peaks: list[_Peak] = []
    for _ in range(MOST_RESONANCES):
        start = _strongest(spectrum, trend, peaks)
        if start is None:
            break
        peaks.append(_fit(_effective(spectrum, trend, peaks), trend, peaks, start))
        if len(peaks) % 4 == 0:
            trend = _trend(spectrum.power / _product(spectrum, peaks), spectrum.count)
    for _ in range(2):
        trend = _trend(spectrum.power / _product(spectrum, peaks), spectrum.count)
        scattered = _effective(spectrum, trend, peaks)
        peaks = [
            _fit(scattered, trend, peaks[:i] + peaks[i + 1 :], peak.theta)
            for i, peak in enumerate(peaks)
        ]
    inside = (log_f[0] + 0.1, log_f[-1] - 0.1)
    found = [
        _resonance(peak)
        for peak in peaks
        if inside[0] < peak.theta[0] < inside[1]
        and peak.score() > _LEAST_SCORE
        and peak.theta[1] > np.log(_Q_RANGE[0] * 1.2)
    ]
    prominent = [one for one in found if one.prominence_db >= LEAST_PROMINENCE_DB]
    prominent.sort(key=lambda one: -one.prominence_db)
    return tuple(prominent[:MOST_RESONANCES])


def response_spectrum(response: LoopResponse) -> PinkSpectrum:
    """Return the trusted part of a loop response in the cells that resonances are found in."""
    line_hz = float(response.frequency_hz[1])
    edges = _cell_edges(line_hz, min(_HIGH_HZ, float(response.frequency_hz[-1])))
    edges = edges[edges < response.frequency_hz.size]
    trusted = response.trusted
    power = np.where(trusted, np.abs(response.response) ** 2, 0.0)
    # The variance of a line's power, relative: four times that of its magnitude.
    variance = np.where(trusted, 4 * (response.error_db / (2 * _DB)) ** 2, 0.0)
    lines = np.maximum(np.add.reduceat(trusted.astype(np.float64), edges)[:-1], 1e-9)
    mean = np.add.reduceat(power, edges)[:-1] / lines
    spread = np.add.reduceat(variance, edges)[:-1] / lines
    full = lines > 0.5 * np.diff(edges)
    # Neighbouring lines share their error: the response is on a grid twice as fine as it needs.
    count = np.clip(0.5 * lines / np.maximum(spread, 1e-9), 1.0, _MOST_CERTAIN)
    low = np.asarray((edges[:-1] - 0.5) * line_hz, np.float64)
    high = np.asarray((edges[1:] - 0.5) * line_hz, np.float64)
    middle = np.sqrt(low * high)
    return PinkSpectrum(middle[full], low[full], high[full], mean[full], count[full])


def _resonance(peak: _Peak) -> Resonance:
    height = peak.height
    sd = np.sqrt(np.diag(peak.covariance))
    frequency_hz, q = (float(np.exp(value)) for value in peak.theta[:2])
    return Resonance(
        frequency_hz=frequency_hz,
        prominence_db=float(_DB * np.log1p(height)),
        q=q,
        error_db=float(_DB * height / (1 + height) * sd[2]),
        q_error=q * float(sd[1]),
        frequency_error_hz=frequency_hz * float(sd[0]),
    )


def _sounding(values: NDArray[np.float32], sample_rate_hz: float) -> NDArray[np.float32]:
    """Return the stretch from the first to the last moment near the usual level."""
    frame = int(_FRAME_S * sample_rate_hz)
    count = values.size // frame
    if count < 3:
        return values
    power = np.mean(values[: count * frame].reshape(count, frame) ** 2, axis=1)
    loud = np.flatnonzero(power > 0.1 * np.quantile(power, 0.75))
    return values[(loud[0] + 1) * frame : loud[-1] * frame] if loud.size > 2 else values


def _cell_edges(line_hz: float, high_hz: float) -> NDArray[np.int64]:
    """Return the first line of every cell: equal in octaves, and of at least three lines."""
    ratio = 2 ** (1 / _CELLS_PER_OCTAVE)
    edges = [round(_LOW_HZ / line_hz)]
    while edges[-1] * line_hz < high_hz:
        edges.append(max(round(edges[-1] * ratio), edges[-1] + _FEWEST_BINS))
    return np.array(edges, np.int64)


def _lively(power: _Real) -> slice:
    """Return the cells from the first to the last that are not far below the rest."""
    smooth = np.convolve(power, np.full(25, 1 / 25), mode="same")
    level = np.log(np.maximum(smooth, 1e-30))
    alive = np.flatnonzero(level > np.median(level) - _FALL_DB / _DB)
    return slice(int(alive[0]), int(alive[-1]) + 1)


def _trend(power: _Real, count: _Real) -> _Real:
    """Return the smooth trend of the power, peaks clipped off."""
    width = int(_TREND_OCTAVES * _CELLS_PER_OCTAVE) // 2 * 2 + 1
    width = min(width, (power.size - 1) // 2 * 2 + 1)
    # The logarithm of a gamma mean lies low by about 1 / (2 count).
    level = np.log(np.maximum(power, 1e-30)) + 0.5 / count
    clip = _TREND_CLIP / np.sqrt(count) + 0.1
    smooth = np.asarray(signal.savgol_filter(level, width, 2))
    for _ in range(8):
        clipped = np.clip(level, smooth - clip, smooth + clip)
        smooth = np.asarray(signal.savgol_filter(clipped, width, 2))
    return np.asarray(np.exp(smooth))


def _shape(theta: _Real, spectrum: PinkSpectrum) -> _Real:
    """Return ``1 + h / (1 + u^2)`` averaged over every cell by Simpson's rule."""
    centre, q, height = np.exp(theta[:3])

    def at(frequency_hz: _Real) -> _Real:
        u = q * (frequency_hz / centre - centre / frequency_hz)
        return np.asarray(1 / (1 + u * u))

    mean = (at(spectrum.low_hz) + 4 * at(spectrum.frequency_hz) + at(spectrum.high_hz)) / 6
    return np.asarray(1 + height * mean)


def _product(spectrum: PinkSpectrum, peaks: list[_Peak]) -> _Real:
    total = np.ones(spectrum.power.size)
    for peak in peaks:
        total *= _shape(peak.theta, spectrum)
    return total


def _strongest(spectrum: PinkSpectrum, trend: _Real, peaks: list[_Peak]) -> _Real | None:
    """Return start values for the most significant excess over trend and peaks so far."""
    ratio = spectrum.power / (trend * _product(spectrum, peaks))
    weight = np.concatenate([[0.0], np.cumsum(spectrum.count)])
    total = np.concatenate([[0.0], np.cumsum(spectrum.count * ratio)])
    best: tuple[float, _Real] | None = None
    for q in _BANK_Q:
        reach = 2 ** (0.5 * np.log2(1 + 1 / q))
        low = np.searchsorted(spectrum.frequency_hz, spectrum.frequency_hz / reach)
        high = np.searchsorted(spectrum.frequency_hz, spectrum.frequency_hz * reach, "right")
        k = weight[high] - weight[low]
        mean = np.maximum(total[high] - total[low], 0) / k
        # Wilson and Hilferty: the cube root of a gamma mean is very nearly normal.
        z = 3 * np.sqrt(k) * (np.cbrt(mean) - (1 - 1 / (9 * k)))
        at = int(np.argmax(z))
        if z[at] > FALSE_ALARM_Z and (best is None or z[at] > best[0]):
            excess = max(1.3 * (mean[at] - 1), 0.05)
            start = np.log([spectrum.frequency_hz[at], q, excess])
            best = (float(z[at]), np.concatenate([start, np.zeros(3)]))
    return None if best is None else best[1]


def _effective(spectrum: PinkSpectrum, trend: _Real, peaks: list[_Peak]) -> PinkSpectrum:
    """Return the spectrum with counts lowered to what its scatter about the model shows.

    Between a room's many small peaks a resonance is less sure than the noise alone would say.
    """
    excess = np.log(spectrum.power / (trend * _product(spectrum, peaks))) + 0.5 / spectrum.count
    width = _CELLS_PER_OCTAVE // 2 + 1
    scatter = 1.4826 * ndimage.median_filter(np.abs(excess), width, mode="nearest")
    variance = np.maximum(scatter**2, 1 / spectrum.count)
    return replace(spectrum, count=1 / variance)


def _fit(spectrum: PinkSpectrum, trend: _Real, others: list[_Peak], start: _Real) -> _Peak:
    """Fit one peak and the base under it by maximum likelihood (Fisher scoring, damped).

    Under a narrow peak the base is the trend, give or take a little. A wide one bends the trend
    itself: its base is a parabola in log frequency, fitted with it.
    """
    theta = start.copy()
    wide = theta[1] < np.log(_WIDE_Q)
    reach = max(_REACH * np.exp(-theta[1]), 8 * np.log(2) / _CELLS_PER_OCTAVE)
    log_f = np.log(spectrum.frequency_hz)
    near = np.abs(log_f - start[0]) < reach
    part = PinkSpectrum(
        *(
            getattr(spectrum, name)[near]
            for name in ("frequency_hz", "low_hz", "high_hz", "power", "count")
        )
    )
    base = np.full(part.power.size, np.median(trend[near])) if wide else trend[near]
    known = np.log(base * _product(part, others))
    x = (log_f[near] - start[0]) / reach
    terms = np.stack([np.ones_like(x), x, x * x], axis=1)
    theta[3:] = 0.0
    precision = np.zeros(6)
    precision[3:] = (_WIDE_BASE_SD if wide else _BASE_SD) ** -2.0

    def log_mean(values: _Real) -> _Real:
        return np.asarray(known + np.log(_shape(values, part)) + terms @ values[3:])

    def loss(values: _Real) -> float:
        mean = log_mean(values)
        likelihood = part.count * (mean + part.power * np.exp(-mean))
        return float(np.sum(likelihood) + 0.5 * np.sum(precision * values**2))

    nudges = np.array([1e-4 * np.exp(-theta[1]), 1e-3, 1e-3])
    value, damping = loss(theta), 1e-2
    information = np.eye(6)
    for _ in range(60):
        mean = log_mean(theta)
        shape_part = [
            (log_mean(theta + nudge * unit) - mean) / nudge
            for nudge, unit in zip(nudges, np.eye(6), strict=False)
        ]
        jacobian = np.column_stack([*shape_part, terms])
        residual = part.power * np.exp(-mean) - 1
        information = jacobian.T @ (part.count[:, None] * jacobian) + np.diag(precision)
        gradient = jacobian.T @ (part.count * residual) - precision * theta
        scale = np.diag(np.diag(information) + 1e-9)
        tried = theta + np.clip(np.linalg.solve(information + damping * scale, gradient), -0.5, 0.5)
        tried[0] = np.clip(tried[0], start[0] - 0.5 * reach, start[0] + 0.5 * reach)
        tried[1] = np.clip(tried[1], *np.log(_Q_RANGE))
        new = loss(tried)
        if new < value:
            done = value - new < 1e-3
            theta, value, damping = tried, new, damping / 4
            if done:
                break
        else:
            damping *= 6
            if damping > 1e8:
                break
    return _Peak(theta, np.asarray(np.linalg.pinv(information), np.float64))
