"""In-ears: from the level at an eardrum to that of the field which exposure limits speak of.

Limits are for sound fields. In front of the eardrum the same sound stands up to 17 dB higher,
because outer ear and canal resonate; so what an ear simulator measured is taken back to the free
field before it is weighted. Without a coupler or an ear simulator there is no level at the ear:
seal, driver and fit decide it, and none of them is in the feed.

References
----------
.. [1] ANSI S3.5-1997, table 3: free field (from the front) to eardrum, third octaves from 160 Hz to
   8 kHz. Below 160 Hz the ear does nothing; from 10 kHz on nothing is taken off, which leaves the
   level too high rather than too low.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from shaping.errors import CaptureError
from shaping.filters.bands import NOMINAL_HZ, exact_midband_hz

EARDRUM_HZ = tuple(hz for hz in NOMINAL_HZ if 160.0 <= hz <= 8000.0)
"""As far as the standard's table goes."""
EARDRUM_DB = (
    *(0.0, 0.5, 1.0, 1.4, 1.5, 1.8, 2.4, 3.1, 2.6),
    *(3.0, 6.1, 12.0, 16.8, 15.0, 14.3, 10.7, 6.4, 1.8),
)
"""Level at the eardrum over that of the free field, from the front."""

CORRECTION = "eardrum to free field from the front, ANSI S3.5-1997 table 3"

_NOTHING_FROM_HZ = 10_000.0  # a choice: beyond the table nothing is taken off
_TAPS_S = 0.021
"""Length of the correction: it resolves 95 Hz, finer than its third octaves."""

_Real = NDArray[np.float64]


class EarMeasurement(StrEnum):
    """Where an in-ear monitor was measured."""

    EAR_SIMULATOR = "ear-simulator"
    COUPLER = "coupler"
    ELECTRICAL = "electrical"


def refuse_electrical(where: EarMeasurement) -> None:
    """Refuse a pack's electrical output.

    Raises
    ------
    CaptureError
        If nothing stood where an ear would.
    """
    if where is EarMeasurement.ELECTRICAL:
        raise CaptureError(
            "a pack's output gives no level at the ear: seal, fit and driver decide it. Put the "
            "in-ear on an ear simulator or a coupler with a calibrated mic and record that"
        )


def field_gain_db(frequency_hz: _Real) -> _Real:
    """Return what is added to an eardrum's level to have the field's, in dB; 0 or less."""
    at = np.log2([exact_midband_hz(hz) for hz in (*EARDRUM_HZ, _NOTHING_FROM_HZ)])
    octaves = np.log2(np.maximum(frequency_hz, 1.0))
    return np.asarray(-np.interp(octaves, at, (*EARDRUM_DB, 0.0)))


def to_field(blocks: Iterable[NDArray[np.floating]], sample_rate_hz: int) -> Iterator[_Real]:
    """Yield a stream as the free field would have been, as long and in the same blocks.

    The filter's delay of 10 ms stays in it.

    Parameters
    ----------
    blocks : iterable of ndarray of float, shape (n,)
        One channel of an ear simulator, in order.
    sample_rate_hz : int
        Sample rate in Hz.
    """
    taps = round(_TAPS_S * sample_rate_hz) | 1
    at_hz = np.linspace(0.0, 0.5 * sample_rate_hz, 2048)
    response = signal.firwin2(
        taps, at_hz, 10 ** (field_gain_db(at_hz) / 20), fs=float(sample_rate_hz)
    )
    tail = np.zeros(taps - 1)
    for block in blocks:
        if not block.size:
            continue
        filtered = signal.oaconvolve(np.asarray(block, np.float64), response)
        filtered[: taps - 1] += tail
        tail = filtered[block.size :].copy()
        yield filtered[: block.size]
