"""What can be wrong with a noise measurement, judged from the fit of the response itself.

The residual is what the response does not explain of the capture. In a sound measurement it is
the room's own noise: steady in its relation to nothing. It tells on a gain that moved, on a signal
that is not noise, and on a loop that was closed.
"""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, signal

from shaping.analysis.loop.deconvolution import power_density
from shaping.capture.recording import QualityNote, Severity

LEAST_SNR_DB = 6.0
LIVE_MIC_CORRELATION = 0.12
"""Between fine structure of noise and response; open loops stay under it (see the bench)."""

_LEAST_NOISE = 0.004  # of the capture, in amplitude
_GAIN_FRAME_S = 0.1
_GATED_GAIN = 0.35
_GATED_SHARE = 0.02
_MOVED_DB = 1.0
_UNSTEADY_RATIO = 3.0
_FINE_BAND_HZ = (150.0, 8000.0)
_FINE_WIDTH_HZ = 120.0
_STEADY_BANDS_HZ = (500.0, 1000.0, 2000.0, 4000.0)

Samples = NDArray[np.float32]
_Real = NDArray[np.float64]


class MeasurementFault(StrEnum):
    """Short stable names of the notes."""

    LOW_SNR = "low-snr"
    GAIN_MOVED = "gain-moved"
    GATED = "gated"
    NOT_NOISE = "not-noise"
    MIC_LIVE = "mic-live"


def snr_fault(snr_db: float) -> list[QualityNote]:
    """Return a note where the test signal hardly stands over the noise."""
    if snr_db >= LEAST_SNR_DB:
        return []
    return [
        QualityNote(
            MeasurementFault.LOW_SNR,
            Severity.WARNING,
            f"The test signal stands only {snr_db:.0f} dB over the noise (at least "
            f"{LEAST_SNR_DB:.0f} dB is needed, 20 dB is good): make the stage quiet, play longer, "
            "or raise the playback with care.",
        )
    ]


def gain_faults(heard: Samples, residual: Samples, *, sample_rate_hz: float) -> list[QualityNote]:
    """Return notes on a gate or an automatic gain: the capture against its own prediction."""
    gain = gain_over_time(heard, residual, sample_rate_hz=sample_rate_hz)
    notes = []
    gated = float(np.mean(gain < _GATED_GAIN))
    if gated > _GATED_SHARE:
        notes.append(
            QualityNote(
                MeasurementFault.GATED,
                Severity.WARNING,
                f"The noise was cut off for {100 * gated:.0f} % of the time: switch gates and "
                "automatic mixing off on the mic's channel and in the recorder, and record again.",
            )
        )
    slow = ndimage.uniform_filter1d(np.maximum(gain, 0.05), max(1, min(10, gain.size // 6)))
    moved = float(np.ptp(20 * np.log10(slow)))
    if moved > _MOVED_DB and not notes:
        notes.append(
            QualityNote(
                MeasurementFault.GAIN_MOVED,
                Severity.WARNING,
                f"The gain moved by {moved:.1f} dB during the recording: switch automatic gain and "
                "compressors off, leave the faders alone, and record again.",
            )
        )
    return notes


def gain_over_time(heard: Samples, residual: Samples, *, sample_rate_hz: float) -> _Real:
    """Return the gain of the capture on its prediction in frames of 0.1 s."""
    frame = int(_GAIN_FRAME_S * sample_rate_hz)
    count = heard.size // frame
    frames = heard[: count * frame].reshape(count, frame).astype(np.float64)
    predicted = frames - residual[: count * frame].reshape(count, frame)
    power = np.sum(predicted**2, axis=1)
    sounding = power > 0.05 * np.median(power)
    return np.asarray(np.sum(frames * predicted, axis=1)[sounding] / power[sounding])


def steadiness_fault(played: Samples, *, sample_rate_hz: float) -> list[QualityNote]:
    """Return a note where the test signal fluctuates far more than noise does.

    The level of noise in a band B over a time T varies by 4.34 / sqrt(B T) dB (Bendat and
    Piersol); that of music and speech by many times as much.
    """
    if fluctuation(played, sample_rate_hz=sample_rate_hz) < _UNSTEADY_RATIO:
        return []
    return [
        QualityNote(
            MeasurementFault.NOT_NOISE,
            Severity.WARNING,
            "The test signal is not steady noise: with music or speech some frequencies are hardly "
            "played; use pink noise or a sweep.",
        )
    ]


def fluctuation(samples: Samples, *, sample_rate_hz: float) -> float:
    """Return how much more third-octave levels vary over time than those of noise would."""
    ratios = []
    frame = int(_GAIN_FRAME_S * sample_rate_hz)
    for band_hz in _STEADY_BANDS_HZ:
        edges = band_hz * 2 ** (-1 / 6), band_hz * 2 ** (1 / 6)
        sos = signal.butter(3, edges, "bandpass", fs=sample_rate_hz, output="sos")
        band = signal.sosfilt(sos, samples)
        count = band.size // frame
        power = np.mean(band[: count * frame].reshape(count, frame) ** 2, axis=1)
        # Between the fades: they belong to the signal and vary by design.
        full = np.flatnonzero(power > 0.5 * np.median(power))
        if not full.size:
            continue
        power = power[full[0] : full[-1] + 1]
        loud = power[power > 1e-4 * power.max()]
        if loud.size > 8:
            expected = 4.34 / np.sqrt((edges[1] - edges[0]) * _GAIN_FRAME_S)
            ratios.append(float(np.std(10 * np.log10(loud))) / expected)
    return float(np.median(ratios)) if ratios else 0.0


def live_mic_fault(
    residual: Samples,
    heard: Samples,
    frequency_hz: _Real,
    response: NDArray[np.complex128],
    trusted: NDArray[np.bool_],
    *,
    sample_rate_hz: float,
) -> list[QualityNote]:
    """Return a note where the noise carries the fine structure of the response.

    Where there is hardly any noise, what is left of the fit itself would pass for it.
    """
    if float(np.std(residual)) < _LEAST_NOISE * float(np.std(heard)):
        return []
    correlation = noise_likeness(
        residual, frequency_hz, response, trusted, sample_rate_hz=sample_rate_hz
    )
    if correlation < LIVE_MIC_CORRELATION:
        return []
    return [
        QualityNote(
            MeasurementFault.MIC_LIVE,
            Severity.WARNING,
            "The noise in the recording has the same peaks as the response, as it has when the mic "
            "is still live in the wedge: mute its send to the wedge and record again. (It can "
            "also mean that mic or wedge moved while the noise played.)",
        )
    ]


def noise_likeness(
    residual: Samples,
    frequency_hz: _Real,
    response: NDArray[np.complex128],
    trusted: NDArray[np.bool_],
    *,
    sample_rate_hz: float,
) -> float:
    """Return the correlation of the fine structures of noise and response, -1..1.

    A closed loop multiplies everything the mic hears, the room's noise included, by
    ``1 / (1 - g P)``, and the response measured through it is ``P / (1 - g P)``: both carry the
    same factor. The noise of an open loop knows nothing of P.
    """
    density_hz, noise = power_density(residual, sample_rate_hz, resolution_hz=3.0)
    step = float(density_hz[1])
    band = (density_hz > _FINE_BAND_HZ[0]) & (density_hz < _FINE_BAND_HZ[1])
    power = ndimage.uniform_filter1d(
        np.abs(response) ** 2, max(1, round(1.5 * step / float(frequency_hz[1])))
    )
    at = np.minimum(
        np.rint(density_hz[band] / float(frequency_hz[1])).astype(np.int64), power.size - 1
    )
    sure = trusted[at]
    if sure.sum() < 100:
        return 0.0
    width = max(3, round(_FINE_WIDTH_HZ / step))
    fine_noise = _fine(np.log(np.maximum(noise[band], 1e-30)), width)[sure]
    fine_response = _fine(np.log(np.maximum(power[at], 1e-30)), width)[sure]
    return float(np.corrcoef(fine_noise, fine_response)[0, 1])


def _fine(level: _Real, width: int) -> _Real:
    return np.asarray(level - ndimage.uniform_filter1d(level, width))
