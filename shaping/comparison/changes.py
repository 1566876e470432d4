"""What changed between two captures: small frozen records, no computation."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from shaping.analysis.findings import Ring


class Fate(StrEnum):
    """What became of a ring."""

    GONE = "gone"
    REMAINS = "remains"
    NEW = "new"


@dataclass(frozen=True, slots=True)
class RingChange:
    """One ring before and after.

    Attributes
    ----------
    fate : Fate
        Gone, remains, or new.
    before, after : Ring or None
        The ring as found in each capture.
    promised_db : float or None
        What the plan does at its frequency.
    """

    fate: Fate
    before: Ring | None
    after: Ring | None
    promised_db: float | None = None

    @property
    def frequency_hz(self) -> float:
        """Where it is: as found last."""
        found = self.after or self.before
        assert found is not None
        return found.frequency_hz

    @property
    def certain(self) -> bool:
        """Whether it was certain in either capture."""
        return any(r is not None and r.certain for r in (self.before, self.after))


@dataclass(frozen=True, slots=True)
class BandChange:
    """Change in one third-octave band, the level of the whole left out.

    Attributes
    ----------
    nominal_hz : float
        The band's name.
    measured_db : float
        After over before.
    promised_db : float or None
        What the plan promised there.
    error_db : float
        One standard deviation of `measured_db`.
    """

    nominal_hz: float
    measured_db: float
    promised_db: float | None
    error_db: float


@dataclass(frozen=True, slots=True)
class GainChange:
    """Stable gain (worst case over phase) before and after, in dB, and as the plan promised."""

    before_db: float
    after_db: float
    promised_after_db: float | None

    @property
    def added_db(self) -> float:
        """Added stable gain."""
        return self.after_db - self.before_db
