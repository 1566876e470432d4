"""What can be wrong with a noise measurement, each cause by its name and what to do next.

The residual is what the response does not explain of the capture. In a sound measurement it is
the room's own noise, and no copy of what was played is in it. Faults differ by what answers: see
`compression`, `changes` and `live_mic`; `reach` tells what was not measured at all.

One cause explains the others: a gain that moved shows as a path that changed, lost samples as a
gain that moved. So they are asked for in turn, and the first that answers is named alone.
"""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from shaping.analysis.findings import LoopResponse
from shaping.analysis.loop import changes, compression, live_mic, reach
from shaping.analysis.loop.traces import Traces
from shaping.capture.recording import QualityNote, Severity
from shaping.errors import CaptureError
from shaping.text.frequency import hertz_text

LEAST_SNR_DB = 6.0
"""A choice: below this more than a fifth of what the mic hears is noise."""

_LEAST_NOISE = 0.004  # of the capture, in amplitude
_GAIN_FRAME_S = 0.1  # a choice: gates and level controls take a tenth of a second and more
_GATED_GAIN = 0.35
"""A choice: 9 dB down; a gain that is merely turned does not fall so far for a moment."""
_GATED_SHARE = 0.02  # a choice: one frame in fifty may be a click or a cough
_GAIN_CHANGE_DB = -32.0  # as for the path: 0.2 dB, as an rms value
_UNSTEADY_RATIO = 3.0  # noise has 1 (Bendat and Piersol); music and speech many times as much
_STEADY_BANDS_HZ = (500.0, 1000.0, 2000.0, 4000.0)
"""A choice: octaves that every wedge and every voice has."""

Samples = NDArray[np.float32]
_Real = NDArray[np.float64]


class MeasurementFault(StrEnum):
    """Short stable names of the notes."""

    LOW_SNR = "low-snr"
    GAIN_MOVED = "gain-moved"
    GATED = "gated"
    NOT_NOISE = "not-noise"
    MIC_LIVE = "mic-live"
    COMPRESSED = "compressed"
    MOVED = "moved"
    SLIPS = "slips"
    TOO_SHORT = "too-short"
    NOT_REACHED = "not-reached"


WITHHOLD = frozenset(MeasurementFault) - {MeasurementFault.LOW_SNR}
"""Notes with which no stable gain is promised; noise is in the bound itself."""

SWAPPED = (
    "The capture and the reference look swapped: the reference holds a room and the capture does "
    "not. Name the recording first and the file that was played after --reference."
)


def noise_faults(
    traces: Traces,
    found: LoopResponse,
    residual: Samples,
    impulse: _Real,
    lead: int,
    *,
    sample_rate_hz: float,
) -> list[QualityNote]:
    """Return what is wrong with a measurement by noise, one cause and no consequences.

    Parameters
    ----------
    traces : Traces
        Played, heard and residual at a low rate.
    found : LoopResponse
        What they gave.
    residual : ndarray of float32, shape (n,)
        At the full rate.
    impulse : ndarray, shape (n,)
        Impulse response.
    lead : int
        Its samples before the strongest arrival.
    sample_rate_hz : float
        The full rate in Hz.
    """
    played = traces.played.astype(np.float32)
    notes = (
        _steadiness(played, traces.sample_rate_hz)
        or _slips(traces)
        or _gate(traces)
        or _change(traces)
        or _compression(traces)
        or _live(found, residual, traces, impulse, lead, sample_rate_hz)
    )
    return [*notes, *_length(impulse, lead, sample_rate_hz)]


def refuse_swapped(
    capture: Samples, reference: Samples, *, capture_rate_hz: float, reference_rate_hz: float
) -> None:
    """Refuse a capture that is as smooth as noise is played, with a reference that is not.

    Raises
    ------
    CaptureError
        If the two files look swapped.
    """
    played = reach.roughness(reference, sample_rate_hz=reference_rate_hz)
    if played < reach.ROUGH:
        return
    if reach.roughness(capture, sample_rate_hz=capture_rate_hz) < reach.SMOOTH:
        raise CaptureError(SWAPPED)


def reach_faults(measured_hz: tuple[tuple[float, float], ...]) -> list[QualityNote]:
    """Return a note on the bands in which a wedge can howl and nothing was measured."""
    missing = reach.gaps(measured_hz)
    if not missing:
        return []
    where = " and ".join(_band_words(low, high) for low, high in missing)
    return [
        _note(
            MeasurementFault.NOT_REACHED,
            f"Nothing {where} was both played and heard: what howls there is not known. Play the "
            "whole noise through the wedge itself, without filters, and louder than the room.",
        )
    ]


def _band_words(low: float, high: float) -> str:
    if low <= reach.HOWLS_FROM_HZ:
        return f"below {hertz_text(high)}"
    if high >= reach.HOWLS_TO_HZ:
        return f"above {hertz_text(low)}"
    return f"between {hertz_text(low)} and {hertz_text(high)}"


def _note(
    fault: MeasurementFault, message: str, severity: Severity = Severity.WARNING
) -> QualityNote:
    return QualityNote(fault, severity, message)


def _slips(traces: Traces) -> list[QualityNote]:
    jumps = np.abs(changes.jumps_s(traces))
    count = int(np.sum(jumps > changes.LEAST_SHIFT_S))
    if not count:
        return []
    times = "once" if count == 1 else f"{count} times"
    return [
        _note(
            MeasurementFault.SLIPS,
            f"The recording lost samples {times} (the sound jumps by up to "
            f"{1000 * jumps.max():.1f} ms): close other programs or use another recorder, and "
            "record again.",
            Severity.UNUSABLE,
        )
    ]


def _compression(traces: Traces) -> list[QualityNote]:
    if compression.bend(traces) < compression.LEAST_BEND:
        return []
    return [
        _note(
            MeasurementFault.COMPRESSED,
            "What was played loud came through turned down, as by a limiter, a compressor or a "
            "loudspeaker at its limit: quiet sounds, and so a howl's beginning, get more gain. "
            "Switch dynamics off or play 10 dB softer, and record again.",
        )
    ]


def _change(traces: Traces) -> list[QualityNote]:
    change = changes.path_change(traces)
    if change.over_chance < changes.CHANGED_OVER_CHANCE:
        return []
    if change.shape_db > max(changes.LEAST_CHANGE_DB, change.gain_db):
        return [
            _note(
                MeasurementFault.MOVED,
                "The path changed while the noise played, as when the mic, the wedge or somebody "
                "near them moves: fix the mic on its stand, let nobody walk, and record again.",
            )
        ]
    if change.gain_db > _GAIN_CHANGE_DB:
        return [
            _note(
                MeasurementFault.GAIN_MOVED,
                "The gain moved during the recording: switch automatic gain and compressors off, "
                "leave the faders alone, and record again.",
            )
        ]
    return []


def _live(
    found: LoopResponse,
    residual: Samples,
    traces: Traces,
    impulse: _Real,
    lead: int,
    sample_rate_hz: float,
) -> list[QualityNote]:
    copy, delay_s = live_mic.copy_in_path(impulse, lead, sample_rate_hz=sample_rate_hz)
    likeness = 0.0
    # Where there is hardly any noise, what is left of the fit itself would pass for it.
    if float(np.std(traces.residual)) > _LEAST_NOISE * float(np.std(traces.heard)):
        likeness = live_mic.noise_likeness(
            residual,
            found.frequency_hz,
            found.response,
            found.trusted,
            sample_rate_hz=sample_rate_hz,
        )
    if copy < live_mic.LIVE_COPY and likeness < live_mic.LIVE_LIKENESS:
        return []
    return [
        _note(
            MeasurementFault.MIC_LIVE,
            "The mic was live in the wedge while the noise played: the recording holds the sound "
            f"going round again (after about {1000 * delay_s:.0f} ms). Mute the mic everywhere, "
            "in this wedge above all, and record again.",
            Severity.UNUSABLE,
        )
    ]


def _length(impulse: _Real, lead: int, sample_rate_hz: float) -> list[QualityNote]:
    if reach.fall_db(impulse, lead, sample_rate_hz=sample_rate_hz) >= reach.LEAST_FALL_DB:
        return []
    return [
        _note(
            MeasurementFault.TOO_SHORT,
            "The noise is too short for a room that rings this long: its peaks come out too low. "
            "Play 30 s and record again.",
        )
    ]


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


def _gate(traces: Traces) -> list[QualityNote]:
    gain = gain_over_time(traces.heard, traces.residual, sample_rate_hz=traces.sample_rate_hz)
    gated = float(np.mean(gain < _GATED_GAIN))
    if gated <= _GATED_SHARE:
        return []
    return [
        _note(
            MeasurementFault.GATED,
            f"The noise was cut off for {100 * gated:.0f} % of the time: switch gates and "
            "automatic mixing off on the mic's channel and in the recorder, and record again.",
        )
    ]


def gain_over_time(heard: _Real, residual: _Real, *, sample_rate_hz: float) -> _Real:
    """Return the gain of the capture on its prediction in frames of 0.1 s."""
    frame = int(_GAIN_FRAME_S * sample_rate_hz)
    count = heard.size // frame
    frames = heard[: count * frame].reshape(count, frame).astype(np.float64)
    predicted = frames - residual[: count * frame].reshape(count, frame)
    power = np.sum(predicted**2, axis=1)
    sounding = power > 0.05 * np.median(power)
    return np.asarray(np.sum(frames * predicted, axis=1)[sounding] / power[sounding])


def _steadiness(played: Samples, sample_rate_hz: float) -> list[QualityNote]:
    """Return a note where the test signal fluctuates far more than noise does.

    The level of noise in a band B over a time T varies by 4.34 / sqrt(B T) dB (Bendat and
    Piersol); that of music and speech by many times as much.
    """
    if fluctuation(played, sample_rate_hz=sample_rate_hz) < _UNSTEADY_RATIO:
        return []
    return [
        _note(
            MeasurementFault.NOT_NOISE,
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
