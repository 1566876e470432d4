"""Speech intelligibility index of ANSI S3.5-1997, third-octave procedure.

Conventions: spectrum levels are dB re 20 uPa per hertz in the 18 bands from 160 Hz to 8 kHz. They
are the standard's, or a person's stated assumption: never taken from an uncalibrated recording.

References
----------
.. [1] ANSI S3.5-1997, Methods for calculation of the speech intelligibility index: clause 4.3
   (upward spread of masking), 4.4 to 4.8 and table 3.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shaping.errors import ParameterError
from shaping.filters.bands import EDGE_RATIO, midbands_hz

_Real = NDArray[np.float64]

_EXACT_HZ, BANDS_HZ = midbands_hz(160.0, 8000.0)
"""Exact and nominal midbands."""

# fmt: off
IMPORTANCE = np.array([
    0.0083, 0.0095, 0.0150, 0.0289, 0.0440, 0.0578, 0.0653, 0.0711, 0.0818,
    0.0844, 0.0882, 0.0898, 0.0868, 0.0844, 0.0771, 0.0527, 0.0364, 0.0185,
])
"""Band importance (table 3): what each band contributes to intelligibility; the sum is 1."""

NORMAL_SPEECH_DB = np.array([
    32.41, 34.48, 34.75, 33.98, 34.59, 34.27, 32.06, 28.30, 25.01,
    23.00, 20.15, 17.32, 13.18, 11.55, 9.33, 5.31, 2.59, 1.13,
])
"""Spectrum level of speech at normal vocal effort, 62.35 dB overall (table 3)."""

_INTERNAL_NOISE_DB = np.array([
    0.60, -1.70, -3.90, -6.10, -8.20, -9.70, -10.80, -11.90, -12.50,
    -13.50, -15.40, -17.70, -21.20, -24.20, -25.90, -23.60, -15.80, -7.10,
])  # reference internal noise, table 3
# fmt: on

NORMAL_SPEECH_OVERALL_DB = 62.35  # ANSI S3.5-1997, table 3
BANDWIDTHS_HZ = _EXACT_HZ * (EDGE_RATIO - 1.0 / EDGE_RATIO)
"""Of third octaves: upper less lower edge."""

for _table in (IMPORTANCE, NORMAL_SPEECH_DB, _INTERNAL_NOISE_DB, BANDWIDTHS_HZ):
    _table.flags.writeable = False


def speech_intelligibility_index(
    speech_db: ArrayLike, noise_db: ArrayLike, *, hearing_loss_db: ArrayLike = 0.0
) -> float:
    """Return the speech intelligibility index.

    Parameters
    ----------
    speech_db, noise_db : array_like, shape (18,)
        Equivalent spectrum levels of speech and noise at the listener.
    hearing_loss_db : array_like, shape (18,) or ()
        Equivalent hearing threshold level; 0 is normal hearing.

    Returns
    -------
    float
        0 (nothing is understood) to 1.

    Raises
    ------
    ParameterError
        If an array does not hold 18 finite numbers.
    """
    speech = _checked("speech", speech_db)
    noise = _checked("noise", noise_db)
    disturbance = np.maximum(masking_db(speech, noise), _INTERNAL_NOISE_DB + hearing_loss_db)
    audible = np.clip((speech - disturbance + 15.0) / 30.0, 0.0, 1.0)
    # Speech far above normal effort distorts in the ear.
    undistorted = np.clip(1.0 - (speech - NORMAL_SPEECH_DB - 10.0) / 160.0, 0.0, 1.0)
    return float(np.sum(IMPORTANCE * audible * undistorted))


def masking_db(speech_db: ArrayLike, noise_db: ArrayLike) -> _Real:
    """Return the equivalent masking spectrum level, upward spread included (clause 4.3.2).

    Each band of noise, or of the speech itself 24 dB down, masks the bands above it, the less
    steeply the louder it is: this is why loud low mids hide consonants.

    Parameters
    ----------
    speech_db, noise_db : array_like, shape (18,)
        Equivalent spectrum levels.

    Returns
    -------
    ndarray, shape (18,)
        In dB re 20 uPa per hertz.
    """
    speech = np.asarray(speech_db, dtype=np.float64)
    noise = np.asarray(noise_db, dtype=np.float64)
    # The standard computes with the nominal frequencies.
    centre = np.array(BANDS_HZ)
    masker = np.maximum(noise, speech - 24.0)
    slope = -80.0 + 0.6 * (masker + 10.0 * np.log10(centre) - 6.353)
    octaves_up = 3.32 * np.log10(0.89 * centre[:, None] / centre[None, :])
    spread = 10.0 ** (0.1 * (masker + slope * octaves_up))
    below = np.tril(spread, k=-1).sum(axis=1)
    total = np.asarray(10.0 * np.log10(10.0 ** (0.1 * noise) + below))
    total[0] = masker[0]
    return total


def pink_noise_db(level_db: float) -> _Real:
    """Return the spectrum level of noise as strong in every third octave, shape (18,).

    `level_db` is its overall level from 50 Hz to 10 kHz (24 bands).
    """
    return np.asarray(level_db - 10.0 * math.log10(24.0) - 10.0 * np.log10(BANDWIDTHS_HZ))


def _checked(name: str, level_db: ArrayLike) -> _Real:
    level = np.asarray(level_db, dtype=np.float64)
    if level.shape != (len(BANDS_HZ),) or not np.isfinite(level).all():
        raise ParameterError(
            f"the {name} spectrum needs {len(BANDS_HZ)} finite levels, from 160 Hz to 8 kHz"
        )
    return level
