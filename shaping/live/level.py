"""How loud to play: what the inputs hold before, and the noise's way up from silence.

The level wanted is the one at which every mic hears the noise 20 dB over what it hears without, in
the middle of the third octaves from 200 Hz to 6.3 kHz; no louder, and never louder than asked.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from shaping.capture.signals import DEFAULT_LEVEL_DBFS, pink_noise
from shaping.live.guard import CLIPPING

WANTED_SNR_DB: Final = 20.0
"""The promise of the quiet ring-out is made for it: stable gain within 0.5 dB on 95 % of stages."""

HIGHEST_LEVEL_DBFS: Final = -20.0
"""Rms of noise whose peaks just keep under `shaping.live.player.HIGHEST_PEAK_DBFS`."""

LEAST_HEARD_DB: Final = 3.0
"""Below this nothing of the noise is told from the room's: it does not arrive."""

FROM_DBFS: Final = -80.0
"""Where the rise begins: silence to an ear at the wedge, with the desk at its usual gains."""

RISE_DB_PER_S: Final = 12.0
"""A hand on the fader has two seconds between the first hiss and the level of speech."""

DEAD_PEAK_DBFS: Final = -100.0
"""An input that stands still below 17 bits is no mic in a room: a preamp's own noise is louder."""

NOISY_DBFS: Final = -40.0
"""A room that puts this on an input leaves no 20 dB under the ceiling of most chains."""

LOOKED_AT_S: Final = 0.25
_LOW_HZ, _HIGH_HZ = 200.0, 6_300.0
_BLOCK_S = 0.02


@dataclass(frozen=True, eq=False)
class Quiet:
    """What the inputs hold while nothing plays.

    Attributes
    ----------
    bands : ndarray, shape (inputs, bands)
        Power in third octaves, for `snr_db`.
    level_db, peak_db, loudest_db : ndarray, shape (inputs,)
        Rms, largest sample, and rms of the loudest block of 20 ms, dB re full scale.
    """

    bands: NDArray[np.float64]
    level_db: NDArray[np.float64]
    peak_db: NDArray[np.float64]
    loudest_db: NDArray[np.float64]


def quiet_of(recorded: NDArray[np.float32], sample_rate_hz: int) -> Quiet:
    """Measure what inputs hold, from samples of shape (n, inputs)."""
    block = round(_BLOCK_S * sample_rate_hz)
    cut = recorded[: len(recorded) // block * block].astype(np.float64)
    power = (cut.reshape(-1, block, cut.shape[1]) ** 2).mean(axis=1)
    return Quiet(
        band_powers(recorded, sample_rate_hz),
        _db(power.mean(axis=0)),
        2 * _db(np.abs(cut).max(axis=0)),
        _db(power.max(axis=0)),
    )


def input_problems(quiet: Quiet, names: Sequence[str]) -> tuple[list[str], list[str]]:
    """Return what forbids to go on, and what a person should know, each a plain sentence."""
    stops, notes = [], []
    for at, name in enumerate(names):
        if quiet.peak_db[at] >= 2 * 10 * math.log10(CLIPPING):
            stops.append(f"{name} clips with nothing playing: turn its preamp down")
        elif quiet.peak_db[at] < DEAD_PEAK_DBFS:
            stops.append(f"{name} is silent: check its patch, its mute and phantom power")
        elif quiet.level_db[at] > NOISY_DBFS:
            notes.append(
                f"{name} hears {quiet.level_db[at]:.0f} dBFS with nothing playing: a quieter "
                "stage, or a lower preamp, makes a better measurement"
            )
    return stops, notes


def band_powers(recorded: NDArray[np.float32], sample_rate_hz: int) -> NDArray[np.float64]:
    """Return the mean power in third octaves from 200 Hz to 6.3 kHz, shape (inputs, bands)."""
    size = min(len(recorded), round(LOOKED_AT_S * sample_rate_hz))
    hop = max(size // 2, 1)
    window = signal.windows.hann(size, sym=False)[:, None]
    starts = range(0, len(recorded) - size + 1, hop)
    power = np.mean(
        [np.abs(fft.rfft(recorded[s : s + size] * window, axis=0)) ** 2 for s in starts], axis=0
    )
    count = round(10 * math.log10(_HIGH_HZ / _LOW_HZ)) + 1
    edges = _LOW_HZ * 10 ** ((np.arange(count + 1) - 0.5) / 10)
    bins = np.searchsorted(fft.rfftfreq(size, 1 / sample_rate_hz), edges)
    sums = np.vstack([np.zeros(power.shape[1]), np.cumsum(power, axis=0)])
    return np.asarray(((sums[bins[1:]] - sums[bins[:-1]]) / np.diff(bins)[:, None]).T)


def snr_db(recorded: NDArray[np.float32], quiet: Quiet, sample_rate_hz: int) -> NDArray[np.float64]:
    """Return how far the noise stands over the room at each input: the middle third octave."""
    ratio = band_powers(recorded, sample_rate_hz) / np.maximum(quiet.bands, 1e-30)
    return np.asarray(np.median(10 * np.log10(np.maximum(ratio - 1, 1e-3)), axis=1))


def rising_noise(
    level_dbfs: float, sample_rate_hz: int, *, seed: int
) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """Return noise that rises from silence to a level and stays there a while, and its level.

    Returns
    -------
    sound : ndarray of float32, shape (n,)
    level_dbfs : ndarray, shape (n,)
        Rms level of the noise at each sample.
    """
    top = min(level_dbfs, HIGHEST_LEVEL_DBFS)
    duration_s = max((top - FROM_DBFS) / RISE_DB_PER_S, 0.0) + 4 * LOOKED_AT_S
    noise = pink_noise(
        duration_s,
        sample_rate_hz=sample_rate_hz,
        level_dbfs=DEFAULT_LEVEL_DBFS,
        seed=seed,
        fade_s=0.01,
    )
    level = np.minimum(FROM_DBFS + RISE_DB_PER_S * np.arange(noise.size) / sample_rate_hz, top)
    gain = 10 ** ((level - DEFAULT_LEVEL_DBFS) / 20)
    return (noise * gain).astype(np.float32), level


def level_for(heard_db: float, played_dbfs: float, asked_dbfs: float) -> float:
    """Return the level at which the quietest mic hears the noise as wanted, in half decibels.

    >>> level_for(12.0, -50.0, -30.0), level_for(5.0, -40.0, -30.0), level_for(30.0, -50.0, -30.0)
    (-42.0, -30.0, -60.0)
    """
    wanted = math.ceil(2 * (played_dbfs + WANTED_SNR_DB - heard_db)) / 2
    return min(wanted, asked_dbfs, HIGHEST_LEVEL_DBFS)


def _db(power: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(10 * np.log10(np.maximum(power, 1e-12)))
