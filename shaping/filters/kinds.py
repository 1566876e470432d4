"""The kinds of filter, and one filter as it would be dialled in."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class FilterKind(StrEnum):
    """Filter kinds, in the terms of the W3C Audio EQ Cookbook."""

    HIGH_PASS = "high-pass"
    LOW_PASS = "low-pass"
    PEAKING = "peaking"
    NOTCH = "notch"
    LOW_SHELF = "low-shelf"
    HIGH_SHELF = "high-shelf"
    BAND_PASS = "band-pass"
    ALL_PASS = "all-pass"


@dataclass(frozen=True, slots=True)
class Filter:
    """One filter, independent of any sample rate.

    Attributes
    ----------
    kind : FilterKind
        What the filter does.
    frequency_hz : float
        Centre, corner or shelf-midpoint frequency in Hz.
    q : float or None
        Quality factor in the cookbook's sense (band edges of a peaking filter lie at half its
        gain in dB). None for a Butterworth cascade, whose section Qs follow from `order`.
    gain_db : float or None
        Gain in dB; negative cuts. None where the kind has none.
    order : int or None
        Order of a Butterworth high-pass or low-pass cascade. None for a single section.
    """

    kind: FilterKind
    frequency_hz: float
    q: float | None = None
    gain_db: float | None = None
    order: int | None = None
