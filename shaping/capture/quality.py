"""Judging a capture: what is wrong with it, where, how much it matters, and what to do.

Conventions: levels are in dBFS, 0 dB being a peak (or a square wave's rms) at full scale. Nothing
here is an SPL. Each note is a full sentence; thresholds are named, with the reason.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from shaping.capture.clipping import find_flat_tops
from shaping.capture.dropouts import find_dropouts
from shaping.capture.hum import find_hum
from shaping.capture.recording import Capture, CaptureKind, QualityNote, Severity
from shaping.capture.steadiness import level_steadiness
from shaping.errors import CaptureError
from shaping.text.durations import moment_text
from shaping.text.names import shown


class QualityCode(StrEnum):
    """Stable short names of the notes."""

    LOUDEST_CHANNEL = "loudest-channel"
    CUT_SHORT = "cut-short"
    RINGING_CHANNEL = "ringing-channel"
    TOO_SHORT = "too-short"
    SHORT = "short"
    SILENT = "silent"
    LOW_LEVEL = "low-level"
    CLIPPED = "clipped"
    FLAT_TOPPED = "flat-topped"
    OVER_FULL_SCALE = "over-full-scale"
    DC_OFFSET = "dc-offset"
    HUM = "hum"
    DROPOUTS = "dropouts"
    LOW_SAMPLE_RATE = "low-sample-rate"
    INTERRUPTED = "interrupted"
    UNSTEADY_LEVEL = "unsteady-level"
    NOISY = "noisy"


SHORTEST_S = {
    CaptureKind.RING_OUT: 4.0,
    CaptureKind.PINK_NOISE: 4.0,
    CaptureKind.SWEEP: 2.0,
    CaptureKind.FIRST_ROW: 4.0,
}
"""A ring-out needs time for one ring to rise and be answered; 4 s of noise give a third-octave at
100 Hz 92 independent values, 0.45 dB (1 / sqrt(B T)); a shorter sweep has no energy at the bottom.
"""

ADVISED_S = {
    CaptureKind.RING_OUT: 10.0,
    CaptureKind.PINK_NOISE: 10.0,
    CaptureKind.SWEEP: 5.0,
    CaptureKind.FIRST_ROW: 10.0,
}
"""Below this, much stays unseen: a second ring, a narrow resonance."""

USUAL_S = {
    CaptureKind.RING_OUT: 30,
    CaptureKind.PINK_NOISE: 30,
    CaptureKind.SWEEP: 10,
    CaptureKind.FIRST_ROW: 30,
}
"""What to record instead."""

SILENT_PEAK_DBFS = -80.0
"""Three steps of a 16-bit converter: nothing can be told from its own rounding."""

LOW_PEAK_DBFS = -50.0
"""A 16-bit recording then has 8 bits left, and its rounding joins the noise of the room."""

OVER_FULL_SCALE_DBFS = 12.0
"""Float recordings may pass full scale, but hardly this far unless they are scaled wrongly."""

DC_SHARE = 0.1
"""A mean above a tenth of the rms eats headroom and leaks into the lowest bins."""

DC_FLOOR = 1e-3
"""... and below -60 dBFS it harms nothing."""

CLIPPED_UNUSABLE_SHARE = 0.1
"""Noise clipped 10 % of the time lost 0.9 dB (Bussgang's gain erf(c / sqrt 2) is then 0.9), and the
distortion fills what lies between the resonances."""

HUM_WARNING_DB = -20.0
"""Hum above this, relative to the whole recording, is a fault to mend; below, good to know."""

HUM_NOTE_DB = -60.0
"""Hum below this, relative to the whole recording, is not worth a word."""

LOW_SAMPLE_RATE_HZ = 22_050
"""Below it, part of the range where wedges ring (200 Hz to 8 kHz or so) cannot be seen."""

USABLE_BAND = 0.45
"""Share of the sample rate up to which converters' filters leave the spectrum alone."""

UNSTEADY_DB = 1.0
"""Spread of the level that a steady noise (0.2 to 0.4 dB, see `steadiness`) does not reach."""

DRIFT_DB = 1.5
"""Change of level from start to end that a fader or an automatic gain must have made."""

INTERRUPTED_SHARE = 0.01
"""Share of quarter-second frames far below the rest that chance cannot explain."""

NOISY_SNR_DB = 6.0
"""Below it, coherence drops under 0.8 and resonances drown."""


def judge(
    samples: NDArray[np.float32], sample_rate_hz: int, kind: CaptureKind
) -> tuple[QualityNote, ...]:
    """Judge one channel.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Finite samples, full scale +-1.
    sample_rate_hz : int
        Sample rate in Hz.
    kind : CaptureKind
        How it was made: a ring-out may clip, a test noise should hold its level.

    Returns
    -------
    tuple of QualityNote
        The gravest first; empty for a capture without a fault.

    Examples
    --------
    >>> from shaping.capture.recording import CaptureKind
    >>> notes = judge(np.zeros(480_000, np.float32), 48_000, CaptureKind.RING_OUT)
    >>> [str(note.code) for note in notes]
    ['silent']
    """
    notes = list(_length(samples.size / sample_rate_hz, kind))
    if samples.size:
        notes += _notes(samples, sample_rate_hz, kind)
    order = (Severity.UNUSABLE, Severity.WARNING, Severity.INFO)
    return tuple(sorted(notes, key=lambda note: order.index(note.severity)))


def require_usable(capture: Capture) -> None:
    """Refuse a capture on which no plan can rest.

    Raises
    ------
    CaptureError
        Naming every reason.
    """
    reasons = [n.message for n in capture.quality if n.severity is Severity.UNUSABLE]
    if reasons:
        raise CaptureError(f"{shown(capture.path)}: {' '.join(reasons)}")


def _notes(
    samples: NDArray[np.float32], sample_rate_hz: int, kind: CaptureKind
) -> Iterator[QualityNote]:
    mean, rms, peak = _levels(samples)
    if _db(peak) < SILENT_PEAK_DBFS:
        yield QualityNote(
            QualityCode.SILENT,
            Severity.UNUSABLE,
            f"The recording is silent ({_dbfs(peak)} peak); check the channel, the cable and the "
            f"recorder's input.",
        )
        return
    yield from _level(peak)
    if abs(mean) > max(DC_FLOOR, DC_SHARE * rms):
        yield QualityNote(
            QualityCode.DC_OFFSET,
            Severity.WARNING,
            f"A constant offset of {mean:+.3f} of full scale sits under the sound and eats "
            f"headroom; results from 40 Hz up still hold, but have the recorder or interface "
            f"checked.",
        )
    yield from _clipping(samples, sample_rate_hz, kind)
    yield from _dropouts(samples, sample_rate_hz)
    yield from _hum(samples, sample_rate_hz, rms)
    if sample_rate_hz < LOW_SAMPLE_RATE_HZ:
        yield QualityNote(
            QualityCode.LOW_SAMPLE_RATE,
            Severity.INFO,
            f"At {sample_rate_hz} Hz nothing above {USABLE_BAND * sample_rate_hz / 1000:.1f} kHz "
            f"can be seen; record at 44100 or 48000 Hz to find rings up there.",
        )
    if kind is CaptureKind.PINK_NOISE:
        yield from _steadiness(samples, sample_rate_hz)


def _length(duration_s: float, kind: CaptureKind) -> Iterator[QualityNote]:
    what = str(kind).replace("-", " ") if kind is not CaptureKind.RING_OUT else "ring-out"
    advice = f"record {USUAL_S[kind]} s or more."
    if duration_s < SHORTEST_S[kind]:
        yield QualityNote(
            QualityCode.TOO_SHORT,
            Severity.UNUSABLE,
            f"{duration_s:.1f} s is too short for a {what} capture, which needs "
            f"{SHORTEST_S[kind]:.0f} s at the very least; {advice}",
        )
    elif duration_s < ADVISED_S[kind]:
        yield QualityNote(
            QualityCode.SHORT,
            Severity.WARNING,
            f"{duration_s:.1f} s is short for a {what} capture and leaves much unseen; {advice}",
        )


def _level(peak: float) -> Iterator[QualityNote]:
    if _db(peak) < LOW_PEAK_DBFS:
        yield QualityNote(
            QualityCode.LOW_LEVEL,
            Severity.WARNING,
            f"The level is very low ({_dbfs(peak)} peak), so the recorder's own noise weighs in; "
            f"turn the recorder's gain up, not the wedge.",
        )
    elif _db(peak) > OVER_FULL_SCALE_DBFS:
        yield QualityNote(
            QualityCode.OVER_FULL_SCALE,
            Severity.WARNING,
            f"Samples reach {_dbfs(peak)}, far over full scale, so this recording is scaled "
            f"wrongly; frequencies hold, levels do not: export it again.",
        )


def _clipping(
    samples: NDArray[np.float32], sample_rate_hz: int, kind: CaptureKind
) -> Iterator[QualityNote]:
    tops = find_flat_tops(samples)
    if tops is None:
        return
    share = tops.samples / samples.size
    where = (
        f"{tops.count} flat {'top' if tops.count == 1 else 'tops'} from "
        f"{moment_text(tops.first / sample_rate_hz)} on, {_percent(share)} of the time"
    )
    if tops.at_full_scale:
        code = QualityCode.CLIPPED
        found = f"The recording clips ({where})"
        cure = "turn the recorder's gain down 6 dB or more and record again."
    else:
        code = QualityCode.FLAT_TOPPED
        found = f"Peaks are cut off flat at {_dbfs(tops.level)} ({where}), below full scale"
        cure = "look for clipping or a limiter before the recorder: preamp, desk, wedge."
    severity = Severity.WARNING
    if kind is CaptureKind.RING_OUT:
        effect = "a loud howl does that, and its frequency still holds, but not its level"
        cure = "next time stop sooner, or turn the recorder's gain down."
    elif share >= CLIPPED_UNUSABLE_SHARE:
        severity = Severity.UNUSABLE
        effect = "too much to tell the response"
    else:
        effect = "the response is less certain"
    yield QualityNote(code, severity, f"{found}: {effect}; {cure}")


def _dropouts(samples: NDArray[np.float32], sample_rate_hz: int) -> Iterator[QualityNote]:
    lost = find_dropouts(samples, sample_rate_hz)
    if lost is not None:
        yield QualityNote(
            QualityCode.DROPOUTS,
            Severity.WARNING,
            f"{lost.count} {'dropout' if lost.count == 1 else 'dropouts'} "
            f"({1000 * lost.samples / sample_rate_hz:.1f} ms in all, the first at "
            f"{lost.first / sample_rate_hz:.2f} s), where the recorder or its connection lost "
            f"samples; check cable, card and buffer size, then record again.",
        )


def _hum(samples: NDArray[np.float32], sample_rate_hz: int, rms: float) -> Iterator[QualityNote]:
    hum = find_hum(samples, sample_rate_hz)
    if hum is None:
        return
    relative_db = _db(hum.level) - _db(rms)
    if relative_db < HUM_NOTE_DB:
        return
    lines = ", ".join(str(multiple * hum.mains_hz) for multiple in hum.harmonics)
    loud = relative_db >= HUM_WARNING_DB
    yield QualityNote(
        QualityCode.HUM,
        Severity.WARNING if loud else Severity.INFO,
        f"Mains hum of {_dbfs(hum.level)} at {lines} Hz; it is not feedback and no cut should go "
        f"there: look for a ground loop, a bad cable or a nearby transformer, and never lift a "
        f"protective earth.",
    )


def _steadiness(samples: NDArray[np.float32], sample_rate_hz: int) -> Iterator[QualityNote]:
    steady = level_steadiness(samples, sample_rate_hz)
    if steady is None:
        return
    if steady.low_share > INTERRUPTED_SHARE:
        yield QualityNote(
            QualityCode.INTERRUPTED,
            Severity.WARNING,
            f"The noise drops by 10 dB or more during {_percent(steady.low_share)} of its time, "
            f"first at {moment_text(steady.first_low_s)}; switch off any noise gate, let the noise "
            f"play without pause, and record again.",
        )
    if steady.spread_db > UNSTEADY_DB or abs(steady.drift_db) > DRIFT_DB:
        yield QualityNote(
            QualityCode.UNSTEADY_LEVEL,
            Severity.WARNING,
            f"The level does not hold as a test noise should (spread {steady.spread_db:.1f} dB, "
            f"{steady.drift_db:+.1f} dB from start to end): switch off automatic gain and "
            f"compressors, leave faders and mic alone, mute the mic everywhere, and play noise, "
            f"not music.",
        )
    if steady.snr_db is not None and steady.snr_db < NOISY_SNR_DB:
        yield QualityNote(
            QualityCode.NOISY,
            Severity.WARNING,
            f"The noise stands only {steady.snr_db:.0f} dB over the background; quieten the stage "
            f"or move the mic closer before turning anything up.",
        )


def _levels(samples: NDArray[np.float32]) -> tuple[float, float, float]:
    """Return mean, rms about the mean, and peak about the mean."""
    mean = float(samples.mean(dtype=np.float64))
    mean_square = float(np.einsum("i,i->", samples, samples, dtype=np.float64)) / samples.size
    rms = math.sqrt(max(0.0, mean_square - mean**2))
    peak = max(float(samples.max()) - mean, mean - float(samples.min()))
    return mean, rms, peak


def _db(value: float) -> float:
    return 20 * math.log10(max(value, 1e-12))


def _dbfs(value: float) -> str:
    text = f"{_db(value):.1f}"
    return f"{'0.0' if text == '-0.0' else text} dBFS".replace("-", "\N{MINUS SIGN}")


def _percent(share: float) -> str:
    percent = 100 * share
    return "under 0.1 %" if percent < 0.1 else f"{percent:.1f} %"
