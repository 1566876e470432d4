"""Whether a channel howls more often lately: the later half of the dates beside the earlier."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

_LEAST_DAYS = 4  # two in either half: of a single date nobody can say what is usual
_CHANCE = 0.05  # the usual one in twenty, for either direction


@dataclass(frozen=True, slots=True)
class Day:
    """What one date holds."""

    date: str
    hours: float
    events: int

    @property
    def events_per_hour(self) -> float:
        """Rate of sure events."""
        return self.events / self.hours if self.hours else 0.0


def trend_of(days: Sequence[Day]) -> str:
    """Compare the later half of the days with the earlier by an exact binomial test.

    Under no change, each event falls into the later half with the share of the hours that the
    later half holds.

    Returns
    -------
    str
        ``rising``, ``falling``, ``steady`` or ``too few dates``.
    """
    if len(days) < _LEAST_DAYS:
        return "too few dates"
    half = len(days) // 2
    early, late = days[:half], days[-half:]
    before, after = sum(d.events for d in early), sum(d.events for d in late)
    exposure = sum(d.hours for d in early) + sum(d.hours for d in late)
    share = sum(d.hours for d in late) / exposure if exposure else 0.5
    if before + after == 0:
        return "steady"
    from scipy import stats  # here: the first look at a folder needs no trend, and it loads slowly

    if stats.binomtest(after, before + after, share, alternative="greater").pvalue < _CHANCE:
        return "rising"
    if stats.binomtest(after, before + after, share, alternative="less").pvalue < _CHANCE:
        return "falling"
    return "steady"
