"""Limits: what a given equaliser can be set to, in general terms.

A `Limits` that exists makes sense: its construction refuses values that do not, in one sentence
that names the key, the allowed range and the value received. `shaping.equaliser.limits_file` reads
them from TOML and `shaping.equaliser.quantise` brings filters within them.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

from shaping.errors import LimitsError
from shaping.filters.kinds import FilterKind
from shaping.filters.width import QConvention
from shaping.text.names import briefly

MAX_BANDS = 64  # a choice: twice a graphic equaliser of third octaves
FREQUENCY_RANGE_HZ = (10.0, 40_000.0)  # a choice: wider than any equaliser is labelled
MAX_STEPS_PER_OCTAVE = 192  # a choice: finer is as good as free
MAX_GAIN_DB = 60.0  # a choice: beyond it a dial is switched off, or it is a slip of the hand
Q_RANGE = (0.05, 1000.0)  # a choice: wider than the cuts anybody dials, narrower than any notch
HIGH_PASS_RANGE_HZ = (5.0, 2000.0)  # a choice: wider than any high-pass is labelled
MAX_HIGH_PASS_ORDER = 8  # 48 dB per octave, the steepest that is common
MAX_LINE = 200  # a choice: one line, however wide the screen

BAND_KINDS = (FilterKind.PEAKING, FilterKind.NOTCH)
"""Kinds that an equaliser's band can be asked for."""


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
        Kinds a band may be, the preferred one first; `peaking`, `notch` or both.
    grid_hz : tuple of float or None
        The only centres there are (a graphic equaliser); None where centres are free or stepped.
    steps_per_octave : int or None
        Frequency steps of bands, counted from 1 kHz; None for free.
    min_frequency_hz, max_frequency_hz : float
        Range of band centres.
    min_gain_db, max_gain_db, gain_step_db : float
        Gain range and step, counted from 0 dB; a step of 0 means free. Without meaning for a
        notch, which has no gain.
    min_q, max_q : float
        Range of Q in the equaliser's own convention; equal for a fixed Q.
    q_step : float
        Step of Q, counted from `min_q`; 0 means free.
    q_convention : QConvention
        What the equaliser means by Q. A notch's Q is its -3 dB width in each of them.
    high_pass_min_hz, high_pass_max_hz : float or None
        Range of the high-pass corner, free within it; None where there is no high-pass.
    high_pass_orders : tuple of int
        Available orders (2 = 12 dB per octave).

    Raises
    ------
    LimitsError
        If any value makes no sense: names the key, the allowed range and the value.
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

    def __post_init__(self) -> None:
        """Refuse limits that make no sense."""
        for problem in _problems(self):
            raise LimitsError(problem)

    @property
    def has_high_pass(self) -> bool:
        """Whether there is a high-pass."""
        return bool(self.high_pass_orders)

    @property
    def band_kind(self) -> FilterKind:
        """The kind a cut is made with: the first of `kinds`."""
        return self.kinds[0]


def _outside(key: str, value: float, low: float, high: float) -> str | None:
    if math.isfinite(value) and low <= value <= high:
        return None
    return f"{key} must lie between {low:g} and {high:g}, not {value:g}"


def _problems(limits: Limits) -> Iterator[str]:
    """Yield what makes no sense, the plainest first."""
    checks = (
        _outside("bands", limits.bands, 0, MAX_BANDS),
        _outside("min_frequency_hz", limits.min_frequency_hz, *FREQUENCY_RANGE_HZ),
        _outside(
            "max_frequency_hz",
            limits.max_frequency_hz,
            max(limits.min_frequency_hz, FREQUENCY_RANGE_HZ[0]),
            FREQUENCY_RANGE_HZ[1],
        ),
        _outside("min_gain_db", limits.min_gain_db, -MAX_GAIN_DB, 0),
        _outside("max_gain_db", limits.max_gain_db, 0, MAX_GAIN_DB),
        _outside("min_q", limits.min_q, *Q_RANGE),
        _outside("max_q", limits.max_q, max(limits.min_q, Q_RANGE[0]), Q_RANGE[1]),
        _outside("q_step", limits.q_step, 0, Q_RANGE[1]),
    )
    for key, text in (("name", limits.name), ("description", limits.description)):
        if len(text) > MAX_LINE or not text.isprintable():
            yield f"{key} must be one line of at most {MAX_LINE} characters, not {briefly(text)}"
    yield from (problem for problem in checks if problem)
    yield from _band_problems(limits)
    yield from _grid_problems(limits)
    yield from _high_pass_problems(limits)


def _band_problems(limits: Limits) -> Iterator[str]:
    if not limits.kinds or any(kind not in BAND_KINDS for kind in limits.kinds):
        given = ", ".join(limits.kinds) or "nothing"
        yield f"kinds must name peaking, notch or both, the preferred one first, not {given}"
    elif len(set(limits.kinds)) < len(limits.kinds):
        yield f"kinds must name each kind once, not {', '.join(limits.kinds)}"
    elif FilterKind.PEAKING in limits.kinds:
        if limits.min_gain_db >= 0:
            yield (
                "min_gain_db must lie below 0 for a peaking filter to cut, "
                f"not {limits.min_gain_db:g}"
            )
        elif problem := _outside("gain_step_db", limits.gain_step_db, 0, -limits.min_gain_db):
            yield problem
    elif problem := _outside("gain_step_db", limits.gain_step_db, 0, MAX_GAIN_DB):
        yield problem


def _grid_problems(limits: Limits) -> Iterator[str]:
    steps, grid = limits.steps_per_octave, limits.grid_hz
    if steps is not None and not 1 <= steps <= MAX_STEPS_PER_OCTAVE:
        yield f"steps_per_octave must lie between 1 and {MAX_STEPS_PER_OCTAVE}, not {steps}"
    if grid is None:
        return
    if steps is not None:
        yield "give either grid_hz or steps_per_octave, not both"
    elif not 1 <= len(grid) <= MAX_BANDS:
        yield f"grid_hz must name between 1 and {MAX_BANDS} centres, not {len(grid)}"
    elif not all(low < high for low, high in itertools.pairwise(grid)):
        yield "grid_hz must rise from one centre to the next"
    else:
        low, high = limits.min_frequency_hz, limits.max_frequency_hz
        for centre in grid:
            if not low <= centre <= high:
                yield f"grid_hz must lie between {low:g} and {high:g}, not {centre:g}"


def _high_pass_problems(limits: Limits) -> Iterator[str]:
    low, high, orders = limits.high_pass_min_hz, limits.high_pass_max_hz, limits.high_pass_orders
    if low is None and high is None and not orders:
        return
    if low is None or high is None or not orders:
        yield (
            "high_pass_min_hz, high_pass_max_hz and high_pass_orders belong together: "
            "give all three, or none for an equaliser without a high-pass"
        )
        return
    for problem in (
        _outside("high_pass_min_hz", low, *HIGH_PASS_RANGE_HZ),
        _outside("high_pass_max_hz", high, max(low, HIGH_PASS_RANGE_HZ[0]), HIGH_PASS_RANGE_HZ[1]),
    ):
        if problem:
            yield problem
    for order in orders:
        if not 1 <= order <= MAX_HIGH_PASS_ORDER:
            yield f"high_pass_orders must lie between 1 and {MAX_HIGH_PASS_ORDER}, not {order}"
    if len(set(orders)) < len(orders):
        yield f"high_pass_orders must name each order once, not {list(orders)}"
