"""Where a recording gets much louder than it begins: whoever set the volume then must know."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.loudness import STEPS_PER_S, integrated_lufs, power_lufs

WARNED_RISE_DB = 6.0
"""A rise that surprises: twice the sound pressure that the volume was set by."""

FIRST_S = 3.0
"""By these first seconds of sound a listener sets the volume: one short-term window of EBU
Tech 3341 (from memory)."""

_SILENT_LUFS = -70.0  # the absolute gate of ITU-R BS.1770: what lies below is no beginning
_MOMENT = 4  # steps of one momentary window, 0.4 s


@dataclass(frozen=True, slots=True)
class Rise:
    """A rise over the first seconds of sound.

    Attributes
    ----------
    rise_db : float
        From the loudness of the first seconds to the loudest moment (0.4 s).
    at_s : float
        When it is first more than `WARNED_RISE_DB` louder, from the start of the file.
    """

    rise_db: float
    at_s: float


def rise_of(step_power: NDArray[np.float64]) -> Rise | None:
    """Return where a recording gets more than `WARNED_RISE_DB` louder than it begins.

    Parameters
    ----------
    step_power : ndarray of float64, shape (n,)
        K-weighted power of steps of 0.1 s.

    Returns
    -------
    Rise or None
        None where it does not.
    """
    sounding = np.flatnonzero(power_lufs(step_power) > _SILENT_LUFS)
    if step_power.size < _MOMENT or not sounding.size:
        return None
    first = int(sounding[0])
    begins_lufs = integrated_lufs(step_power[first : first + round(FIRST_S * STEPS_PER_S)])
    moments = np.convolve(step_power, np.full(_MOMENT, 1 / _MOMENT), "valid")
    rises_db = power_lufs(moments) - begins_lufs
    if not np.isfinite(begins_lufs) or rises_db.max() <= WARNED_RISE_DB:
        return None
    return Rise(float(rises_db.max()), float(np.argmax(rises_db > WARNED_RISE_DB)) / STEPS_PER_S)
