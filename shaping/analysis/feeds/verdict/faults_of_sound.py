"""Dropouts, distortion, limiter, compressor, hum, noise, an uneven response."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np

from shaping.analysis.feeds.findings import Fault, FaultSeverity, FeedCode, PackMeasure
from shaping.analysis.feeds.outputs import RESPONSE_BANDS_HZ, Output
from shaping.analysis.feeds.steps import LIMITER_RATIO
from shaping.analysis.feeds.thresholds import Thresholds
from shaping.analysis.feeds.verdict.siblings import Standing
from shaping.text.frequency import hertz_text

_LEAST_LOSS_DB = 0.5
"""What a limiter takes at the level of the hold to be worth a note."""


def sound_faults(
    measure: PackMeasure, standing: Standing, thresholds: Thresholds
) -> Iterator[Fault]:
    """Yield what is wrong with the sound of a feed that is alive."""
    alive = [out for out, lives in zip(measure.outputs, standing.alive, strict=True) if lives]
    for found in (
        _dropouts(alive, thresholds),
        _distorted(alive, thresholds),
        _dynamics(alive, thresholds),
        _hum(alive, standing, thresholds),
        _noise(alive, standing, thresholds),
        _uneven(standing, thresholds),
    ):
        if found is not None:
            yield found


def _most(outputs: list[Output], key: Callable[[Output], float]) -> Output:
    return max(outputs, key=key)


def _dropouts(alive: list[Output], thresholds: Thresholds) -> Fault | None:
    worst = _most(alive, lambda out: len(out.dropouts_s))
    count = len(worst.dropouts_s)
    if count < thresholds.dropouts:
        return None
    times = "once" if count == 1 else f"{count} times"
    return _fault(
        FeedCode.DROPOUTS,
        f"The sound breaks off or is disturbed {times}, first {worst.dropouts_s[0]:.1f} s into the "
        "signal.",
        "Check aerials, line of sight, the radio channel and the battery; then move the pack about "
        "where it is used.",
        count / thresholds.dropouts,
    )


def _distorted(alive: list[Output], thresholds: Thresholds) -> Fault | None:
    worst = _most(alive, lambda out: out.distortion_db)
    if worst.distortion_db <= thresholds.distortion_db:
        return None
    percent = 100 * 10 ** (worst.distortion_db / 20)
    action = "Turn down the stage that clips: the mix's output, then the transmitter's input."
    told = f"It distorts by {percent:.0f} % at the level of the signal's hold."
    if any(out.clipped for out in alive):
        told += " The recording itself clips."
        action = "Turn the recorder's input down and record again; then the transmitter's input."
    return _fault(
        FeedCode.DISTORTED, told, action, 1 + (worst.distortion_db - thresholds.distortion_db) / 6
    )


def _dynamics(alive: list[Output], thresholds: Thresholds) -> Fault | None:
    worst = _most(alive, lambda out: out.dynamics.loss_db)
    found = worst.dynamics
    if found.knee_db is None or found.loss_db < _LEAST_LOSS_DB:
        return None
    ratio = found.ratio or 1.0
    if ratio >= LIMITER_RATIO:
        busy = found.knee_db < thresholds.limiter_db
        told = (
            f"A limiter works from {-found.knee_db:.0f} dB below the signal's hold on; it takes "
            f"{found.loss_db:.1f} dB there."
        )
        if not busy:
            return Fault(
                FeedCode.LIMITED,
                FaultSeverity.NOTE,
                told,
                "Leave it in: it protects hearing. If it works often in the service, turn the mix "
                "down.",
                0.0,
            )
        return _fault(
            FeedCode.LIMITED,
            told,
            "Leave the limiter in and turn the mix down before it: a limiter at work all the time "
            "means too loud.",
            1 + (thresholds.limiter_db - found.knee_db) / 6,
        )
    if found.loss_db < thresholds.compressed_db:
        return None
    return _fault(
        FeedCode.COMPRESSED,
        f"A compressor of about {ratio:.1f}:1 takes {found.loss_db:.1f} dB at the signal's hold; "
        f"it begins {-found.knee_db:.0f} dB below.",
        "Take the compressor out of its mix unless it is meant: a singer sings against it.",
        found.loss_db / thresholds.compressed_db,
    )


def _against_hold(alive: list[Output], standing: Standing) -> float:
    """Return the level that noise is held against: that of the packs, not of one that is faint."""
    return max(standing.others_dbfs, *(out.hold_dbfs for out in alive))


def _hum(alive: list[Output], standing: Standing, thresholds: Thresholds) -> Fault | None:
    worst = _most(alive, lambda out: out.quiet.hum_dbfs)
    level = worst.quiet.hum_dbfs - _against_hold(alive, standing)
    if not math.isfinite(level) or level <= thresholds.hum_db:
        return None
    return _fault(
        FeedCode.HUM,
        f"It hums at {worst.quiet.mains_hz} Hz and multiples, {-level:.0f} dB below the signal's "
        "hold.",
        "Try another socket of the same circuit, a balanced cable, or an isolating transformer; "
        "never lift a protective earth.",
        1 + (level - thresholds.hum_db) / 10,
    )


def _noise(alive: list[Output], standing: Standing, thresholds: Thresholds) -> Fault | None:
    worst = _most(alive, lambda out: out.quiet.noise_dbfs)
    level = worst.quiet.noise_dbfs - _against_hold(alive, standing)
    if level <= thresholds.noise_db:
        return None
    return _fault(
        FeedCode.NOISY,
        f"Its noise lies {-level:.0f} dB below the signal's hold (A-weighted).",
        "Close open mics in its mix; then more level into the transmitter, another radio channel.",
        1 + (level - thresholds.noise_db) / 10,
    )


def _uneven(standing: Standing, thresholds: Thresholds) -> Fault | None:
    off = np.where(np.isfinite(standing.uneven_db), standing.uneven_db, 0.0)
    off[[not lives for lives in standing.alive]] = 0.0
    at = np.unravel_index(int(np.argmax(np.abs(off))), off.shape)
    most = float(off[at])
    if abs(most) <= thresholds.uneven_db:
        return None
    against = "in the last good state" if standing.known else "with its siblings"
    return _fault(
        FeedCode.UNEVEN,
        f"At {hertz_text(RESPONSE_BANDS_HZ[at[1]])} it is {abs(most):.1f} dB "
        f"{'louder' if most > 0 else 'lower'} than {against}.",
        "Compare the equaliser of its mix output and the pack's own tone switch.",
        abs(most) / thresholds.uneven_db,
    )


def _fault(code: FeedCode, message: str, action: str, size: float) -> Fault:
    return Fault(code, FaultSeverity.FAULT, message, action, size)
