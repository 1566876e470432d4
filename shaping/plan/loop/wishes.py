"""What a person may ask of a plan."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from shaping.errors import ParameterError
from shaping.filters.kinds import Filter

USUAL_MARGIN_DB = 6.0
"""So far under a howl the loop colours the sound by +6 and -3.5 dB at most, ``1 / (1 - r)`` with r
the loop's gain; it is the usual margin of the trade, and leaves 3 dB for one open mic more."""

MOST_MARGIN_DB = 30.0  # a choice: nobody wants more, so it is a slip of the hand


class Favour(StrEnum):
    """What the user would rather keep."""

    TONE = "tone"
    BALANCED = "balanced"
    GAIN = "gain"


@dataclass(frozen=True, slots=True)
class Wishes:
    """What a plan is to go by.

    Attributes
    ----------
    cuts : int or None
        At most so many feedback cuts; None for as many as pay.
    favour : Favour or str
        How much gain for how much tone: tone, balanced or gain.
    same_start : bool
        Whether player and recorder share a clock and a start, so that the delay from file to file
        is the loop's own.
    margin_db : float or None
        What to leave in dB: between the send and the safe end of the stable gain, or over the
        highest send of a ring-out; None for what is usual there.
    in_place : tuple of Filter
        What was dialled in while a ring-out was recorded.

    Raises
    ------
    ParameterError
        If a value makes no sense.
    """

    cuts: int | None = None
    favour: Favour | str = Favour.BALANCED
    same_start: bool = False
    margin_db: float | None = None
    in_place: tuple[Filter, ...] = ()

    def __post_init__(self) -> None:
        """Refuse wishes that make no sense."""
        if self.cuts is not None and self.cuts < 0:
            raise ParameterError(f"the number of cuts must be 0 or more, not {self.cuts}")
        if self.favour not in list(Favour):
            raise ParameterError(f"favour must be {' or '.join(Favour)}, not {self.favour}")
        if self.margin_db is not None and not 0 <= self.margin_db <= MOST_MARGIN_DB:
            raise ParameterError(
                f"the margin must lie between 0 and {MOST_MARGIN_DB:g} dB, not {self.margin_db:g}"
            )

    @property
    def loop_margin_db(self) -> float:
        """What to leave under the safe end of the stable gain, in dB."""
        return USUAL_MARGIN_DB if self.margin_db is None else self.margin_db

    @property
    def favoured(self) -> Favour:
        """What is favoured."""
        return Favour(self.favour)
