"""What was dialled in while a ring-out was recorded, and what the plan makes of each filter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from shaping.equaliser.dialled import filters_from_file, filters_from_text
from shaping.equaliser.limits import Limits
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.assemble import planned_filter
from shaping.plan.from_json import load_plan
from shaping.plan.plan import PlannedFilter, Purpose
from shaping.text.frequency import frequency_text
from shaping.text.quantities import gain_text, q_text

NOTHING_RANG = (
    "Nothing certainly rang with what is in place: raise the send by the margin you want, and "
    "leave it there if it stays quiet; if it rings, record that and run suggest again."
)

SAME_OCT = 1 / 4
"""A cut within this of one in place is the same band, moved; each is so once."""

THINNING_Q, THINNING_HZ = 1.5, 500.0
"""A bell in place that is wider and lower than this thins; our choice."""

_TINY_DB, _TINY_RATIO = 0.05, 0.002  # less than any equaliser's step: rounding, not a move


@dataclass(frozen=True, slots=True)
class InPlace:
    """What was in place, in two parts.

    Attributes
    ----------
    thinning : tuple of PlannedFilter
        The high-pass and wide low-mid cuts: they stay as they are.
    cuts : tuple of Filter
        The feedback cuts.
    """

    thinning: tuple[PlannedFilter, ...]
    cuts: tuple[Filter, ...]

    @classmethod
    def of(cls, filters: Sequence[Filter], limits: Limits) -> InPlace:
        """Divide filters into those that thin and those that cut feedback."""
        thins = [one for one in filters if _thins(one)]
        return cls(
            thinning=tuple(
                planned_filter(
                    one, limits, purpose=Purpose.THINNING, reason="in place already: keep it"
                )
                for one in thins
            ),
            cuts=tuple(one for one in filters if not _thins(one)),
        )

    @property
    def known(self) -> bool:
        """Whether anything was said to be in place."""
        return bool(self.thinning or self.cuts)

    def told(self, planned: Sequence[PlannedFilter]) -> list[PlannedFilter]:
        """Return planned cuts, each with what is to be done to the band that is in place."""
        if not self.known:
            return list(planned)
        same = self._pairs([one.filter for one in planned])
        return [
            replace(one, reason=f"{_change(same.get(number), one.filter)}: {one.reason}")
            for number, one in enumerate(planned)
        ]

    def kept(self, limits: Limits) -> list[PlannedFilter]:
        """Return the feedback cuts as they are."""
        return [
            planned_filter(
                one,
                limits,
                purpose=Purpose.FEEDBACK,
                reason="keep: in place already, and nothing certainly rang with it",
            )
            for one in self.cuts
        ]

    def cautions(self, cuts: Sequence[Filter]) -> list[str]:
        """Return what is to be taken out: bands in place that no planned cut stands for."""
        used = self._pairs(cuts).values()
        gone = [old for old in self.cuts if old not in used]
        return [
            f"Take out the cut at {frequency_text(old.frequency_hz)}: its band serves elsewhere."
            for old in gone
        ]

    def _pairs(self, cuts: Sequence[Filter]) -> dict[int, Filter]:
        """Return which planned cut stands for which in place, the nearest pairs first."""
        apart = sorted(
            (abs(np.log2(old.frequency_hz / cut.frequency_hz)), number, place)
            for number, cut in enumerate(cuts)
            for place, old in enumerate(self.cuts)
        )
        pairs: dict[int, int] = {}
        for octaves, number, place in apart:
            if octaves <= SAME_OCT and number not in pairs and place not in pairs.values():
                pairs[number] = place
        return {number: self.cuts[place] for number, place in pairs.items()}


def read_in_place(said: str) -> tuple[Filter, ...]:
    """Return what is in place: a plan's JSON, a TOML file of filters, or typed filters.

    Raises
    ------
    LimitsError, PlanError
        If it is none of them.
    """
    path = Path(said)
    if said.lower().endswith(".json"):
        return tuple(planned.filter for planned in load_plan(path).filters)
    if said.lower().endswith(".toml"):
        return filters_from_file(path)
    return filters_from_text(said)


def _thins(filter: Filter) -> bool:
    if filter.kind is FilterKind.HIGH_PASS:
        return True
    wide = filter.kind is FilterKind.PEAKING and (filter.q or 1.0) < THINNING_Q
    return wide and filter.frequency_hz < THINNING_HZ


def _change(old: Filter | None, new: Filter) -> str:
    """Say what is to be done to a band."""
    if old is None:
        return "new"
    parts = []
    if abs(new.frequency_hz / old.frequency_hz - 1) > _TINY_RATIO:
        parts.append(f"move from {frequency_text(old.frequency_hz)}")
    old_db, new_db = old.gain_db, new.gain_db
    if old_db is not None and new_db is not None and abs(new_db - old_db) > _TINY_DB:
        parts.append(f"{'deepen' if new_db < old_db else 'ease'} from {gain_text(old_db)}")
    if old.q and new.q and abs(new.q / old.q - 1) > 0.02:
        parts.append(f"{'widen' if new.q < old.q else 'narrow'} from {q_text(old.q)}")
    return ", ".join(parts) if parts else "keep"
