"""Sounds that a page carries: short, small, at peace with the ear, and as text.

Conventions: mono, 16-bit WAV at `PAGE_RATE_HZ`. A page's script decodes it once, to the rate at
which it plays. Uncompressed, because every current browser decodes that alike.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Iterable

import numpy as np
import soundfile as sf
from numpy.typing import NDArray
from scipy import signal

from shaping.analysis.loudness import measure_loudness
from shaping.capture.recording import Capture
from shaping.errors import CaptureError
from shaping.filters.apply import apply_sos, initial_state
from shaping.filters.design import cascade_sos
from shaping.filters.kinds import Filter

PAGE_RATE_HZ = 24_000
"""Half the usual rate: what a wedge sends to the first row above 12 kHz lies 40 dB down."""
LONGEST_EXCERPT_S = 8.25
"""Six sounds of this length and the page stay under 4 MB."""
_SHORTEST_EXCERPT_S = 1.0
_FADE_S = 0.02  # so that a sound begins, ends and repeats without a click
_FRAME_S = 0.05
_HOWL_OVER_MEDIAN_DB = 10.0
"""Speech and music pass their median level by less for most of the time; a howl left standing
passes it by 20 dB and more (common practice, no published source)."""
_SOUNDING = 1e-3  # of the loudest frame: 60 dB under it nothing is heard

_Real = NDArray[np.float64]


def excerpt(capture: Capture, *, start_s: float = 0.0) -> _Real:
    """Return the part of a capture that a page carries, faded at both ends, shape (n,).

    Parameters
    ----------
    capture : Capture
        The recording.
    start_s : float
        Where to begin; what is left from there, but at most `LONGEST_EXCERPT_S`.

    Raises
    ------
    CaptureError
        If less than `_SHORTEST_EXCERPT_S` is left from there.
    """
    rate_hz = capture.sample_rate_hz
    first = round(start_s * rate_hz)
    part = capture.samples[first : first + round(LONGEST_EXCERPT_S * rate_hz)].astype(np.float64)
    if start_s < 0.0 or part.size < _SHORTEST_EXCERPT_S * rate_hz:
        raise CaptureError(
            f"{capture.path}: a lesson needs {_SHORTEST_EXCERPT_S:g} s of sound or more; from "
            f"{start_s:g} s on there is less, for the recording is {capture.duration_s:.1f} s long"
        )
    common = int(np.gcd(rate_hz, PAGE_RATE_HZ))
    small = signal.resample_poly(part, PAGE_RATE_HZ // common, rate_hz // common)
    fade = round(_FADE_S * PAGE_RATE_HZ)
    rising = 0.5 - 0.5 * np.cos(np.pi * np.arange(fade) / fade)
    small[:fade] *= rising
    small[-fade:] *= rising[::-1]
    return np.asarray(small)


def without_howls(samples: _Real) -> _Real:
    """Return a sound whose loud moments are turned down to 10 dB over its median level.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        At `PAGE_RATE_HZ`. Frames of 50 ms that are silent do not count for the median.

    Returns
    -------
    ndarray, shape (n,)
        Unchanged where nothing was louder.
    """
    size = round(_FRAME_S * PAGE_RATE_HZ)
    frames = np.resize(np.pad(samples, (0, -samples.size % size)), (-(-samples.size // size), size))
    level = np.sqrt(np.mean(frames**2, axis=1))
    sounding = level[level > _SOUNDING * level.max()]
    if not sounding.size:
        return samples
    most = np.median(sounding) * 10.0 ** (_HOWL_OVER_MEDIAN_DB / 20.0)
    gain = np.minimum(1.0, most / np.maximum(level, 1e-12))
    gain = np.minimum.reduce([gain, np.append(gain[1:], 1.0), np.append(1.0, gain[:-1])])
    if (gain == 1.0).all():
        return samples
    centres = (np.arange(gain.size) + 0.5) * size
    return np.asarray(samples * np.interp(np.arange(samples.size), centres, gain))


def through(filters: Iterable[Filter], samples: _Real) -> _Real:
    """Return a page's sound through filters, shape (n,)."""
    sos = cascade_sos(filters, sample_rate_hz=PAGE_RATE_HZ)
    return apply_sos(sos, samples, initial_state(sos))[0]


def loudness_lufs(samples: _Real) -> float:
    """Return the integrated loudness of a page's sound."""
    block = samples.astype(np.float32)[:, None]
    return measure_loudness([block], PAGE_RATE_HZ).integrated_lufs


def scaled(sounds: Iterable[_Real], *, peak: float) -> list[_Real]:
    """Return sounds under one gain, so that their sum peaks at `peak` at the most."""
    kept = list(sounds)
    highest = max(float(np.max(np.abs(sum(kept)))), *(float(np.max(np.abs(one))) for one in kept))
    return [one * (peak / max(highest, 1e-9)) for one in kept]


def wav_text(samples: _Real) -> str:
    """Return a 16-bit WAV file as base64."""
    file = io.BytesIO()
    whole = np.clip(np.rint(samples * 32768.0), -32768, 32767).astype(np.int16)
    sf.write(file, whole, PAGE_RATE_HZ, subtype="PCM_16", format="WAV")
    return base64.b64encode(file.getvalue()).decode("ascii")
