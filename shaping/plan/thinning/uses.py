"""What each use of a monitor is modelled by: the box, where people are, whether words count.

All of it is assumed, for want of a measurement, and said so beside every figure: sizes and places
are common practice of small stages, no published source.
"""

from __future__ import annotations

from dataclasses import dataclass

from shaping.analysis.first_row.radiation import WedgeModel
from shaping.plan.thinning.starting_points import WedgeUse


@dataclass(frozen=True, slots=True)
class UseModel:
    """How one use of a monitor is modelled.

    Attributes
    ----------
    box : str
        What it is, in a few words.
    wedge : WedgeModel
        Its size and place.
    mic_distances_m : tuple of float
        Mouth to microphone, nearest, usual, farthest; empty where no voice is what it is for.
    listener : str
        Who hears it on stage.
    """

    box: str
    wedge: WedgeModel
    mic_distances_m: tuple[float, ...]
    listener: str

    @property
    def usual_distance_m(self) -> float | None:
        """The usual distance of mouth and microphone; None without a voice."""
        return self.mic_distances_m[1] if self.mic_distances_m else None


SINGER = (0.02, 0.05, 0.10)
"""Touching the grille, usual, held away."""

SPEAKER = (0.10, 0.20, 0.40)
"""A lectern's microphone."""

_FILL = WedgeModel(
    radius_m=0.165,  # a 15-inch driver
    width_m=0.5,
    height_m=0.8,
    musician_distance_m=1.5,
    musician_height_m=1.3,
    audience_distance_m=6.0,
    audience_angle_deg=110.0,
)

_MODELS = {
    WedgeUse.VOCAL: UseModel("a 12-inch wedge", WedgeModel(), SINGER, "singer"),
    WedgeUse.SPEECH: UseModel(
        "an 8-inch wedge",
        WedgeModel(radius_m=0.085, width_m=0.3, musician_distance_m=1.8),
        SPEAKER,
        "speaker",
    ),
    WedgeUse.ACOUSTIC_GUITAR: UseModel("a 12-inch wedge", WedgeModel(), (), "guitarist"),
    WedgeUse.KEYS: UseModel(
        "a 12-inch wedge", WedgeModel(musician_height_m=1.3), (), "keys player"
    ),
    WedgeUse.DRUM_FILL: UseModel("a 15-inch drum fill", _FILL, (), "drummer"),
    WedgeUse.SIDE_FILL: UseModel(
        "a 15-inch side fill",
        WedgeModel(
            radius_m=0.165,
            width_m=0.5,
            height_m=1.4,
            musician_distance_m=3.0,
            audience_distance_m=4.0,
            audience_angle_deg=90.0,
        ),
        SINGER,
        "singer",
    ),
    WedgeUse.IN_EAR: UseModel("a 12-inch wedge", WedgeModel(), (), "musician"),
}


def model_of(use: WedgeUse) -> UseModel:
    """Return what a use is modelled by.

    >>> model_of(WedgeUse.DRUM_FILL).listener
    'drummer'
    """
    return _MODELS[use]
