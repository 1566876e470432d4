"""Test signals to play through a wedge: pink noise and an exponential sweep.

Conventions: samples are float32 with full scale at +-1. A level is the rms of the steady part in
dB re full scale (a constant 1 is 0 dB). No sample ever passes the peak that `peak_dbfs` states.
Band limits keep energy out of what a wedge cannot move or dissipate. The same arguments give the
same signal.

References
----------
.. [1] A. Farina, "Simultaneous measurement of impulse response and distortion with a swept-sine
   technique", AES 108th Convention, 2000: the exponential sweep.
.. [2] A. Novak, P. Lotton, L. Simon, "Synchronized swept-sine: theory, application, and
   implementation", J. Audio Eng. Soc. 63(10), 2015: the rate rounded so that harmonics keep phase.
.. [3] IEC 61260-1:2014: third-octave band edges a factor 10^(1/20) about the midband.
"""

from __future__ import annotations

import io
import math
from enum import StrEnum
from pathlib import Path
from typing import Final

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import fft

from shaping.errors import OutputError, ParameterError
from shaping.output import replacing
from shaping.text.names import shown


class SignalKind(StrEnum):
    """The test signals there are."""

    PINK_NOISE = "pink-noise"
    SWEEP = "sweep"


DEFAULT_LEVEL_DBFS: Final = -30.0
"""Low on purpose: the playback fader does the rest, slowly."""

CREST_DB: Final = {SignalKind.PINK_NOISE: 12.0, SignalKind.SWEEP: 20 * math.log10(math.sqrt(2))}
"""Most that a peak stands over the level. Pink noise is held to 12 dB (four times the rms, the
crest common for test noise); a sine has 3 dB."""

_LOWEST_HZ: Final = 20.0
"""Below it a wedge only moves its cone."""

_HIGHEST_HZ: Final = 20_000.0  # the end of hearing; above it there is only heat for the horn

LONGEST_S: Final = 300.0
"""Longer tells no more, and heats voice coils."""

_THIRD_OCTAVE_EDGE = 10 ** (1 / 20)  # IEC 61260-1: half a third of an octave, base ten
_ROLL_OFF = 10 ** (1 / 10)
"""Beyond the outermost band the spectrum falls to nothing within a third of an octave."""

_FADE_PASSES = 2
"""The fades take more from one band than from another, up to 0.6 dB in 4 s: made good twice."""

_MOST_PASSES = 60  # a choice: a bound on time; where it does not settle, the peak is clipped


def peak_dbfs(kind: SignalKind, level_dbfs: float) -> float:
    """Return the peak, in dBFS, that a signal of this level never passes.

    >>> peak_dbfs(SignalKind.PINK_NOISE, -30.0)
    -18.0
    """
    return level_dbfs + CREST_DB[kind]


def pink_noise(
    duration_s: float,
    *,
    sample_rate_hz: int = 48_000,
    level_dbfs: float = DEFAULT_LEVEL_DBFS,
    seed: int = 0,
    low_hz: float = 40.0,
    high_hz: float = 16_000.0,
    fade_s: float = 0.5,
) -> NDArray[np.float32]:
    """Make pink noise: equal power in every third-octave band from `low_hz` to `high_hz`.

    Magnitudes are set in the frequency domain, line by line, and only the phases are random, so
    that even a few seconds are pink. Peaks are brought under the stated crest by clipping them and
    setting the magnitudes again, until none is left: no sample is clipped in the end.

    Parameters
    ----------
    duration_s : float
        Length in seconds, fades included.
    sample_rate_hz : int
        Sample rate in Hz.
    level_dbfs : float
        Rms between the fades.
    seed : int
        Chooses the noise; the same seed makes the same noise.
    low_hz, high_hz : float
        Midbands of the lowest and highest third-octave band that is full.
    fade_s : float
        Length of the fade at each end (raised cosine).

    Returns
    -------
    ndarray of float32, shape (n,)

    Raises
    ------
    ParameterError
        If a value is out of range.

    Examples
    --------
    >>> noise = pink_noise(2.0, level_dbfs=-30.0)
    >>> noise.size, bool(abs(noise).max() <= 10 ** (-18 / 20))
    (96000, True)
    """
    size = _checked(
        SignalKind.PINK_NOISE, duration_s, sample_rate_hz, level_dbfs, low_hz, high_hz, fade_s
    )
    fade = round(fade_s * sample_rate_hz)
    frequency = fft.rfftfreq(size, 1 / sample_rate_hz)
    pink = _pink_magnitude(frequency, size, low_hz, high_hz)
    rng = np.random.default_rng(seed)
    phases = np.exp(1j * rng.uniform(0, 2 * np.pi, pink.size).astype(np.float32))
    magnitude = pink
    for _ in range(_FADE_PASSES):
        faded = _faded(fft.irfft(magnitude * phases, size), fade)
        magnitude = magnitude * _short_of(pink, np.abs(fft.rfft(faded)), frequency, low_hz, high_hz)
    crest = np.float32(10 ** (CREST_DB[SignalKind.PINK_NOISE] / 20))
    noise: NDArray[np.float32] = fft.irfft(magnitude * phases, size)
    for _ in range(_MOST_PASSES):
        if np.abs(noise).max() <= 0.999 * crest:
            break
        # Clip a little lower than asked: setting the magnitudes again lets peaks grow back.
        np.clip(noise, -0.97 * crest, 0.97 * crest, out=noise)
        spectrum = fft.rfft(noise)
        spectrum *= magnitude / np.maximum(np.abs(spectrum), np.float32(1e-20))
        noise = fft.irfft(spectrum, size)
    noise *= min(1.0, 0.999 * float(crest) / float(np.abs(noise).max()))
    noise *= np.float32(10 ** (level_dbfs / 20))
    return _faded(noise, fade)


def exponential_sweep(
    duration_s: float,
    *,
    sample_rate_hz: int = 48_000,
    level_dbfs: float = DEFAULT_LEVEL_DBFS,
    low_hz: float = 40.0,
    high_hz: float = 16_000.0,
    fade_s: float = 0.05,
) -> NDArray[np.float32]:
    """Make a synchronised exponential sweep, low to high.

    The phase is ``2 pi f1 L exp(t / L)`` with the rate constant `sweep_rate_s` rounded so that
    ``f1 L`` is whole: the sweep starts at phase zero, and the n-th harmonic of a distorting
    loudspeaker is the sweep itself, ``L ln n`` early. (`scipy.signal.chirp` takes the sweep's ends
    and length instead, and leaves the rate to follow.)

    Parameters
    ----------
    duration_s : float
        Length wanted in seconds; the rounding changes it by up to ``ln(f2 / f1) / (2 f1)``.
    sample_rate_hz : int
        Sample rate in Hz.
    level_dbfs : float
        Rms between the fades: the peak lies 3 dB higher.
    low_hz, high_hz : float
        First and last frequency. The fades take `fade_s` of the sweep at each end.
    fade_s : float
        Length of the fade at each end (raised cosine).

    Returns
    -------
    ndarray of float32, shape (n,)

    Raises
    ------
    ParameterError
        If a value is out of range.
    """
    _checked(SignalKind.SWEEP, duration_s, sample_rate_hz, level_dbfs, low_hz, high_hz, fade_s)
    rate_s = sweep_rate_s(duration_s, low_hz=low_hz, high_hz=high_hz)
    size = math.ceil(rate_s * math.log(high_hz / low_hz) * sample_rate_hz)
    time_s = np.arange(size) / sample_rate_hz
    sweep = np.sin(2 * np.pi * low_hz * rate_s * np.exp(time_s / rate_s))
    sweep *= math.sqrt(2) * 10 ** (level_dbfs / 20) * (1 - 1e-6)
    return _faded(sweep.astype(np.float32), round(fade_s * sample_rate_hz))


def sweep_rate_s(duration_s: float, *, low_hz: float, high_hz: float) -> float:
    """Return the rate constant L of a synchronised sweep: seconds per factor e of frequency.

    >>> sweep_rate_s(10.0, low_hz=40.0, high_hz=16_000.0) * 40.0
    67.0
    """
    return max(1, round(low_hz * duration_s / math.log(high_hz / low_hz))) / low_hz


def write_signal(
    path: str | Path, samples: NDArray[np.float32], sample_rate_hz: int, *, force: bool = False
) -> None:
    """Write a signal as a 24-bit WAV file, whole or not at all.

    Raises
    ------
    ParameterError
        If a sample is not finite or passes full scale.
    OutputError
        If the file cannot be written, exists and `force` is False, or is not named ``.wav``.
    """
    if not np.isfinite(samples).all() or np.abs(samples).max(initial=0.0) > 1.0:
        raise ParameterError("a signal must be finite and within full scale to be written")
    if Path(path).suffix.lower() != ".wav":
        raise OutputError(
            f"{shown(path)}: signals are written as WAV; give the file a name in .wav"
        )
    # In memory first: the library does not report a full disk in a way that can be relied on.
    buffer = io.BytesIO()
    soundfile.write(buffer, samples, sample_rate_hz, format="WAV", subtype="PCM_24")
    with replacing(path, force=force) as temporary:
        temporary.write_bytes(buffer.getvalue())


def _checked(
    kind: SignalKind,
    duration_s: float,
    sample_rate_hz: int,
    level_dbfs: float,
    low_hz: float,
    high_hz: float,
    fade_s: float,
) -> int:
    """Return the number of samples, or raise ParameterError naming what is out of range."""
    if not 8_000 <= sample_rate_hz <= 192_000:
        raise ParameterError(f"sample_rate_hz={sample_rate_hz} must lie in 8000 to 192000 Hz")
    if not 1.0 <= duration_s <= LONGEST_S:
        raise ParameterError(f"duration_s={duration_s:g} must lie in 1 to {LONGEST_S:g} s")
    if not 0 <= fade_s <= duration_s / 4:
        raise ParameterError(f"fade_s={fade_s:g} must lie in 0 to a quarter of the duration")
    highest = math.floor(10 * -CREST_DB[kind]) / 10
    if not -100 <= level_dbfs <= highest:
        raise ParameterError(
            f"level_dbfs={level_dbfs:g} must lie in -100 to {highest:g} dB, or peaks would clip"
        )
    top = min(_HIGHEST_HZ, sample_rate_hz / 2 / _THIRD_OCTAVE_EDGE)
    if not _LOWEST_HZ <= low_hz < high_hz <= top:
        raise ParameterError(
            f"low_hz={low_hz:g} and high_hz={high_hz:g} must lie in {_LOWEST_HZ:g} to {top:.0f} "
            f"Hz, low below high, at {sample_rate_hz} Hz"
        )
    return round(duration_s * sample_rate_hz)


def _pink_magnitude(
    frequency: NDArray[np.float64], size: int, low_hz: float, high_hz: float
) -> NDArray[np.float32]:
    """Return the magnitudes of a real spectrum whose inverse has rms 1 and is pink in the band."""
    first, last = low_hz / _THIRD_OCTAVE_EDGE, high_hz * _THIRD_OCTAVE_EDGE
    with np.errstate(divide="ignore"):
        octaves_out = np.maximum(np.log2(first / frequency), np.log2(frequency / last))
    fraction = np.clip(octaves_out / math.log2(_ROLL_OFF), 0.0, 1.0)
    magnitude = np.cos(np.pi / 2 * fraction) ** 2
    magnitude[1:] /= np.sqrt(frequency[1:])
    magnitude[0] = 0.0
    if size % 2 == 0:
        magnitude[-1] = 0.0
    magnitude *= size / math.sqrt(2 * float(np.sum(magnitude**2)))
    return np.asarray(magnitude, dtype=np.float32)


def _short_of(
    wanted: NDArray[np.float32],
    got: NDArray[np.float32],
    frequency: NDArray[np.float64],
    low_hz: float,
    high_hz: float,
) -> NDArray[np.float32]:
    """Return the factors by which third-octaves fell short of their share, smooth over lines."""
    first, last = low_hz / _THIRD_OCTAVE_EDGE, high_hz * _THIRD_OCTAVE_EDGE
    bands = max(1, round(10 * math.log10(last / first)))
    edges = np.geomspace(first, last, bands + 1)
    starts = np.searchsorted(frequency, edges)
    power = [np.add.reduceat(each.astype(np.float64) ** 2, starts)[:-1] for each in (wanted, got)]
    factors = np.sqrt(power[0] / power[1] * power[1].sum() / power[0].sum())
    midbands = np.sqrt(edges[:-1] * edges[1:])
    return np.asarray(np.interp(frequency, midbands, factors), dtype=np.float32)


def _faded(samples: NDArray[np.float32], fade: int) -> NDArray[np.float32]:
    ramp = np.sin(np.pi / 2 * (np.arange(fade) + 0.5) / max(fade, 1)) ** 2
    samples[:fade] *= ramp.astype(np.float32)
    samples[samples.size - fade :] *= ramp[::-1].astype(np.float32)
    return samples
