"""Limits: what a given equaliser can be set to, in general terms."""

from __future__ import annotations

from dataclasses import dataclass

from shaping.filters.kinds import FilterKind
from shaping.filters.width import QConvention


@dataclass(frozen=True, slots=True)
class Limits:
    """What an equaliser can be set to.

    Attributes
    ----------
    name : str
        Preset name or the file's own name.
    description : str
        One plain line.
    bands : int
        Bands shared by low-mid and feedback cuts (the high-pass is separate).
    kinds : tuple of FilterKind
        Kinds a band may be; `peaking`, `notch` or both.
    grid_hz : tuple of float or None
        The only centres there are (a graphic equaliser); None where centres are free or stepped.
    steps_per_octave : int or None
        Frequency steps counted from 1 kHz; None for free.
    min_frequency_hz, max_frequency_hz : float
        Range of band centres.
    min_gain_db, max_gain_db, gain_step_db : float
        Gain range and step; a step of 0 means free.
    min_q, max_q : float
        Range of Q in the equaliser's own convention; equal for a fixed Q.
    q_step : float
        Step of Q; 0 means free.
    q_convention : QConvention
        What the equaliser means by Q.
    high_pass_min_hz, high_pass_max_hz : float or None
        Range of the high-pass corner; None where there is no high-pass.
    high_pass_orders : tuple of int
        Available orders (2 = 12 dB per octave).
    """

    name: str
    description: str
    bands: int
    kinds: tuple[FilterKind, ...]
    grid_hz: tuple[float, ...] | None
    steps_per_octave: int | None
    min_frequency_hz: float
    max_frequency_hz: float
    min_gain_db: float
    max_gain_db: float
    gain_step_db: float
    min_q: float
    max_q: float
    q_step: float
    q_convention: QConvention
    high_pass_min_hz: float | None
    high_pass_max_hz: float | None
    high_pass_orders: tuple[int, ...]
