"""The microphone: an uneven response, a directional pattern, and what a hand does to both."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from shaping.simulation.colour import (
    Complexes,
    Floats,
    Peak,
    high_pass_response,
    low_pass_response,
    peaks_response,
    shelf_response,
)


class Pattern(Enum):
    """First-order patterns ``a + (1 - a) cos(angle)``; the value is a."""

    OMNIDIRECTIONAL = 1.0
    CARDIOID = 0.5
    SUPERCARDIOID = 0.366
    HYPERCARDIOID = 0.25


@dataclass(frozen=True, slots=True)
class Microphone:
    """A vocal microphone.

    Attributes
    ----------
    position_m : tuple of float
        Where, in the room's coordinates (x, y, height).
    aim_m : tuple of float
        A point on its axis (the singer's mouth).
    pattern : Pattern
        Directional pattern in its middle range.
    peaks : tuple of Peak
        Bumps and dips of its on-axis response.
    low_hz, high_hz : float
        Corners of its second-order roll-offs. A vocal microphone is voiced for a mouth close to
        it, whose bass is boosted by nearness; for a wedge two metres off, the bass falls early.
    null_leak : float
        How much of the on-axis response fills the null in the treble (and, at half the rate of
        an octave below 150 Hz, in the bass).
    cupped : bool
        Whether a hand closes round the grille: nearly omnidirectional, and peaky.
    """

    position_m: tuple[float, float, float]
    aim_m: tuple[float, float, float]
    pattern: Pattern = Pattern.CARDIOID
    peaks: tuple[Peak, ...] = ()
    low_hz: float = 160.0
    high_hz: float = 15_000.0
    null_leak: float = 0.3
    cupped: bool = False


CUPPED_PEAKS = (Peak(1_650.0, 8.0, 3.5), Peak(3_600.0, 4.0, 3.0), Peak(7_000.0, -8.0, 1.0))
CUPPED_PATTERN = 0.85


def on_axis_response(microphone: Microphone, frequency_hz: Floats) -> Complexes:
    """Response on the axis, 0 dB in the flat middle; shape of `frequency_hz`."""
    peaks = microphone.peaks + (CUPPED_PEAKS if microphone.cupped else ())
    return (
        peaks_response(peaks, frequency_hz)
        * high_pass_response(microphone.low_hz, frequency_hz)
        * low_pass_response(microphone.high_hz, frequency_hz)
    )


def off_axis_response(
    microphone: Microphone, cos_angle: NDArray[np.float64], frequency_hz: Floats
) -> Complexes:
    """Response at an angle relative to the axis, shape (angles, frequencies).

    The first-order pattern holds in the middle; towards the treble (from about 7 kHz) the null
    fills up, and in the bass (below about 100 Hz) the pattern widens.
    """
    cos_angle = np.asarray(cos_angle)[:, None]
    a = CUPPED_PATTERN if microphone.cupped else microphone.pattern.value
    middle = a + (1 - a) * cos_angle
    filled = middle + microphone.null_leak * (1 - np.abs(middle))
    wide = middle + 0.5 * (1 - middle)
    f = frequency_hz[None, :]
    treble = shelf_response(middle, filled, 7_000.0, f)
    return treble + shelf_response(wide - middle, 0.0, 100.0, f)
