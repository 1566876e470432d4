"""The wedge: a floor monitor with an uneven response that narrows towards the treble."""

from __future__ import annotations

from dataclasses import dataclass

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

SPEED_OF_SOUND = 343.0  # m/s at 20 degrees Celsius


@dataclass(frozen=True, slots=True)
class Wedge:
    """A loudspeaker.

    Attributes
    ----------
    position_m : tuple of float
        Where, in the room's coordinates (x, y, height).
    aim_m : tuple of float
        A point on its axis.
    peaks : tuple of Peak
        Bumps and dips of its on-axis response.
    radius_m : float
        Radius of the piston that sets its directivity (a 12-inch driver: 0.127 m).
    low_hz, high_hz : float
        Corners of its second-order roll-offs.
    rear_db : float
        Level straight behind it in the treble, relative to the axis.
    """

    position_m: tuple[float, float, float]
    aim_m: tuple[float, float, float]
    peaks: tuple[Peak, ...] = ()
    radius_m: float = 0.127
    low_hz: float = 65.0
    high_hz: float = 16_000.0
    rear_db: float = -26.0


def on_axis_response(wedge: Wedge, frequency_hz: Floats) -> Complexes:
    """Response on the axis, 0 dB in the flat middle; shape of `frequency_hz`."""
    return (
        peaks_response(wedge.peaks, frequency_hz)
        * high_pass_response(wedge.low_hz, frequency_hz)
        * low_pass_response(wedge.high_hz, frequency_hz)
    )


def off_axis_response(
    wedge: Wedge, cos_angle: NDArray[np.float64], frequency_hz: Floats
) -> Complexes:
    """Response at an angle relative to the axis, shape (angles, frequencies).

    A first-order shelf stands in for the piston's ``2 J1(x) / x``: down 3 dB where
    ``x = k a sin(angle) = 1.61``, omnidirectional below, levelling off in the treble as a horn
    does. Behind the wedge the corner is that of 90 degrees.
    """
    cos_angle = np.asarray(cos_angle)[:, None]
    sine = np.where(cos_angle > 0, np.sqrt(np.clip(1 - cos_angle**2, 0, 1)), 1.0)
    corner_hz = 1.61 * SPEED_OF_SOUND / (2 * np.pi * wedge.radius_m * np.maximum(sine, 0.05))
    treble = 10 ** (wedge.rear_db * (1 - cos_angle) / 2 / 20)
    return shelf_response(1.0, treble, corner_hz, frequency_hz[None, :])
