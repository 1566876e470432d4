"""How far a measurement reaches: in frequency, in time, and which file is which."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, signal

HOWLS_FROM_HZ, HOWLS_TO_HZ = 160.0, 8000.0
"""Between these a wedge can howl in earnest; a measurement that leaves part of it out does not
know the stable gain."""

WIDEST_GAP_OCT = 1 / 3
"""A choice: a third of an octave, in which one peak may hide but hardly a region."""

LEAST_FALL_DB = 25.0
"""So far a room's sound must have died away within the response for its peaks to be right."""

ROUGH, SMOOTH = 2.5, 1.6
"""Fine structure of a spectrum over what chance makes: above, a room is in it; below, none is."""

_CELLS_PER_OCTAVE = 6  # half the widest gap that is let pass
_FAR_BELOW_DB = 20.0  # a choice: what is 20 dB below the rest does not howl first
_ENOUGH = 0.25  # a choice: notches of the path lie in the noise even where the rest is heard
_MIDDLE_HZ = (300.0, 4000.0)  # every wedge plays these
_FRAME_S = 0.02  # a choice: some ten independent values each, and enough frames for a slope
_FEWEST_FRAMES = 4  # through fewer points no slope is worth telling
_DIRECT_S = 0.01  # after this it is the room that is heard
_BEFORE_S = 0.03  # the direct sound may come before the strongest arrival
_WELCH = 8192  # 6 Hz at 48 kHz: as fine as a room's peaks
_FINE_BINS = 15  # 90 Hz at 48 kHz: many of a room's peaks, little of the loudspeaker's tilt

_Real = NDArray[np.float64]
_Flags = NDArray[np.bool_]


def measured_bands(
    frequency_hz: _Real, level_db: _Real, trusted: _Flags
) -> tuple[tuple[float, float], ...]:
    """Return the bands that were played and heard clear of the noise, as (low, high) in Hz.

    Parameters
    ----------
    frequency_hz, level_db : ndarray, shape (n,)
        The response.
    trusted : ndarray of bool, shape (n,)
        Where it stands clear of the noise.

    Returns
    -------
    tuple of (float, float)
        Cells of a sixth of an octave in which a quarter and more can be trusted, joined. At the
        ends of the range a cell counts only if its level is within 20 dB of the middle's: what
        lies further below did not come out of the wedge.
    """
    octaves = np.log2(np.maximum(frequency_hz, 1e-9))
    cell = np.floor(_CELLS_PER_OCTAVE * octaves).astype(np.int64)
    kept = frequency_hz >= 40.0
    cells, place = np.unique(cell[kept], return_inverse=True)
    lines = np.bincount(place)
    share = np.bincount(place, trusted[kept]) / lines
    power = np.bincount(place, 10 ** (level_db[kept] / 10)) / lines
    middle_hz = 2 ** ((cells + 0.5) / _CELLS_PER_OCTAVE)
    level = 10 * np.log10(np.maximum(power, 1e-30))
    centre = (middle_hz > _MIDDLE_HZ[0]) & (middle_hz < _MIDDLE_HZ[1])
    sure = share >= _ENOUGH
    usual = float(np.median(level[centre & sure])) if (centre & sure).any() else np.inf
    loud = np.flatnonzero(sure & (level > usual - _FAR_BELOW_DB))
    if not loud.size:
        return ()
    sure[: loud[0]] = sure[loud[-1] + 1 :] = False
    edges = np.diff(np.concatenate([[False], sure, [False]]).astype(np.int8))
    top = float(frequency_hz[-1])
    return tuple(
        (float(2 ** (cells[a] / _CELLS_PER_OCTAVE)), min(_upper(cells[b - 1]), top))
        for a, b in zip(np.flatnonzero(edges > 0), np.flatnonzero(edges < 0), strict=True)
    )


def _upper(cell: int) -> float:
    return float(2 ** ((cell + 1) / _CELLS_PER_OCTAVE))


def gaps(measured_hz: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    """Return the bands in which a wedge can howl and nothing was measured, as (low, high) in Hz.

    >>> gaps(((280.0, 12000.0),))
    ((160.0, 280.0),)
    """
    missing = []
    here = HOWLS_FROM_HZ
    for low, high in (*measured_hz, (HOWLS_TO_HZ, HOWLS_TO_HZ)):
        if low > here and np.log2(min(low, HOWLS_TO_HZ) / here) > WIDEST_GAP_OCT:
            missing.append((here, min(low, HOWLS_TO_HZ)))
        here = max(here, high)
        if here >= HOWLS_TO_HZ:
            break
    return tuple(missing)


def fall_db(impulse: _Real, lead: int, *, sample_rate_hz: float) -> float:
    """Return how far the room's sound has died away where the response ends, in dB.

    By the slope of what stands clear of the noise; infinite where hardly anything does.
    """
    noise = float(np.mean(impulse[: lead - round(_BEFORE_S * sample_rate_hz)] ** 2))
    room = impulse[lead + round(_DIRECT_S * sample_rate_hz) :]
    frame = round(_FRAME_S * sample_rate_hz)
    count = room.size // frame
    power = np.mean(room[: count * frame].reshape(count, frame) ** 2, axis=1) - noise
    sunk = np.flatnonzero(power < noise / 4)
    heard = int(sunk[0]) if sunk.size else count
    if heard < _FEWEST_FRAMES:
        return np.inf
    slope, _ = np.polyfit(np.arange(heard), 10 * np.log10(power[:heard]), 1)
    return float(-slope * count)


def roughness(samples: NDArray[np.float32], *, sample_rate_hz: float) -> float:
    """Return the fine structure of a spectrum, over what chance makes of a smooth one.

    Noise as it is played has none; a room gives every hertz a level of its own.
    """
    frequency_hz, power = signal.welch(samples, sample_rate_hz, nperseg=_WELCH, detrend=False)
    band = (frequency_hz > 200) & (frequency_hz < 6000)
    level = np.log(np.maximum(power[band], 1e-30))
    fine = level - ndimage.uniform_filter1d(level, _FINE_BINS, mode="nearest")
    # Averages of half overlapping Hann windows count for 1 / 1.06 each (Welch 1967).
    averages = max(samples.size / (_WELCH / 2) / 1.06, 1.0)
    return float(np.std(fine) * np.sqrt(averages))
