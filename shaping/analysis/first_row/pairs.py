"""Two loudspeakers that play the same signal, as a pair of side fills does, heard at one place.

What arrives later meets what arrived before: at some frequencies they add up, at others they
cancel, evenly spaced by one over the difference of arrival. Bands wide against that spacing hear
the sum of powers; narrow ones hear peak or dip, and every step to the side moves them.

Conventions: direct sound alone, 6 dB less for every doubling of the distance; a room fills the dips
in. Levels are over the nearer one alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from shaping.analysis.first_row.radiation import SPEED_OF_SOUND_M_S
from shaping.errors import ParameterError

DISTANCES_M = (0.3, 100.0)
"""Nearer the laws of distance do not hold; farther nobody stands on a stage."""

THIRD_OCTAVE_WIDTH = 10 ** (1 / 20) - 10 ** (-1 / 20)
"""Of a third octave, over its middle: 0.23."""

_DEEPEST_DB = -40.0
_DIPS = 3


@dataclass(frozen=True, slots=True)
class PairSum:
    """Two loudspeakers with one signal, at one place.

    Attributes
    ----------
    nearer_m, further_m : float
        Distances.
    later_s : float
        How much later the further one arrives.
    softer_db : float
        How much softer it arrives.
    powers_db : float
        Both together over the nearer one, powers added: on average and in wide bands.
    peak_db, dip_db : float
        Where they add up, and where they cancel; at least -40.
    dips_hz : tuple of float
        The first dips; empty where both arrive together.
    even_from_hz : float
        From here on third octaves average peaks and dips out; infinite where both arrive together.
    """

    nearer_m: float
    further_m: float
    later_s: float
    softer_db: float
    powers_db: float
    peak_db: float
    dip_db: float
    dips_hz: tuple[float, ...]
    even_from_hz: float


def pair_sum(first_m: float, second_m: float) -> PairSum:
    """Return what two loudspeakers with one signal are together at one place.

    Parameters
    ----------
    first_m, second_m : float
        Distances of the place from each, in metres.

    Raises
    ------
    ParameterError
        If a distance is none of a stage.

    Examples
    --------
    >>> found = pair_sum(2.0, 4.0)
    >>> round(1000 * found.later_s, 2), round(found.softer_db, 1), round(found.powers_db, 1)
    (5.83, 6.0, 1.0)
    """
    for distance_m in (first_m, second_m):
        if not DISTANCES_M[0] <= distance_m <= DISTANCES_M[1]:
            raise ParameterError(
                f"a place on a stage is {DISTANCES_M[0]:g} to {DISTANCES_M[1]:g} m from a side "
                f"fill, not {distance_m:g} m"
            )
    nearer, further = sorted((first_m, second_m))
    later_s = (further - nearer) / SPEED_OF_SOUND_M_S
    ratio = nearer / further
    together = later_s < 1e-6
    return PairSum(
        nearer_m=nearer,
        further_m=further,
        later_s=later_s,
        softer_db=-20 * math.log10(ratio),
        powers_db=10 * math.log10(1 + ratio**2),
        peak_db=20 * math.log10(1 + ratio),
        dip_db=max(20 * math.log10(max(1 - ratio, 1e-9)), _DEEPEST_DB),
        dips_hz=() if together else tuple((n + 0.5) / later_s for n in range(_DIPS)),
        even_from_hz=math.inf if together else 1 / (THIRD_OCTAVE_WIDTH * later_s),
    )
