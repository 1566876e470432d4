"""Programme loudness of ITU-R BS.1770, streamed in bounded memory.

Conventions: every channel counts alike, as in mono and stereo (a multitrack recording is no
surround mix). Loudness is relative to full scale, in LUFS; it says nothing of the level in a room.

References
----------
.. [1] ITU-R BS.1770-4, annex 1: K-weighting (coefficients at 48 kHz) and gating.
.. [2] B. De Man, "Evaluation of implementations of the EBU R128 loudness measurement", AES
   Convention 145, 2018 (from memory): the analogue parameters behind those coefficients, checked
   against them here at 48 kHz.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.filters.apply import apply_sos, initial_state
from shaping.filters.cookbook import Sos, high_pass

_SHELF_HZ, _SHELF_Q, _SHELF_DB = 1681.974450955533, 0.7071752369554196, 3.999843853973347
"""The analogue filter behind the standard's coefficients at 48 kHz."""
_SHELF_MIDDLE = 0.4996667741545416  # exponent of the shelf's gain at its corner
_PASS_HZ, _PASS_Q = 38.13547087602444, 0.5003270373238773  # likewise its high-pass

STEPS_PER_S = 10
"""Gating blocks are 0.4 s long, one every 0.1 s."""

_STEPS_PER_BLOCK = 4  # ITU-R BS.1770: blocks overlap by three quarters
_OFFSET_DB = -0.691  # ITU-R BS.1770: a sine of 997 Hz at full scale reads -3.01
_ABSOLUTE_GATE_LUFS = -70.0  # ITU-R BS.1770
_RELATIVE_GATE_DB = -10.0  # ITU-R BS.1770: below the mean of what passes the absolute gate


@dataclass(frozen=True, slots=True)
class Loudness:
    """Loudness and peak of a recording.

    Attributes
    ----------
    integrated_lufs : float
        Gated loudness of the whole; minus infinity where all of it is silent or it is shorter
        than 0.4 s.
    peak : float
        Greatest sample magnitude, 1 being full scale.
    """

    integrated_lufs: float
    peak: float


@dataclass(frozen=True, eq=False)
class LoudnessSteps:
    """K-weighted power and peak of a recording, tenth of a second by tenth of a second.

    Attributes
    ----------
    power : ndarray of float64, shape (n,)
        Mean K-weighted square, summed over channels; a begun step at the end is left out.
    peak : ndarray of float64, shape (m,)
        Greatest sample magnitude, 1 being full scale, a begun step included.
    """

    power: NDArray[np.float64]
    peak: NDArray[np.float64]


def measure_loudness(blocks: Iterable[NDArray[np.float32]], sample_rate_hz: int) -> Loudness:
    """Measure a recording block by block.

    Parameters
    ----------
    blocks : iterable of ndarray of float32, shape (frames, channels)
        The recording in order.
    sample_rate_hz : int
        Sample rate in Hz.

    Returns
    -------
    Loudness
        Gated loudness and sample peak.
    """
    steps = measure_steps(blocks, sample_rate_hz)
    return Loudness(integrated_lufs(steps.power), float(np.max(steps.peak, initial=0.0)))


def measure_steps(blocks: Iterable[NDArray[np.float32]], sample_rate_hz: int) -> LoudnessSteps:
    """Measure a recording block by block, step by step.

    Parameters
    ----------
    blocks : iterable of ndarray of float32, shape (frames, channels)
        The recording in order.
    sample_rate_hz : int
        Sample rate in Hz.

    Returns
    -------
    LoudnessSteps
        `STEPS_PER_S` of them a second; 16 bytes a step are all that is kept.
    """
    sos = k_weighting(sample_rate_hz)
    state: NDArray[np.float64] | None = None
    done = 0
    last = np.zeros((2, 1))  # sum of squares and peak of the step begun
    steps: list[NDArray[np.float64]] = []
    for block in blocks:
        if not len(block):
            continue
        if state is None:
            state = initial_state(sos, channels=block.shape[1])
        weighted, state = apply_sos(sos, block, state)
        squares = np.einsum("fc,fc->f", weighted, weighted, dtype=np.float64)
        step = (np.arange(done, done + len(block)) * STEPS_PER_S) // sample_rate_hz
        first = (max(done - 1, 0) * STEPS_PER_S) // sample_rate_hz
        sums = np.bincount(step - first, weights=squares).astype(np.float64)
        peaks = np.zeros(sums.size)
        np.maximum.at(peaks, step - first, np.max(np.abs(block), axis=1))
        sums[: last.shape[1]] += last[0]
        peaks[: last.shape[1]] = np.maximum(peaks[: last.shape[1]], last[1])
        both = np.stack([sums, peaks])
        steps.append(both[:, :-1])
        last = both[:, -1:]
        done += len(block)
    complete = done * STEPS_PER_S // sample_rate_hz
    power, peak = np.concatenate([*steps, last], axis=1)
    return LoudnessSteps(power[:complete] * STEPS_PER_S / sample_rate_hz, peak)


def integrated_lufs(
    step_power: NDArray[np.float64], kept: NDArray[np.bool_] | None = None
) -> float:
    """Return the gated loudness of measured steps.

    Parameters
    ----------
    step_power : ndarray of float64, shape (n,)
        As in `LoudnessSteps`.
    kept : ndarray of bool, shape (n,), optional
        Which steps count: a gating block with one that does not is left out.

    Returns
    -------
    float
        In LUFS; minus infinity where nothing is left.
    """
    if step_power.size < _STEPS_PER_BLOCK:
        return -math.inf
    power = np.convolve(step_power, np.full(_STEPS_PER_BLOCK, 1 / _STEPS_PER_BLOCK), "valid")
    if kept is not None:
        power = power[
            np.convolve(kept, np.ones(_STEPS_PER_BLOCK), "valid") > _STEPS_PER_BLOCK - 0.5
        ]
    power = power[power_lufs(power) > _ABSOLUTE_GATE_LUFS]
    if not power.size:
        return -math.inf
    power = power[power_lufs(power) > power_lufs(power.mean()) + _RELATIVE_GATE_DB]
    return float(power_lufs(power.mean()))


def power_lufs(power: NDArray[np.float64] | np.float64) -> NDArray[np.float64]:
    """Return K-weighted mean squares in LUFS, each for itself."""
    return np.asarray(_OFFSET_DB + 10.0 * np.log10(np.maximum(power, 1e-30)))


def k_weighting(sample_rate_hz: float) -> Sos:
    """Return the K-weighting filter, shape (2, 6): a high shelf, then a high-pass."""
    k = math.tan(math.pi * _SHELF_HZ / sample_rate_hz)
    top = 10.0 ** (_SHELF_DB / 20.0)
    middle = top**_SHELF_MIDDLE
    a0 = 1.0 + k / _SHELF_Q + k * k
    shelf = [
        (top + middle * k / _SHELF_Q + k * k) / a0,
        2.0 * (k * k - top) / a0,
        (top - middle * k / _SHELF_Q + k * k) / a0,
        1.0,
        2.0 * (k * k - 1.0) / a0,
        (1.0 - k / _SHELF_Q + k * k) / a0,
    ]
    # The standard's high-pass passes highs 0.04 dB louder than unity; other rates follow.
    passes = high_pass(_PASS_HZ, _PASS_Q, sample_rate_hz=sample_rate_hz)[0]
    passes[:3] /= high_pass(_PASS_HZ, _PASS_Q, sample_rate_hz=48_000)[0, 0]
    return np.array([shelf, passes])
