"""Pairs of monitors that play the same signal, at the places that the stage file knows."""

from __future__ import annotations

from dataclasses import dataclass

from shaping.analysis.first_row.pairs import PairSum, pair_sum
from shaping.stage.description.stage import Pair, Stage


@dataclass(frozen=True, slots=True)
class PairAt:
    """A pair as one mic has it.

    Attributes
    ----------
    nearer, further : str
        The two monitors, by their distance from the mic.
    mic : str
        The mic.
    sum : PairSum
        Both together there.
    """

    nearer: str
    further: str
    mic: str
    sum: PairSum


def pairs_at(stage: Stage) -> tuple[PairAt, ...]:
    """Return every pair at every mic of which the file knows the distance to both."""
    distance_m = {(one.mic, one.wedge): one.distance_m for one in stage.places}
    found = []
    for pair in stage.pairs:
        for mic in stage.mics:
            both = [distance_m.get((mic.name, name)) for name in (pair.first, pair.second)]
            if both[0] is None or both[1] is None:
                continue
            first_nearer = both[0] <= both[1]
            nearer, further = (
                (pair.first, pair.second) if first_nearer else (pair.second, pair.first)
            )
            found.append(PairAt(nearer, further, mic.name, pair_sum(both[0], both[1])))
    return tuple(found)


def unlike_sends(stage: Stage) -> tuple[tuple[Pair, str], ...]:
    """Return pairs whose sends of a mic are not alike, though both play the same signal."""
    gain_db = {(one.mic, one.wedge): one.gain_db for one in stage.sends}
    return tuple(
        (pair, mic.name)
        for pair in stage.pairs
        for mic in stage.mics
        if gain_db.get((mic.name, pair.first)) != gain_db.get((mic.name, pair.second))
    )
