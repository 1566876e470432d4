"""Where the test signal runs in a recording, and how fast: unknown start, two clocks.

A sample played at ``t`` seconds of the signal appears ``offset_s + t * (1 + clock_ppm * 1e-6)``
seconds into the recording, as in `shaping.analysis.loop.alignment`. The idents at both ends hold
three bursts each, every one another noise, left and right: a pack with one dead side is found by
those of the other, and a burst that a radio lost is made up for by its companions.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from shaping.analysis.feeds.played import PERIOD, Stretch, burst, stretches
from shaping.analysis.loop.alignment import MAX_CLOCK_PPM
from shaping.analysis.loop.resampling import resample_uniform
from shaping.errors import CaptureError

_RATE_HZ = 8_000
"""Enough to place a burst within some microseconds, and six times cheaper than all of it."""

_LOWEST_HZ = 100.0
"""Hum and rumble would hide a weak burst."""

_FOUND_SIGMA = 6.5
"""Height of a correlation over its rms: the highest of some minutes of noise stays below 5.5."""

_PLAIN_SIGMA = 15.0
"""A burst this high over what is near it is there beyond doubt, alone too. Over the whole recording
would not do: where all else is quiet, the correlation with one loud moment is as high."""

_TOP = 40
"""Samples on either side that belong to a peak: 5 ms."""

_TOLERANCE_S = 0.5e-3
"""Most that a burst may lie off the line of the others, with a pack's uneven response."""

_PEAKS = 3
"""Places tried for each burst: a signal played twice has two."""

Samples = NDArray[np.float32]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Place:
    """Where the signal runs.

    Attributes
    ----------
    offset_s : float
        Where its first sample lies in the recording.
    clock_ppm : float
        Recorder's clock against the player's, in parts per million.
    """

    offset_s: float
    clock_ppm: float


class _Peak(NamedTuple):
    """Where a burst may be: its height over the rms of all, and over that of what is near."""

    at_s: float
    height: float
    over_near: float


def find_place(samples: Samples, sample_rate_hz: int, *, signal_rate_hz: int) -> Place | None:
    """Find the test signal in the outputs of one pack.

    Parameters
    ----------
    samples : ndarray of float32, shape (n, outputs)
        The recording.
    sample_rate_hz, signal_rate_hz : int
        Rates of the recording and of the signal.

    Returns
    -------
    Place or None
        None where it is not to be found, or not at both ends.

    Raises
    ------
    CaptureError
        If one end is plain to hear and the other would lie outside the recording.
    """
    factor = max(1, round(sample_rate_hz / _RATE_HZ))
    rate = sample_rate_hz / factor
    slow = signal.resample_poly(samples, 1, factor, axis=0).astype(np.float32)
    bursts = [one for one in stretches() if one.kind == "burst"]
    count = int(PERIOD / signal_rate_hz * rate)
    size = fft.next_fast_len(slow.shape[0] + count, real=True)
    bins = np.arange(size // 2 + 1)
    # Both are pink, so weighting their product by frequency makes it white.
    weight = np.where(bins > _LOWEST_HZ / rate * size, bins, 0).astype(np.float32) / size
    spectra = fft.rfft(slow, size, axis=0)
    spectra *= weight[:, None]
    found = []
    for one in bursts:
        template = resample_uniform(
            burst(one.number, signal_rate_hz), start=0.0, step=signal_rate_hz / rate, count=count
        )
        conjugate = np.conj(fft.rfft(template, size))
        correlation = fft.irfft(spectra * conjugate[:, None], size, axis=0)[: slow.shape[0]]
        found.append(_peaks(correlation, rate, count))
    place = _line(bursts, found, signal_rate_hz)
    if place is None:
        _refuse_cut_off(bursts, found, signal_rate_hz, slow.shape[0] / rate)
    return place


def _peaks(correlation: Floats, rate: float, reach: int) -> list[_Peak]:
    """Return the highest peaks over all outputs; what is near lies within so many samples."""
    rms = np.sqrt(np.mean(correlation**2, axis=0))
    height = np.max(np.abs(correlation) / np.maximum(rms, 1e-30), axis=1)
    whole = height.copy()
    found = []
    for _ in range(_PEAKS):
        at = int(np.argmax(height))
        if height[at] < _FOUND_SIGMA:
            break
        before, after = whole[max(0, at - reach) : max(0, at - _TOP)], whole[at + _TOP :][:reach]
        near = float(np.sqrt(np.mean(np.concatenate([before, after, [1e-30]]) ** 2)))
        top_s = (at + _between(height, at)) / rate
        found.append(_Peak(top_s, float(height[at]), float(height[at]) / near))
        height[max(0, at - _TOP) : at + _TOP + 1] = 0.0
    return found


def _between(height: Floats, at: int) -> float:
    """Return how far the top of a parabola through three points lies from the middle one."""
    if not 0 < at < height.size - 1:
        return 0.0
    before, here, after = height[at - 1 : at + 2]
    bend = before - 2 * here + after
    return float(0.5 * (before - after) / bend) if bend < 0 else 0.0


def _line(bursts: list[Stretch], found: list[list[_Peak]], rate_hz: int) -> Place | None:
    """Return the line that the highest bursts of both ends agree on."""
    played = np.array([one.start / rate_hz for one in bursts])
    half = len(bursts) // 2
    best: tuple[float, Place] | None = None
    for i in range(half):
        for j in range(half, len(bursts)):
            for first_s, *_ in found[i]:
                for last_s, *_ in found[j]:
                    speed = (last_s - first_s) / (played[j] - played[i])
                    if abs(speed - 1) > MAX_CLOCK_PPM * 1e-6:
                        continue
                    agreed = _agreed(played, found, speed, first_s - speed * played[i])
                    weight = sum(height for _, _, height in agreed)
                    if best is None or weight > best[0]:
                        best = weight, _fitted(agreed)
    return best[1] if best else None


def _refuse_cut_off(
    bursts: list[Stretch],
    found: list[list[_Peak]],
    rate_hz: int,
    duration_s: float,
) -> None:
    """Raise where a burst that is plain to hear puts the signal's other end outside."""
    first_s, last_s = bursts[0].start / rate_hz, (bursts[-1].start + PERIOD) / rate_hz
    for one, peaks in zip(bursts, found, strict=True):
        if not peaks or min(peaks[0].height, peaks[0].over_near) < _PLAIN_SIGMA:
            continue
        offset_s = peaks[0].at_s - one.start / rate_hz
        if offset_s + first_s < 0 or offset_s + last_s > duration_s:
            end = "begins after" if offset_s + first_s < 0 else "ends before"
            raise CaptureError(
                f"the recording {end} the test signal does; record from before its first burst to "
                "after its last"
            )


def _agreed(
    played: Floats, found: list[list[_Peak]], speed: float, offset_s: float
) -> list[tuple[float, float, float]]:
    """Return time played, time heard and height of the bursts on a line."""
    agreed = []
    for at_s, peaks in zip(played, found, strict=True):
        near = [one for one in peaks if abs(one.at_s - offset_s - speed * at_s) < _TOLERANCE_S]
        if near:
            best = max(near, key=lambda one: one.height)
            agreed.append((float(at_s), best.at_s, best.height))
    return agreed


def _fitted(agreed: list[tuple[float, float, float]]) -> Place:
    played, heard, height = np.array(agreed).T
    slope, offset = np.polyfit(played, heard - played, 1, w=height)
    return Place(float(offset), float(slope * 1e6))
