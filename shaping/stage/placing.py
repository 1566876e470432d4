"""Where to put a mic and a wedge, before anything is measured: the direct path by pattern.

A first-order mic takes up sound from angle theta by ``|a + (1 - a) cos theta|``, nothing at
``cos theta = -a / (1 - a)`` if there is such an angle. The direct sound falls by 6 dB for every
doubling of the distance. Both hold for the direct sound of an ideal mic alone: real nulls differ
with frequency and unit, and the room comes from everywhere. For sound from everywhere a pattern
takes up ``a^2 + (1 - a)^2 / 3`` of an omni's power (its random energy efficiency); no angle gets
below that.

References
----------
.. [1] H. F. Olson, "Elements of Acoustical Engineering", 2nd ed., 1947, on directional
   microphones: patterns of first order and their random energy efficiency.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from shaping.stage.description.stage import Pattern, Place, Stage

REALISTIC_NULL_DB = -20.0
"""No null is believed to be deeper, at any frequency (common practice, no published source)."""

CRITICAL_DISTANCE_M = 2.0
"""Assumed where room and direct sound of a wedge are equally loud in an omni mic: an inference
for small venues, said wherever it is used. What is measured decides."""


@dataclass(frozen=True, slots=True)
class PlaceAdvice:
    """What moving, turning or swapping would give for one mic and wedge.

    Attributes
    ----------
    mic, wedge : str
        Which.
    handheld : bool
        Whether nobody knows where the mic looks, so that angles are worthless.
    pattern : str or None
        Its pattern's name.
    direct_db : float or None
        What the mic takes up of the wedge's direct sound at its angle, against an omni.
    best_angle_deg : float or None
        Where its null, or its least, lies.
    turning_db : float or None
        Change of the direct path, turned to that angle; with the room, see `turning_left_db`.
    turning_left_db : float or None
        Change of direct path and room together.
    closer_db : float
        Change of the wanted sound if the mouth comes to half its distance.
    best_pattern, best_pattern_db : str and float
        Pattern that takes up least at this angle, room included, and the change.
    measured_db : float or None
        Level of this path as measured: it decides.
    """

    mic: str
    wedge: str
    handheld: bool
    pattern: str | None
    angle_deg: float
    distance_m: float
    direct_db: float | None
    best_angle_deg: float | None
    turning_db: float | None
    turning_left_db: float | None
    closer_db: float
    best_pattern: str
    best_pattern_db: float | None
    measured_db: float | None = None


def uptake(pattern: Pattern, angle_deg: float) -> float:
    """Return what a pattern takes up from an angle, linear, 1 on its axis.

    >>> round(uptake(Pattern.CARDIOID, 90.0), 3), round(uptake(Pattern.FIGURE_OF_EIGHT, 180.0), 3)
    (0.5, 1.0)
    """
    a = pattern.value
    return abs(a + (1 - a) * math.cos(math.radians(angle_deg)))


def uptake_db(pattern: Pattern, angle_deg: float) -> float:
    """Return the uptake in dB, at least `REALISTIC_NULL_DB`."""
    return max(20 * math.log10(max(uptake(pattern, angle_deg), 1e-9)), REALISTIC_NULL_DB)


def null_deg(pattern: Pattern) -> float | None:
    """Return the angle from which a pattern takes up least; None for an omni.

    >>> [round(null_deg(p)) for p in (Pattern.CARDIOID, Pattern.SUPERCARDIOID)]
    [180, 125]
    >>> [round(null_deg(p)) for p in (Pattern.HYPERCARDIOID, Pattern.FIGURE_OF_EIGHT)]
    [109, 90]
    """
    a = pattern.value
    if a >= 1:
        return None
    return math.degrees(math.acos(max(-1.0, -a / (1 - a))))


def random_efficiency(pattern: Pattern) -> float:
    """Return the power a pattern takes up from everywhere, against an omni.

    >>> round(random_efficiency(Pattern.CARDIOID), 3), random_efficiency(Pattern.HYPERCARDIOID)
    (0.333, 0.25)
    """
    a = pattern.value
    return a**2 + (1 - a) ** 2 / 3


def total_db(pattern: Pattern, angle_deg: float, distance_m: float) -> float:
    """Return the wedge's direct sound and room together, against an omni's direct sound at 1 m."""
    direct = 10 ** (uptake_db(pattern, angle_deg) / 10) / distance_m**2
    room = random_efficiency(pattern) / CRITICAL_DISTANCE_M**2
    return 10 * math.log10(direct + room)


def place_advice(stage: Stage, place: Place, measured_db: float | None = None) -> PlaceAdvice:
    """Return what turning, coming closer or another pattern would give at one place."""
    mic = stage.mics[stage.mic_index(place.mic)]
    here = None if mic.pattern is None else total_db(mic.pattern, place.angle_deg, place.distance_m)
    best = min(Pattern, key=lambda one: total_db(one, place.angle_deg, place.distance_m))
    best_db = total_db(best, place.angle_deg, place.distance_m)
    direct = turning = left = null = None
    if mic.pattern is not None and here is not None:
        direct = uptake_db(mic.pattern, place.angle_deg)
        null = null_deg(mic.pattern)
        if null is not None:
            turning = uptake_db(mic.pattern, null) - direct
            left = total_db(mic.pattern, null, place.distance_m) - here
    return PlaceAdvice(
        mic=place.mic,
        wedge=place.wedge,
        handheld=mic.handheld,
        pattern=None if mic.pattern is None else mic.pattern.word,
        angle_deg=place.angle_deg,
        distance_m=place.distance_m,
        direct_db=direct,
        best_angle_deg=null,
        turning_db=turning,
        turning_left_db=left,
        closer_db=20 * math.log10(2),
        best_pattern=best.word,
        best_pattern_db=None if here is None else best_db - here,
        measured_db=measured_db,
    )
