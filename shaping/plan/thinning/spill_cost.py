"""Less spill, and what it costs: thinning a wedge against turning all of it down.

Conventions: spill is the wedge's level in the first rows from 125 to 500 Hz, from the model of a
wedge; cost is the speech intelligibility index at the musician under assumed levels. Both are
those of `shaping.plan.thinning.effect`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from shaping.analysis.first_row.radiation import WedgeModel
from shaping.equaliser.limits import Limits
from shaping.filters.kinds import Filter
from shaping.plan.thinning.effect import Listening, intelligibility, thinning_summary
from shaping.plan.thinning.starting_points import ThinningAmount, WedgeUse, thinning_filters


@dataclass(frozen=True, slots=True)
class SpillCost:
    """One way to less spill.

    Attributes
    ----------
    name : str
        What was done, for people.
    spill_change_db : float
        Change of the wedge in the first rows, 125-500 Hz.
    sii : float
        Speech intelligibility index at the musician afterwards, 0..1.
    """

    name: str
    spill_change_db: float
    sii: float


def thinned(
    name: str,
    filters: Iterable[Filter],
    *,
    mic_distance_m: float,
    listening: Listening,
    wedge: WedgeModel,
) -> SpillCost:
    """Return what filters on the wedge save and cost.

    Parameters
    ----------
    name : str
        For people.
    filters : iterable of Filter
        What is dialled in on the wedge.
    mic_distance_m : float
        Mouth to a cardioid microphone.
    listening : Listening
        Assumed levels at the musician.
    wedge : WedgeModel
        The wedge and where the first row is.

    Raises
    ------
    ParameterError
        If a filter or the distance makes no sense.
    """
    dialled = tuple(filters)
    summary = thinning_summary(dialled, wedge=wedge, listening=listening)
    sii = intelligibility(dialled, mic_distance_m=mic_distance_m, listening=listening)
    return SpillCost(name, summary.spill_change_db, sii)


def presets_thinned(
    limits: Limits,
    *,
    use: WedgeUse,
    mic_distance_m: float,
    listening: Listening,
    wedge: WedgeModel,
) -> tuple[SpillCost, ...]:
    """Return `thinned` for every amount of thinning, from none to strong."""
    return tuple(
        thinned(
            amount.value,
            [planned.filter for planned in thinning_filters(amount, limits, use=use)],
            mic_distance_m=mic_distance_m,
            listening=listening,
            wedge=wedge,
        )
        for amount in ThinningAmount
    )


def turned_down(
    down_db: Sequence[float], *, mic_distance_m: float, listening: Listening
) -> tuple[SpillCost, ...]:
    """Return what turning the whole wedge down saves and costs, for each of some amounts.

    Parameters
    ----------
    down_db : sequence of float
        By how many dB.
    mic_distance_m : float
        Mouth to a cardioid microphone.
    listening : Listening
        Assumed levels at the musician before it is turned down.
    """
    return tuple(
        SpillCost(
            f"{down:g} dB down",
            -down,
            intelligibility(
                (),
                mic_distance_m=mic_distance_m,
                listening=replace(listening, voice_db=listening.voice_db - down),
            ),
        )
        for down in down_db
    )
