"""How a wedge radiates, how a close microphone colours: closed forms and a model built on them.

A wedge lies on its back, its axis at the musician and the audience behind it. Five effects, each
a simple closed form, make the model: the woofer as a rigid piston, taken over at higher
frequencies by a horn that holds its coverage; the box, round which low frequencies flow and
behind which high ones are shaded, no deeper than a real box shades; the floor as a mirror;
distance; and the room, which returns what leaves the wedge to every side. The piston, the floor,
distance and the room's part are textbook physics. The box term joins three known limits (in
front, beside, behind) by the simplest curve: an inference, good to a few dB, not a measurement.

Conventions: SI units, angles in degrees from the loudspeaker's axis, levels in dB re the axis.

References
----------
.. [1] L. L. Beranek, Acoustics, 1954: directivity 2 J1(x) / x of a piston in a baffle.
.. [2] H. F. Olson, "Direct radiator loudspeaker enclosures", JAES 17(1), 1969: from full to half
   space, a box gains 6 dB on its axis, half of it at about 115 Hz / width in metres (rule from
   memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from shaping.analysis.third_octave import band_mean_db, band_points_hz
from shaping.errors import ParameterError

SPEED_OF_SOUND_M_S = 343.0
"""At 20 degrees Celsius."""

REAR_FLOOR_DB = -25.0
"""No direct sound is believed to be weaker against the axis: edges, ports and what stands near
scatter it round the box (common practice, no published source)."""

CRITICAL_DISTANCE_M = 2.0
"""Assumed where room and direct sound of an omnidirectional source are equally loud: an inference
for small venues, said wherever it is used. What is measured decides."""

_STEP_HZ_M = 115.0  # frequency times box width at half the baffle step
_HALF_PRESSURE = 2.2151  # x at which 2 J1(x) / x = 1/2
_LEAST_GAIN = 1e-3  # -60 dB: a null that no real loudspeaker has, and no logarithm of 0
_FLOOR_ANGLE_DEG = 90.0  # an axis tilted up by 45 degrees meets the mirrored one at a right angle

_Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class WedgeModel:
    """A wedge on a stage floor, for want of a measurement. Every figure is an assumption.

    Attributes
    ----------
    radius_m : float
        Effective radius of the woofer; 0.127 m is a 12-inch driver.
    width_m : float
        Width of the box.
    coverage_deg : float
        Nominal (-6 dB) coverage of the horn, full angle.
    height_m : float
        Height of the acoustic centre above the floor.
    musician_distance_m, musician_height_m : float
        To the musician's ears, on the axis; their height above the floor.
    audience_distance_m, audience_height_m : float
        To the first row; height of its ears above the stage floor.
    audience_angle_deg : float
        Between the axis and the first row; 180 is straight behind the wedge.
    critical_distance_m : float
        Where room and direct sound of an omnidirectional source are equally loud.
    """

    radius_m: float = 0.127
    width_m: float = 0.4
    coverage_deg: float = 90.0
    height_m: float = 0.25
    musician_distance_m: float = 1.8
    musician_height_m: float = 1.6
    audience_distance_m: float = 4.0
    audience_height_m: float = 0.6
    audience_angle_deg: float = 135.0
    critical_distance_m: float = CRITICAL_DISTANCE_M

    def __post_init__(self) -> None:
        """Refuse sizes and angles that mean nothing."""
        for name in self.__dataclass_fields__:
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise ParameterError(f"the wedge's {name} must be a positive number, not {value}")
        if self.audience_angle_deg > 180.0 or self.coverage_deg >= 180.0:
            raise ParameterError("angles around a wedge end at 180 degrees")


def piston_db(x: ArrayLike) -> _Real:
    """Return the directivity of a baffled piston in dB, at least -60.

    Parameters
    ----------
    x : array_like
        ``k a sin(angle)``: wavenumber times radius times the sine of the angle off axis.

    Examples
    --------
    >>> round(float(piston_db(1.6163)), 2)
    -3.01
    """
    x = np.maximum(np.abs(np.asarray(x, dtype=np.float64)), 1e-6)
    return np.asarray(20.0 * np.log10(np.maximum(np.abs(2.0 * special.j1(x) / x), _LEAST_GAIN)))


def directivity_db(model: WedgeModel, frequency_hz: ArrayLike, angle_deg: ArrayLike) -> _Real:
    """Return the level off axis relative to the axis; the arguments broadcast.

    Parameters
    ----------
    model : WedgeModel
        The loudspeaker.
    frequency_hz : array_like
        Frequencies in Hz.
    angle_deg : array_like
        Angles from the axis, 0 to 180.

    Returns
    -------
    ndarray
        In dB, 0 on the axis, at least `REAR_FLOOR_DB`.

    Notes
    -----
    The piston narrows as ka grows until it is as narrow as the horn, which then holds ka sin(half
    the coverage) at the -6 dB point. With u = f / (sqrt(2) * 115 Hz / width), the box radiates
    |1 + (1 + cos(angle)) j u| / |1 + j u| relative to full space: +6 dB in front at high
    frequencies, unchanged beside, falling by 6 dB per octave behind.
    """
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    angle = np.radians(np.asarray(angle_deg, dtype=np.float64))
    ka = 2.0 * np.pi * frequency * model.radius_m / SPEED_OF_SOUND_M_S
    horn_ka = _HALF_PRESSURE / math.sin(math.radians(model.coverage_deg / 2.0))
    sine = np.where(angle < np.pi / 2, np.sin(angle), 1.0)  # the box, not the piston, acts behind
    u = frequency * model.width_m / (math.sqrt(2.0) * _STEP_HZ_M)
    box = np.abs(1.0 + (1.0 + np.cos(angle)) * 1j * u) / np.abs(1.0 + 2j * u)
    shaded_db = piston_db(np.minimum(ka, horn_ka) * sine) + 20.0 * np.log10(box)
    return np.asarray(np.maximum(shaded_db, REAR_FLOOR_DB))


def power_db(model: WedgeModel, frequency_hz: ArrayLike) -> _Real:
    """Return the power that leaves a wedge to all sides, against one as loud as its axis all round.

    Parameters
    ----------
    model : WedgeModel
        The loudspeaker.
    frequency_hz : array_like
        Frequencies in Hz.

    Returns
    -------
    ndarray
        In dB: its directivity index with the sign turned, and up to 3 dB at low frequencies for
        the floor it stands on.
    """
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    angles_deg = (np.arange(90) + 0.5) * 2.0
    level = 10.0 ** (directivity_db(model, frequency[..., None], angles_deg) / 10.0)
    ring = np.sin(np.radians(angles_deg))
    kh = 2.0 * np.pi * frequency * model.height_m / SPEED_OF_SOUND_M_S
    floor = 1.0 + np.sinc(2.0 * kh / np.pi)  # a monopole over a rigid floor: 1 + sin(2kh) / 2kh
    return np.asarray(10.0 * np.log10((level * ring).sum(axis=-1) / ring.sum() * floor))


def room_db(model: WedgeModel, frequency_hz: ArrayLike, distance_m: float) -> _Real:
    """Return the room's sound against the direct sound on the axis at a distance, in dB.

    The same everywhere in the room: only the direct sound it is set against falls with distance.
    """
    ratio_db = 20.0 * math.log10(distance_m / model.critical_distance_m)
    return power_db(model, frequency_hz) + ratio_db


def floor_loading_db(
    frequency_hz: ArrayLike,
    *,
    source_height_m: float,
    ear_height_m: float,
    distance_m: float,
    mirrored_db: ArrayLike = 0.0,
) -> _Real:
    """Return what a hard floor adds to the direct sound, by a mirror source.

    Parameters
    ----------
    frequency_hz : array_like
        Frequencies in Hz.
    source_height_m, ear_height_m : float
        Heights above the floor.
    distance_m : float
        Direct distance.
    mirrored_db : array_like
        What the source sends at the floor, relative to what it sends at the ear.

    Returns
    -------
    ndarray
        In dB; towards +6 at low frequencies, a comb above.
    """
    k = 2.0 * np.pi * np.asarray(frequency_hz, dtype=np.float64) / SPEED_OF_SOUND_M_S
    mirror_m = math.sqrt(distance_m**2 + 4.0 * source_height_m * ear_height_m)
    strength = distance_m / mirror_m * 10.0 ** (np.asarray(mirrored_db, dtype=np.float64) / 20.0)
    total = 1.0 + strength * np.exp(-1j * k * (mirror_m - distance_m))
    return np.asarray(20.0 * np.log10(np.maximum(np.abs(total), _LEAST_GAIN)))


def first_row_bands_db(model: WedgeModel, nominal_hz: Sequence[float]) -> _Real:
    """Return the wedge's level at the first row relative to the musician, per third octave.

    Parameters
    ----------
    model : WedgeModel
        The wedge and where people are.
    nominal_hz : sequence of float
        Bands.

    Returns
    -------
    ndarray, shape (bands,)
        In dB: directivity, floor, distance and the room, averaged in power over each band.
    """
    points_hz = band_points_hz(nominal_hz, points=31)
    audience_db = directivity_db(model, points_hz, model.audience_angle_deg) + floor_loading_db(
        points_hz,
        source_height_m=model.height_m,
        ear_height_m=model.audience_height_m,
        distance_m=model.audience_distance_m,
    )
    musician_db = floor_loading_db(
        points_hz,
        source_height_m=model.height_m,
        ear_height_m=model.musician_height_m,
        distance_m=model.musician_distance_m,
        mirrored_db=directivity_db(model, points_hz, _FLOOR_ANGLE_DEG),
    )
    distance_db = 20.0 * math.log10(model.musician_distance_m / model.audience_distance_m)
    room = room_db(model, points_hz, model.musician_distance_m)
    return band_mean_db(_both_db(audience_db + distance_db, room)) - band_mean_db(
        _both_db(musician_db, room)
    )


def _both_db(direct_db: _Real, room: _Real) -> _Real:
    return np.asarray(10.0 * np.log10(10.0 ** (direct_db / 10.0) + 10.0 ** (room / 10.0)))


def proximity_db(frequency_hz: ArrayLike, distance_m: float) -> _Real:
    """Return the proximity effect of an ideal cardioid close to a point source on its axis.

    Half of a cardioid's signal is the pressure and half the pressure gradient, which near a point
    source is larger by 1 + 1/(jkr): together |1 + 1/(2jkr)|, 0 dB far away. Real vocal
    microphones are often voiced to take part of it back.

    Parameters
    ----------
    frequency_hz : array_like
        Frequencies in Hz.
    distance_m : float
        From mouth to capsule.

    Returns
    -------
    ndarray
        In dB.

    Raises
    ------
    ParameterError
        If the distance is not positive.

    Examples
    --------
    >>> round(float(proximity_db(100.0, 0.05)), 1)
    14.9
    """
    if not (math.isfinite(distance_m) and distance_m > 0):
        raise ParameterError(f"a microphone's distance must be positive, not {distance_m:g} m")
    k = 2.0 * np.pi * np.asarray(frequency_hz, dtype=np.float64) / SPEED_OF_SOUND_M_S
    kr = k * distance_m
    return np.asarray(10.0 * np.log10(1.0 + 1.0 / (4.0 * kr**2)))
