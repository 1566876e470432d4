"""What is true of a stage: its loop gain, its unstable modes, its stable gain.

Loop gain ``L(z) = g E(z) P(z)``, positive feedback: the loop is unstable when ``1 - L(z)`` has a
zero outside the unit circle. Frequencies in Hz, growth in dB per second of time (negative where a
mode dies away).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from shaping.errors import ParameterError
from shaping.simulation.closed_loop import Stage
from shaping.simulation.colour import Complexes, Floats, bin_frequencies

_ROW = 256
_CLOSER = 257
_OVERSAMPLING = 8  # frequency points per path sample: the phase moves by at most 45 degrees


@dataclass(frozen=True, slots=True)
class Mode:
    """One mode of the closed loop.

    Attributes
    ----------
    frequency_hz : float
        Where it rings.
    growth_db_per_s : float
        How fast its level rises; negative when it dies away.
    """

    frequency_hz: float
    growth_db_per_s: float


def open_loop(
    stage: Stage, *, eq_sos: Floats | None = None, oversampling: int = _OVERSAMPLING
) -> tuple[Floats, Complexes]:
    """Loop gain at a send gain of 0 dB on a fine grid from 0 Hz to half the sample rate.

    Returns
    -------
    frequency_hz : ndarray, shape (n,)
    response : ndarray of complex, shape (n,)
    """
    size = fft.next_fast_len(oversampling * stage.path.size, real=True)
    frequency_hz = bin_frequencies(size, sample_rate_hz=stage.sample_rate_hz)
    response: Complexes = np.asarray(fft.rfft(stage.path, size))
    if eq_sos is not None:
        z = np.exp(2j * np.pi * frequency_hz / stage.sample_rate_hz)
        response = response * _eq_at(eq_sos, z)
    return frequency_hz, response


def in_phase_points(frequency_hz: Floats, response: Complexes) -> tuple[Floats, Floats]:
    """Where the loop's phase is a multiple of a full turn, and its gain there.

    Returns
    -------
    frequency_hz : ndarray, shape (m,)
    gain_db : ndarray, shape (m,)
        Loop gain at a send gain of 0 dB.
    """
    here, there = response[:-1], response[1:]
    crossing = (here.imag > 0) & (there.imag <= 0) | (here.imag <= 0) & (there.imag > 0)
    i = np.flatnonzero(crossing & (here.real + there.real > 0))
    part = here.imag[i] / (here.imag[i] - there.imag[i])
    gain = np.abs(here[i]) ** (1 - part) * np.abs(there[i]) ** part
    found_hz = frequency_hz[i] + part * (frequency_hz[i + 1] - frequency_hz[i])
    return found_hz, 20 * np.log10(np.maximum(gain, 1e-12))


def stable_gain_db(stage: Stage, *, eq_sos: Floats | None = None) -> float:
    """Send gain in dB at which the loop turns unstable (Nyquist criterion).

    Rising from nothing, the gain first makes the loop unstable where the largest in-phase loop
    gain reaches 0 dB.
    """
    _, gain_db = in_phase_points(*open_loop(stage, eq_sos=eq_sos))
    return float(-np.max(gain_db))


def worst_case_stable_gain_db(stage: Stage, *, eq_sos: Floats | None = None) -> float:
    """Send gain in dB that is safe whatever the phase: ``-20 log10 max |L|``."""
    _, response = open_loop(stage, eq_sos=eq_sos)
    return float(-20 * np.log10(np.max(np.abs(response))))


def encirclements(stage: Stage, gain_db: float, *, eq_sos: Floats | None = None) -> int:
    """Count the unstable modes (a conjugate pair once) by the turns of ``1 - L`` round zero.

    An independent check on `unstable_modes`: it follows the argument of ``1 - L`` from 0 Hz to
    half the sample rate.
    """
    frequency_hz, response = open_loop(stage, eq_sos=eq_sos)
    gain = 10 ** (gain_db / 20)
    turns = np.angle(_ratio(1 - gain * response))
    for i in np.flatnonzero(np.abs(turns) > 0.5):  # passing close to zero: look closer
        fine_hz = np.linspace(frequency_hz[i], frequency_hz[i + 1], _CLOSER)
        closer = response_at(stage, fine_hz, eq_sos=eq_sos)
        turns[i] = np.sum(np.angle(_ratio(1 - gain * closer)))
    return round(float(-np.sum(turns) / (2 * np.pi)))


def modes(
    stage: Stage,
    gain_db: float,
    *,
    eq_sos: Floats | None = None,
    margin_db: float = 3.0,
    min_growth_db_per_s: float = -np.inf,
) -> tuple[Mode, ...]:
    """Closed-loop modes near in-phase points whose loop gain is above ``-margin_db``.

    Zeros of ``1 - L(z)``, found by Newton's method on ``log L(z) = 2 pi i k``, which is nearly
    linear in a loop that is mostly delay.

    Returns
    -------
    tuple of Mode
        Fastest-growing first.
    """
    found_hz, level_db = in_phase_points(*open_loop(stage, eq_sos=eq_sos))
    near = level_db + gain_db > -margin_db
    rate = stage.sample_rate_hz
    gain = 10 ** (gain_db / 20)
    result: list[Mode] = []
    for start_hz in found_hz[near]:
        s = _newton(stage, gain, eq_sos, 2j * np.pi * start_hz / rate)
        if s is None:
            continue
        mode = Mode(float(s.imag * rate / (2 * np.pi)), float(20 / np.log(10) * s.real * rate))
        known = any(abs(mode.frequency_hz - m.frequency_hz) < 1e-3 for m in result)
        if mode.growth_db_per_s >= min_growth_db_per_s and mode.frequency_hz > 0 and not known:
            result.append(mode)
    return tuple(sorted(result, key=lambda m: -m.growth_db_per_s))


def unstable_modes(
    stage: Stage, gain_db: float, *, eq_sos: Floats | None = None
) -> tuple[Mode, ...]:
    """Modes that grow at this send gain, fastest first."""
    return modes(stage, gain_db, eq_sos=eq_sos, margin_db=1.0, min_growth_db_per_s=0.0)


def response_at(stage: Stage, frequency_hz: Floats, *, eq_sos: Floats | None = None) -> Complexes:
    """Loop gain at a send gain of 0 dB at any frequencies; shape of `frequency_hz`."""
    z = np.exp(2j * np.pi * np.atleast_1d(frequency_hz) / stage.sample_rate_hz)
    start, taps = _taps(stage)
    response = np.array([_polynomial(taps, start, point)[0] for point in z])
    return response if eq_sos is None else response * _eq_at(eq_sos, z)


def _newton(stage: Stage, gain: float, eq_sos: Floats | None, s: complex) -> complex | None:
    start, taps = _taps(stage)
    width = 0.25 / max(stage.delay_samples, 1)  # stay near the in-phase point we came from
    origin = s
    for _ in range(20):
        z = np.exp(s)
        value, slope = _polynomial(taps, start, z)
        if eq_sos is not None:
            step = 1e-6
            here = complex(_eq_at(eq_sos, np.array([z]))[0])
            there = complex(_eq_at(eq_sos, np.array([np.exp(s + step)]))[0])
            slope = slope * here + value * (there - here) / step
            value = value * here
        if value == 0 or slope == 0:
            return None
        change = -np.log(gain * value) * value / slope
        if abs(change) > width:
            change *= width / abs(change)
        s += change
        if abs(s - origin) > 8 * width:
            return None
        if abs(change) < 1e-13:
            return complex(s)
    return None


def _taps(stage: Stage) -> tuple[int, Floats]:
    """First sample that sounds, and the path from there on, padded to whole rows."""
    start = stage.delay_samples
    taps = stage.path[start:]
    return start, np.pad(taps, (0, -taps.size % _ROW))


def _polynomial(taps: Floats, start: int, z: complex) -> tuple[complex, complex]:
    """``sum h[n] z^-n`` and its derivative with respect to ``log z``."""
    log_z = np.log(z)
    rows = taps.reshape(-1, _ROW)  # z^-(row + column): two short sums in place of one long one
    column, row = np.arange(_ROW), start + _ROW * np.arange(rows.shape[0])
    fine, coarse = np.exp(-log_z * column), np.exp(-log_z * row)
    sums, moments = rows @ fine, rows @ (column * fine)
    value = np.dot(coarse, sums)
    slope = -np.dot(coarse, moments) - np.dot(coarse * row, sums)
    return complex(value), complex(slope)


def _eq_at(sos: Floats, z: Complexes) -> Complexes:
    if sos.ndim != 2 or sos.shape[1] != 6:
        raise ParameterError(f"eq_sos must have shape (sections, 6), not {sos.shape}")
    w = 1 / z
    total = np.ones(w.shape, dtype=np.complex128)
    for b0, b1, b2, a0, a1, a2 in sos:
        total *= (b0 + w * (b1 + w * b2)) / (a0 + w * (a1 + w * a2))
    return total


def _ratio(values: Complexes) -> NDArray[np.complex128]:
    return np.asarray(values[1:] / values[:-1])
