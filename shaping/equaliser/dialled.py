"""What is dialled in on an equaliser already, as a person types or writes it down.

Typed, filters are divided by commas, each in words and numbers with spaces between::

    hp 100                  high-pass at 100 Hz, 12 dB per octave
    hp 120 24               high-pass at 120 Hz, 24 dB per octave
    545 -6 q8               bell at 545 Hz, -6 dB, Q 8
    2.5k -4.5 q4            bell at 2500 Hz
    notch 1250 q30          notch

A TOML file holds the same as tables::

    [[filter]]
    kind = "peaking"        # or "high-pass", "notch"
    frequency_hz = 545
    gain_db = -6
    q = 8

Q is the cookbook's, as everywhere.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from shaping.errors import LimitsError
from shaping.filters.kinds import Filter, FilterKind
from shaping.text.names import briefly

DEFAULT_Q = 4.0
"""Where no width is said; the middle of what a parametric band is used at. Our choice."""

DIALLED_LOW_HZ, DIALLED_HIGH_HZ = 10.0, 24_000.0
"""No equaliser goes beyond, so it is a slip of the hand."""
MOST_GAIN_DB = 40.0  # a choice: twice what any desk has
LOWEST_Q, HIGHEST_Q = 0.1, 200.0  # a choice: 7 octaves to 1/140 of one, beyond what dials have
MAX_DIALLED_BYTES = 64 * 1024  # a choice: hundreds of filters; a larger file is another one

_DB_PER_OCTAVE = 6  # of each order of a Butterworth filter
_NUMBER = r"[-+−]?\d+(?:\.\d+)?"
_FREQUENCY = r"(?P<hz>\d+(?:\.\d+)?)\s*(?P<kilo>k?)(?:hz)?"
_GAIN = rf"(?P<gain>{_NUMBER})\s*(?:db)?"
_Q = r"q\s*(?P<q>\d+(?:\.\d+)?)"
_HIGH_PASS = re.compile(
    rf"(?:hp|hpf|high-?pass)\s+{_FREQUENCY}(?:\s+(?P<slope>\d+)(?:\s*db(?:/oct)?)?)?"
)
_NOTCH = re.compile(rf"notch\s+{_FREQUENCY}\s+{_Q}")
_BELL = re.compile(rf"(?:bell\s+|peak\s+)?{_FREQUENCY}\s+{_GAIN}(?:\s+{_Q})?")


def filters_from_text(text: str) -> tuple[Filter, ...]:
    """Return the filters that a person typed.

    Raises
    ------
    LimitsError
        If something in it is no filter, with an example.

    Examples
    --------
    >>> [(f.kind.value, f.frequency_hz, f.gain_db) for f in filters_from_text("hp 100, 545 -6 q8")]
    [('high-pass', 100.0, None), ('peaking', 545.0, -6.0)]
    """
    parts = [part.strip().lower() for part in text.split(",")]
    filters = tuple(_typed(part) for part in parts if part)
    if not filters:
        raise LimitsError('nothing is said to be in place; write it like "hp 100, 545 -6 q8"')
    return filters


def filters_from_file(path: Path) -> tuple[Filter, ...]:
    """Return the filters that a TOML file holds.

    Raises
    ------
    LimitsError
        If it cannot be read, or holds no filters.
    """
    try:
        with path.open("rb") as file:
            data = file.read(MAX_DIALLED_BYTES + 1)
        if len(data) > MAX_DIALLED_BYTES:
            raise LimitsError(f"{path}: too large for a list of filters")
        table = tomllib.loads(data.decode("utf-8-sig"))
    except (OSError, ValueError) as error:
        if isinstance(error, LimitsError):
            raise
        raise LimitsError(f"{path}: no list of filters in TOML ({briefly(error)})") from error
    found = table.get("filter")
    if not isinstance(found, list) or not found:
        raise LimitsError(
            f"{path}: holds no [[filter]] table; write kind, frequency_hz, gain_db and q of each"
        )
    return tuple(_written(item, f"{path}: filter {n}") for n, item in enumerate(found, 1))


def _typed(part: str) -> Filter:
    if match := _HIGH_PASS.fullmatch(part):
        slope = int(match["slope"] or 2 * _DB_PER_OCTAVE)
        if slope % _DB_PER_OCTAVE or not 1 <= slope // _DB_PER_OCTAVE <= 8:
            raise LimitsError(
                f'"{briefly(part)}": the slope of a high-pass is 6, 12, 18 ... 48 dB per octave'
            )
        return _checked(
            Filter(FilterKind.HIGH_PASS, _hz(match), order=slope // _DB_PER_OCTAVE), part
        )
    if match := _NOTCH.fullmatch(part):
        return _checked(Filter(FilterKind.NOTCH, _hz(match), q=float(match["q"])), part)
    if match := _BELL.fullmatch(part):
        q = float(match["q"]) if match["q"] else DEFAULT_Q
        gain_db = float(match["gain"].replace("−", "-"))
        return _checked(Filter(FilterKind.PEAKING, _hz(match), q=q, gain_db=gain_db), part)
    raise LimitsError(
        f'"{briefly(part)}" is no filter: write frequency, gain and Q, like 545 -6 q8, or hp 100'
    )


def _hz(match: re.Match[str]) -> float:
    return float(match["hz"]) * (1_000.0 if match["kilo"] else 1.0)


def _written(item: Any, where: str) -> Filter:
    if not isinstance(item, Mapping):
        raise LimitsError(f"{where} must be a table of kind, frequency_hz, gain_db and q")
    kinds = (FilterKind.PEAKING, FilterKind.HIGH_PASS, FilterKind.NOTCH)
    kind = next((k for k in kinds if k.value == item.get("kind", "peaking")), None)
    if kind is None:
        raise LimitsError(f"{where}: kind must be peaking, high-pass or notch")
    numbers = {}
    for key in ("frequency_hz", "gain_db", "q", "order"):
        value = item.get(key)
        if value is not None and (isinstance(value, bool) or not isinstance(value, int | float)):
            raise LimitsError(f"{where}: {key} must be a number, not {briefly(value)}")
        numbers[key] = None if value is None else float(value)
    if numbers["frequency_hz"] is None:
        raise LimitsError(f"{where}: frequency_hz is missing")
    if kind is FilterKind.PEAKING and numbers["gain_db"] is None:
        raise LimitsError(f"{where}: gain_db is missing")
    high_pass = kind is FilterKind.HIGH_PASS
    return _checked(
        Filter(
            kind,
            numbers["frequency_hz"],
            q=None if high_pass else numbers["q"] or DEFAULT_Q,
            gain_db=numbers["gain_db"] if kind is FilterKind.PEAKING else None,
            order=int(numbers["order"] or 2) if high_pass else None,
        ),
        where,
    )


def _checked(filter: Filter, where: str) -> Filter:
    """Return the filter if it can exist.

    Raises
    ------
    LimitsError
        If a number is out of range.
    """
    if not DIALLED_LOW_HZ <= filter.frequency_hz <= DIALLED_HIGH_HZ:
        raise LimitsError(
            f'"{briefly(where)}": {filter.frequency_hz:g} Hz is no frequency of an equaliser'
        )
    if filter.gain_db is not None and abs(filter.gain_db) > MOST_GAIN_DB:
        raise LimitsError(f'"{briefly(where)}": {filter.gain_db:g} dB is no gain of an equaliser')
    if filter.q is not None and not LOWEST_Q <= filter.q <= HIGHEST_Q:
        raise LimitsError(f'"{briefly(where)}": Q {filter.q:g} is no width of an equaliser')
    if filter.order is not None and not 1 <= filter.order <= 8:
        raise LimitsError(f'"{briefly(where)}": order {filter.order} is no high-pass')
    return filter
