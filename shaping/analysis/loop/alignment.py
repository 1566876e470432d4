"""Line up a capture with its reference: unknown start, unknown latency, two clocks.

A reference sample played at ``t`` seconds of the reference appears in the capture at
``offset_s + t * (1 + clock_ppm * 1e-6)`` seconds of the capture: `offset_s` counts from start of
file to start of file and holds the latency of players, recorder and air; a positive `clock_ppm`
means that the recorder counts more samples per second than the player.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from shaping.analysis.loop.resampling import resample_uniform
from shaping.errors import CaptureError

MAX_CLOCK_PPM = 300.0
"""Largest difference of two sound-card clocks that is looked for (200 ppm and a margin)."""

_RATE_HZ = 8000.0  # enough for noise to be found by, at a sixth of the work
_LOWEST_HZ = 60.0  # a wedge plays little below, and rumble would blur the peak
_CHUNK_S = 1.4  # two clocks 300 ppm apart part by 0.4 ms meanwhile, half a period of 1.2 kHz
_SHORTEST_CHUNK_S = 0.5  # a choice: shorter stretches hold too little noise to stand out of chance
_FOUND_SIGMA = 7.0  # the highest of a quarter of a million chance values is near 5, sqrt(2 ln n)
_TOLERANCE_S = 0.4e-3  # as much as two clocks 300 ppm apart part within one stretch
NOT_FOUND = (
    "The reference is not to be found in the capture: give the very file that was played, and "
    "check that the right channel is read and that the mic heard the wedge."
)
CLOCKS_APART = "The reference is in the capture, but runs at another speed"
_SPEEDS = (44_100 / 48_000, 48_000 / 44_100, 44_100 / 96_000, 48_000 / 96_000)
"""A file of one common rate played or recorded as another."""
_FAR_PPM = 6000.0  # what tests/bench/quiet_cases.py asks (5000 ppm), and a margin
_PPM_STEP = 400.0  # half of it parts two clocks by 0.14 ms within a probe, less than the tolerance
_PROBES = 3  # a choice: two of three must be found, for one may be a pause
_PROBE_S = 0.7  # short, so that steps of speed may be wide

Samples = NDArray[np.float32]
_Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Alignment:
    """Where and how fast the reference runs in the capture.

    Attributes
    ----------
    offset_s : float
        Where the reference's first sample, heard over the strongest path, lies in the capture.
    clock_ppm : float
        Recorder's clock against the player's, parts per million.
    score : float
        Height of the correlation peak over the rms of the rest: the median over the stretches
        that agree. Unrelated signals stay near 5.
    agreeing : float
        Share of the stretches of the capture within the reference that agree with it.
    """

    offset_s: float
    clock_ppm: float
    score: float
    agreeing: float

    def resample(
        self,
        reference: Samples,
        *,
        reference_rate_hz: float,
        capture_rate_hz: float,
        first: int,
        count: int,
    ) -> Samples:
        """Return the reference on the capture's clock, ``first .. first + count - 1``."""
        ratio = 1 + self.clock_ppm * 1e-6
        step = reference_rate_hz / (capture_rate_hz * ratio)
        start = (first / capture_rate_hz - self.offset_s) / ratio * reference_rate_hz
        if abs(step - 1) < 1e-9 and abs(start - round(start)) < 1e-3:
            start, step = round(start), 1.0
        return resample_uniform(reference, start=start, step=step, count=count)


def align(
    capture: Samples,
    reference: Samples,
    *,
    capture_rate_hz: float,
    reference_rate_hz: float,
) -> Alignment:
    """Find where noise runs in the capture, and the ratio of the two clocks.

    Stretches of 1.4 s are searched for in the whole reference one by one; the line that most of
    them lie on gives offset and clock; then the phase between cross-spectra of stretches ever
    further apart sharpens the clock to a small fraction of a sample over the whole capture.

    Parameters
    ----------
    capture, reference : ndarray of float32, shape (n,), (m,)
        Either may start first and either may be longer.
    capture_rate_hz, reference_rate_hz : float
        Sample rates in Hz.

    Returns
    -------
    Alignment

    Raises
    ------
    CaptureError
        If the reference is not to be found in the capture.
    """
    rate = min(_RATE_HZ, capture_rate_hz, reference_rate_hz)
    slow_capture = _slow(capture, capture_rate_hz, rate)
    slow_reference = _slow(reference, reference_rate_hz, rate)
    shortest = min(slow_capture.size, slow_reference.size)
    chunk = min(int(_CHUNK_S * rate), shortest // 4)
    if chunk < _SHORTEST_CHUNK_S * rate:
        raise CaptureError(
            f"Capture and reference share at most {shortest / rate:.1f} s: play and record at "
            f"least {4 * _SHORTEST_CHUNK_S:.0f} s of noise, better 30 s."
        )
    starts = np.arange(0, slow_capture.size - chunk + 1, chunk)
    lags, scores = _search(slow_capture, slow_reference, starts, chunk, rate)
    reference_s = (lags + chunk / 2) / rate
    offsets_s = (starts - lags) / rate
    offset_s, slope, agreeing = _common_line(reference_s, offsets_s, scores)
    if not agreeing.any():
        raise _not_found(slow_capture, slow_reference, rate)
    played_s = (starts + chunk / 2) / rate - offset_s
    heard = (played_s > 0.5 * _CHUNK_S) & (played_s < slow_reference.size / rate - 0.5 * _CHUNK_S)
    heard |= agreeing
    share = float(agreeing.sum() / heard.sum())
    if agreeing.sum() < 3 or share < 0.3:
        raise _not_found(slow_capture, slow_reference, rate)
    found = Alignment(offset_s, slope * 1e6, float(np.median(scores[agreeing])), share)
    for _ in range(2):
        found = _sharpen(found, slow_capture, slow_reference, rate, chunk)
    return found


def _not_found(capture: Samples, reference: Samples, rate: float) -> CaptureError:
    """Return why stretches of the capture are not in the reference: wrong speed, or wrong file."""
    ppm = np.arange(MAX_CLOCK_PPM + _PPM_STEP / 2, _FAR_PPM, _PPM_STEP)
    for speed in (*_SPEEDS, *(1 + 1e-6 * np.concatenate([ppm, -ppm]))):
        if _found_at(capture, reference, rate, float(speed)):
            apart = f"by {abs(1e6 * (speed - 1)):.0f} parts per million"
            if abs(speed - 1) > 0.01:
                apart = f"{speed:.3f} times as fast"
            return CaptureError(
                f"{CLOCKS_APART} ({apart}): play and record at one sample rate, set both devices "
                "to it, and let them share a clock where they can."
            )
    return CaptureError(NOT_FOUND)


def _found_at(capture: Samples, reference: Samples, rate: float, speed: float) -> bool:
    """Return whether most of a few stretches of the capture lie in the reference at this speed."""
    chunk = int(_PROBE_S * rate)
    size = int(chunk / speed) + 1
    places = np.linspace(0.25, 0.75, _PROBES) * (capture.size - size)
    probes = [
        resample_uniform(capture, start=float(place), step=1 / speed, count=chunk)
        for place in places
    ]
    joined = np.concatenate(probes)
    _, scores = _search(joined, reference, np.arange(_PROBES) * chunk, chunk, rate)
    return int(np.sum(scores > _FOUND_SIGMA)) > _PROBES // 2


def align_sweep(
    capture: Samples,
    reference: Samples,
    *,
    capture_rate_hz: float,
    reference_rate_hz: float,
) -> Alignment:
    """Find where one sweep starts in the capture.

    The clocks are taken as equal: in one sweep their drift cannot be told from the path's own
    delay over frequency, and it does not change magnitudes.

    Parameters, returns and errors are those of `align`.
    """
    rate = min(_RATE_HZ, capture_rate_hz, reference_rate_hz)
    slow_capture = _slow(capture, capture_rate_hz, rate)
    slow_reference = _slow(reference, reference_rate_hz, rate)
    size = fft.next_fast_len(slow_capture.size + slow_reference.size, real=True)
    spectrum = fft.rfft(slow_reference, size)
    power = np.abs(spectrum) ** 2
    whitened = np.conj(spectrum) / (power + 1e-3 * power.max())
    correlation = fft.irfft(fft.rfft(slow_capture, size) * whitened, size)
    lag, score = _peak(correlation, slow_capture.size)
    if score < 2 * _FOUND_SIGMA:
        raise CaptureError(NOT_FOUND)
    return Alignment(lag / rate, 0.0, score, 1.0)


def _slow(samples: Samples, rate_hz: float, new_rate_hz: float) -> Samples:
    step = rate_hz / new_rate_hz
    return resample_uniform(samples, start=0.0, step=step, count=int((samples.size - 1) / step) + 1)


def _search(
    capture: Samples, reference: Samples, starts: NDArray[np.int64], chunk: int, rate: float
) -> tuple[_Real, _Real]:
    """Return each stretch's place in the reference, in samples, and the height of its peak.

    Spectra are weighted by frequency, which turns pink noise white.
    """
    size = fft.next_fast_len(reference.size + chunk, real=True)
    bins = np.arange(size // 2 + 1, dtype=np.float32)
    weight = np.where(bins > _LOWEST_HZ / rate * size, bins, 0).astype(np.float32)
    template = fft.rfft(reference, size) * weight
    lags, scores = np.empty(starts.size), np.empty(starts.size)
    for i, start in enumerate(starts):
        spectrum = np.conj(fft.rfft(capture[start : start + chunk], size))
        lags[i], scores[i] = _peak(fft.irfft(template * spectrum, size), reference.size)
    return lags, scores


def _peak(correlation: Samples, longest_lag: int) -> tuple[float, float]:
    """Return the (possibly negative) lag of the highest peak, and its height over the rms."""
    magnitude = np.abs(correlation)
    at = int(np.argmax(magnitude))
    rms = float(np.sqrt(np.mean(np.square(correlation, dtype=np.float64))))
    lag = at if at <= longest_lag else at - correlation.size
    return float(lag), float(magnitude[at]) / rms if rms > 0 else 0.0


def _common_line(
    reference_s: _Real, offsets_s: _Real, scores: _Real
) -> tuple[float, float, NDArray[np.bool_]]:
    """Return intercept, slope and membership of the line most stretches agree on."""
    sure = np.flatnonzero(scores > _FOUND_SIGMA)
    best = np.zeros(scores.size, bool)
    for i in sure:
        for j in sure:
            span = reference_s[j] - reference_s[i]
            slope = (offsets_s[j] - offsets_s[i]) / span if span > 0 else np.inf
            if i != j and abs(slope) > MAX_CLOCK_PPM * 1e-6:
                continue
            predicted = offsets_s[i] + (0.0 if i == j else slope) * (reference_s - reference_s[i])
            agreeing = (np.abs(offsets_s - predicted) < _TOLERANCE_S) & (scores > _FOUND_SIGMA)
            if agreeing.sum() > best.sum():
                best = agreeing
    if best.sum() < 2:
        return 0.0, 0.0, np.zeros(scores.size, bool)
    slope, intercept = np.polyfit(reference_s[best], offsets_s[best], 1)
    return float(intercept), float(slope), best


def _sharpen(
    found: Alignment, capture: Samples, reference: Samples, rate: float, chunk: int
) -> Alignment:
    """Correct the clock by the phase drift between stretches, and the offset by the peak.

    The path does not change from stretch to stretch, so the product of one cross-spectrum with
    an earlier one's conjugate has the phase of the drift alone.
    """
    first = max(0, int(found.offset_s * rate))
    last = min(capture.size, int((found.offset_s * rate) + reference.size))
    lined_up = found.resample(
        reference, reference_rate_hz=rate, capture_rate_hz=rate, first=first, count=last - first
    )
    hop = chunk // 2
    count = (last - first - chunk) // hop + 1
    if count < 2:
        return found
    window = signal.get_window("hann", chunk).astype(np.float32)
    heard = np.stack([capture[first + k * hop :][:chunk] * window for k in range(count)])
    played = np.stack([lined_up[k * hop :][:chunk] * window for k in range(count)])
    cross = fft.rfft(heard) * np.conj(fft.rfft(played))
    frequency_hz = fft.rfftfreq(chunk, 1 / rate)
    band = (frequency_hz > _LOWEST_HZ) & (frequency_hz < 0.45 * rate)
    cross = cross[:, band] * frequency_hz[band]
    turning = 2 * np.pi * frequency_hz[band]
    drift = 0.0  # seconds of delay per second
    for step in _doubling(count):
        product = np.sum(cross[step:] * np.conj(cross[:-step]), axis=0)
        apart_s = step * hop / rate
        phase = np.angle(product * np.exp(1j * turning * drift * apart_s))
        weight = np.abs(product)
        scale = float(np.sum(weight * turning**2)) * apart_s
        drift -= float(np.sum(weight * turning * phase)) / scale if scale > 0 else 0.0
    times = np.arange(count) * hop / rate
    # Turn the stretches onto the first one and look at their common impulse response.
    mean = np.sum(cross * np.exp(1j * np.outer(times, drift * turning)), axis=0)
    whole = np.zeros(frequency_hz.size, np.complex128)
    whole[band] = mean
    delay_s = _fine_peak_s(whole, chunk, rate)
    ratio = (1 + found.clock_ppm * 1e-6) * (1 + drift)
    # `delay_s` holds at the middle of the first stretch, `chunk / 2` after `first`.
    middle_s = (first + chunk / 2) / rate - found.offset_s
    return replace(
        found,
        offset_s=found.offset_s + delay_s - drift * middle_s,
        clock_ppm=(ratio - 1) * 1e6,
    )


def _doubling(count: int) -> list[int]:
    """Return 1, 2, 4 ... up to two thirds of `count`, where the slope's error is smallest."""
    steps = [2**k for k in range(count.bit_length()) if 3 * 2**k < 2 * count]
    return [*steps, max(2 * count // 3, 1)]


def _fine_peak_s(spectrum: NDArray[np.complex128], size: int, rate: float) -> float:
    """Return the time of the strongest arrival, between samples, from -size/2 to size/2."""
    finer = 8
    response = np.abs(fft.irfft(spectrum, finer * size))
    at = int(np.argmax(response))
    left, top, right = (response[(at + d) % response.size] for d in (-1, 0, 1))
    at_exact = at + 0.5 * (left - right) / (left - 2 * top + right)
    if at_exact > response.size / 2:
        at_exact -= response.size
    return float(at_exact / (finer * rate))
