"""The loop's open response from a test signal and its recording: P(f), coherence, error bars.

Conventions: P(f) is capture over reference, sample values to sample values. It is measured with
the mic's send muted; with the send open the loop itself would be in the estimate.

References
----------
.. [1] J. S. Bendat, A. G. Piersol, "Random Data: Analysis and Measurement Procedures", random
   error of frequency response estimates: sqrt((1 - g2) / (2 g2 n)) in magnitude (relative) and
   phase (radians), g2 the coherence, n the number of independent averages.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft, ndimage

from shaping.analysis.findings import LoopResponse
from shaping.analysis.loop import faults
from shaping.analysis.loop.alignment import Alignment, align, align_sweep
from shaping.analysis.loop.deconvolution import (
    excitation_floor,
    least_squares_response,
    power_density,
    sweep_response,
)
from shaping.analysis.loop.reach import measured_bands
from shaping.analysis.loop.traces import traces
from shaping.capture.recording import CaptureKind
from shaping.errors import CaptureError, ParameterError

LONGEST_ANALYSED_S = 60.0
"""More noise than this is left alone: error bars are small long before."""

LONGEST_RESPONSE_S = 1.4
"""Length of the impulse response: 60 dB of decay of a resonance of Q 64 at 100 Hz."""

LEAST_COHERENCE = 0.5
"""Below this the reference explains less than half of what was captured."""

_LEAD_S = 0.08  # the strongest arrival may be a late reflection
_AVERAGES = 12  # a response is at most a twelfth of what was heard, so that noise hardly fits it
_LOW_HZ = 40.0  # a wedge plays nothing below that could howl
_HIGH_HZ = 20_000.0  # the end of hearing, and of what mics and wedges pass on
_NEPER_DB = 20 / np.log(10)  # dB of one neper

Samples = NDArray[np.float32]
_Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Measurement:
    """One lined-up measurement on its way to a response.

    Attributes
    ----------
    sample_rate_hz : float
        Rate of both signals.
    played, heard : ndarray of float32, shape (n,)
        Reference on the capture's clock, and capture, over the same stretch.
    residual : ndarray of float32, shape (n,)
        What the response does not explain of `heard`.
    impulse : ndarray, shape (m,)
        Impulse response; lag 0 is sample `lead`.
    lead : int
        Samples before the strongest arrival.
    """

    sample_rate_hz: float
    played: Samples
    heard: Samples
    residual: Samples
    impulse: _Real
    lead: int


def estimate_loop_response(
    capture_samples: ArrayLike,
    reference_samples: ArrayLike,
    *,
    capture_rate_hz: float,
    reference_rate_hz: float,
    kind: CaptureKind = CaptureKind.PINK_NOISE,
) -> LoopResponse:
    """Estimate P(f) between a test signal and what a mic heard of it.

    Parameters
    ----------
    capture_samples, reference_samples : array_like, shape (n,), (m,)
        The recording and the very file that was played. Neither start, length, sample rate nor
        clock need agree.
    capture_rate_hz, reference_rate_hz : float
        Sample rates in Hz.
    kind : CaptureKind
        `PINK_NOISE` (any steady noise) or `SWEEP`.

    Returns
    -------
    LoopResponse
        With notes in `quality` on what is doubtful.

    Raises
    ------
    CaptureError
        If the reference is not to be found in the capture, or the capture cannot tell.
    ParameterError
        If `kind` is a ring-out.
    """
    capture, reference = (
        _checked(capture_samples, "capture"),
        _checked(reference_samples, "reference"),
    )
    if kind is CaptureKind.RING_OUT:
        raise ParameterError("a ring-out has no reference; use pink noise or a sweep.")
    find = align_sweep if kind is CaptureKind.SWEEP else align
    alignment = find(
        capture, reference, capture_rate_hz=capture_rate_hz, reference_rate_hz=reference_rate_hz
    )
    if kind is CaptureKind.SWEEP:
        return _from_sweep(capture, reference, capture_rate_hz, reference_rate_hz, alignment)
    faults.refuse_swapped(
        capture, reference, capture_rate_hz=capture_rate_hz, reference_rate_hz=reference_rate_hz
    )
    return _from_noise(capture, reference, capture_rate_hz, reference_rate_hz, alignment)


def _checked(samples: ArrayLike, name: str) -> Samples:
    checked = np.asarray(samples, np.float32)
    if checked.ndim != 1:
        raise ParameterError(f"{name} must be one channel, not shape {checked.shape}.")
    if not np.isfinite(checked).all():
        raise CaptureError(f"The {name} holds values that are not numbers: export it again.")
    if not checked.any():
        raise CaptureError(f"The {name} is silent: check the channel and the patch.")
    return checked


def _from_noise(
    capture: Samples,
    reference: Samples,
    capture_rate_hz: float,
    reference_rate_hz: float,
    alignment: Alignment,
) -> LoopResponse:
    rate = capture_rate_hz
    first = max(0, int(np.ceil(alignment.offset_s * rate)))
    end_s = alignment.offset_s + reference.size / reference_rate_hz
    last = min(capture.size, int(end_s * rate), first + int(LONGEST_ANALYSED_S * rate))
    heard = capture[first:last]
    lead = int(_LEAD_S * rate)
    length = lead + min(int(LONGEST_RESPONSE_S * rate), heard.size // _AVERAGES)
    played = alignment.resample(
        reference,
        reference_rate_hz=reference_rate_hz,
        capture_rate_hz=rate,
        first=first - (length - 1 - lead),
        count=heard.size + length - 1,
    )
    impulse, residual = least_squares_response(played, heard, length=length, sample_rate_hz=rate)
    at = length - 1 - lead
    measured = Measurement(rate, played[at : at + heard.size], heard, residual, impulse, lead)
    return _finish(measured, alignment)


def _from_sweep(
    capture: Samples,
    reference: Samples,
    capture_rate_hz: float,
    reference_rate_hz: float,
    alignment: Alignment,
) -> LoopResponse:
    rate = capture_rate_hz
    lead, length = int(_LEAD_S * rate), int((LONGEST_RESPONSE_S + _LEAD_S) * rate)
    first = max(0, int(alignment.offset_s * rate) - lead)
    last = int((alignment.offset_s + reference.size / reference_rate_hz) * rate) + 2 * length
    heard = capture[first:last]
    played = alignment.resample(
        reference,
        reference_rate_hz=reference_rate_hz,
        capture_rate_hz=rate,
        first=first,
        count=heard.size,
    )
    impulse, noise = sweep_response(played, heard, lead=lead, length=length, sample_rate_hz=rate)
    density_hz, excitation = power_density(played, rate, resolution_hz=1.0)
    frequency_hz, response = _spectrum(impulse, lead, rate)
    _, noise_response = _spectrum(noise, 0, rate)
    variance = _smooth(np.abs(noise_response) ** 2, frequency_hz)
    return _assemble(
        frequency_hz,
        response,
        variance,
        variance,
        _excited(frequency_hz, density_hz, excitation),
        alignment,
    )


def _finish(measured: Measurement, alignment: Alignment) -> LoopResponse:
    rate, length, count = measured.sample_rate_hz, measured.impulse.size, measured.heard.size
    density_hz, excitation = power_density(measured.played, rate)
    _, noise = power_density(measured.residual, rate)
    # The fit takes `length` degrees of freedom out of the residual.
    noise = noise * (count / (count - length))
    frequency_hz, response = _spectrum(measured.impulse, measured.lead, rate)
    floor = excitation_floor(density_hz, excitation)
    noise_to_played = np.interp(frequency_hz, density_hz, noise / np.maximum(excitation, floor))
    found = _assemble(
        frequency_hz,
        response,
        noise_to_played,
        noise_to_played * (length / (count - length)),
        _excited(frequency_hz, density_hz, excitation),
        alignment,
    )
    judged = faults.noise_faults(
        traces(measured.played, measured.heard, measured.residual, sample_rate_hz=rate),
        found,
        measured.residual,
        measured.impulse,
        measured.lead,
        sample_rate_hz=rate,
    )
    # A cause that is named explains what was not heard and what looks like noise.
    return replace(found, quality=tuple(judged) or found.quality)


def _assemble(
    frequency_hz: _Real,
    response: NDArray[np.complex128],
    noise_to_played: _Real,
    variance: _Real,
    excited: NDArray[np.bool_],
    alignment: Alignment,
) -> LoopResponse:
    """Put coherence, error bars and trust beside a response.

    `noise_to_played` is the power density of the noise over that of the excitation; `variance`
    is the variance of the complex estimate.
    """
    # The estimate's own variance adds to its power.
    power = np.maximum(np.abs(response) ** 2 - variance, 1e-30)
    coherence = np.where(excited, power / (power + noise_to_played), 0.0)
    voice = excited & (frequency_hz > 100) & (frequency_hz < 10_000)
    # Per octave, as pink noise and sweeps play it.
    signal_power = float(np.sum(power[voice] / frequency_hz[voice]))
    noise_power = float(np.sum(noise_to_played[voice] / frequency_hz[voice]))
    snr_db = 10 * math.log10(max(signal_power, 1e-30) / max(noise_power, 1e-30))
    trusted = excited & (coherence >= LEAST_COHERENCE)
    level_db = 20 * np.log10(np.maximum(np.abs(response), 1e-15))
    measured_hz = measured_bands(frequency_hz, level_db, trusted)
    return LoopResponse(
        frequency_hz=frequency_hz,
        response=response,
        coherence=coherence,
        error_db=np.minimum(_NEPER_DB * np.sqrt(variance / (2 * power)), 99.0),
        variance=variance,
        excited=excited,
        trusted=trusted,
        delay_s=alignment.offset_s,
        clock_ppm=alignment.clock_ppm,
        coherence_median=float(np.median(coherence[excited])) if excited.any() else 0.0,
        snr_db=snr_db,
        measured_hz=measured_hz,
        quality=(*faults.snr_fault(snr_db), *faults.reach_faults(measured_hz)),
    )


def _excited(frequency_hz: _Real, density_hz: _Real, excitation: _Real) -> NDArray[np.bool_]:
    """Return where the test signal holds power.

    Four bins inside its edges: the window of the density smears a steep edge outwards.
    """
    over = ndimage.minimum_filter1d(excitation / excitation_floor(density_hz, excitation), 9)
    return np.asarray((np.interp(frequency_hz, density_hz, over) > 1.0) & (frequency_hz >= _LOW_HZ))


def _smooth(power: _Real, frequency_hz: _Real) -> _Real:
    """Return the mean over a third of an octave around each frequency."""
    total = np.concatenate([[0.0], np.cumsum(power)])
    step = frequency_hz[1]
    low = np.searchsorted(frequency_hz, frequency_hz * 2 ** (-1 / 6) - step)
    high = np.minimum(
        np.searchsorted(frequency_hz, frequency_hz * 2 ** (1 / 6) + step) + 1, power.size
    )
    return np.asarray((total[high] - total[low]) / (high - low))


def _spectrum(impulse: _Real, lead: int, rate: float) -> tuple[_Real, NDArray[np.complex128]]:
    """Return the response on a grid twice as fine as the impulse response asks for."""
    size = 2 ** int(np.ceil(np.log2(2 * impulse.size)))
    frequency_hz = fft.rfftfreq(size, 1 / rate)
    response = fft.rfft(impulse, size)
    response *= np.exp(2j * np.pi * frequency_hz * (lead / rate))
    kept = frequency_hz <= min(_HIGH_HZ, 0.45 * rate)
    return frequency_hz[kept], response[kept]
