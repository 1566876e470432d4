"""The user's stage as its file describes it: wedges, mics, sends, captures, places."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from shaping.equaliser.limits import Limits
from shaping.filters.kinds import Filter
from shaping.plan.thinning.starting_points import ThinningAmount, WedgeUse


class Pattern(Enum):
    """First-order patterns ``a + (1 - a) cos(angle)``; the value is a.

    References
    ----------
    .. [1] H. F. Olson, "Elements of Acoustical Engineering", 2nd ed., 1947: a microphone that adds
       pressure and pressure gradient. Hypercardioid: most random energy efficiency, a = 1/4.
       Supercardioid: most front over back, a = (sqrt(3) - 1) / 2.
    """

    OMNI = 1.0
    CARDIOID = 0.5
    SUPERCARDIOID = (3**0.5 - 1) / 2
    HYPERCARDIOID = 0.25
    FIGURE_OF_EIGHT = 0.0

    @property
    def word(self) -> str:
        """The name in a stage file, such as ``figure-of-eight``."""
        return self.name.lower().replace("_", "-")


@dataclass(frozen=True, slots=True)
class Wedge:
    """One monitor with its own equaliser: a wedge, a side fill, a drum fill.

    Attributes
    ----------
    name : str
        As on the desk.
    limits : Limits
        What its equaliser can be set to.
    use : WedgeUse
        What it is for.
    thinning : ThinningAmount
        How much to thin.
    in_place : tuple of Filter
        What its equaliser was set to when it was measured.
    """

    name: str
    limits: Limits
    use: WedgeUse = WedgeUse.VOCAL
    thinning: ThinningAmount = ThinningAmount.LIGHT
    in_place: tuple[Filter, ...] = ()


@dataclass(frozen=True, slots=True)
class Mic:
    """One microphone.

    Attributes
    ----------
    name : str
        As on the desk.
    pattern : Pattern or None
        Its directional pattern, where it is known.
    handheld : bool
        Whether it is held by hand, so that nobody knows where it looks.
    """

    name: str
    pattern: Pattern | None = None
    handheld: bool = False


@dataclass(frozen=True, slots=True)
class Send:
    """A mic open in a wedge, at `gain_db` as on the desk."""

    mic: str
    wedge: str
    gain_db: float


@dataclass(frozen=True, slots=True)
class Take:
    """A recording made while one wedge played.

    Attributes
    ----------
    wedge : str
        The wedge that played, or was turned up.
    file : str
        The recording, from the stage file's folder on.
    reference : str or None
        What was played; None for a ring-out.
    channels : mapping of str to int
        Channel of each mic, counted from 1.
    position : str
        What the place of the mics is called.
    """

    wedge: str
    file: str
    reference: str | None
    channels: Mapping[str, int] = field(hash=False)
    position: str = ""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a wedge stands as a mic sees it.

    Attributes
    ----------
    mic, wedge : str
        Which.
    angle_deg : float
        Between where the mic looks and the wedge: 0 straight ahead, 180 behind.
    distance_m : float
        From the wedge to the mic.
    """

    mic: str
    wedge: str
    angle_deg: float
    distance_m: float


@dataclass(frozen=True, slots=True)
class Pair:
    """Two monitors that play the same signal, such as a pair of side fills."""

    first: str
    second: str


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage, checked: every name is there, and once.

    Attributes
    ----------
    wedges, mics, sends, takes, places, pairs : tuple
        As in the file. A send that is not listed is muted.
    """

    wedges: tuple[Wedge, ...]
    mics: tuple[Mic, ...]
    sends: tuple[Send, ...]
    takes: tuple[Take, ...] = ()
    places: tuple[Place, ...] = ()
    pairs: tuple[Pair, ...] = ()

    def wedge_index(self, name: str) -> int:
        """Return the place of a wedge in `wedges`."""
        return [wedge.name for wedge in self.wedges].index(name)

    def mic_index(self, name: str) -> int:
        """Return the place of a mic in `mics`."""
        return [mic.name for mic in self.mics].index(name)

    @property
    def send_matrix(self) -> NDArray[np.float64]:
        """Linear gains, shape (W, M); zero where muted."""
        matrix = np.zeros((len(self.wedges), len(self.mics)))
        for send in self.sends:
            at = self.wedge_index(send.wedge), self.mic_index(send.mic)
            matrix[at] = 10 ** (send.gain_db / 20)
        return matrix
