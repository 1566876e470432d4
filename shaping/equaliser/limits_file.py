"""Limits from TOML files and presets, and to and from plain dictionaries.

A limits file is flat TOML; its keys are those of `shaping.equaliser.limits.Limits` (and of
``limits`` in a plan's JSON), with these defaults::

    description = ""            # one line for people
    bands = 4                   # required: bands for cuts, the high-pass not counted
    kinds = ["peaking"]         # "peaking", "notch" or both, the preferred one first
    grid_hz = "third-octave"    # the only centres there are: a list in Hz, or this word for the
                                # 31 of ISO 266; left out where centres are free or stepped
    steps_per_octave = 24       # frequency steps of bands, from 1 kHz; left out for free
    min_frequency_hz = 20       # default 20, or the first of grid_hz
    max_frequency_hz = 20000    # default 20000, or the last of grid_hz
    min_gain_db = -18           # required for peaking filters
    max_gain_db = 18            # default 0
    gain_step_db = 0.5          # default 0: free
    min_q = 0.4                 # required
    max_q = 10                  # required; the same as min_q for a fixed Q
    q_step = 0.1                # default 0: free
    q_convention = "cookbook"   # or "3db-from-flat", "3db-from-bottom", "pole"
    high_pass_min_hz = 20       # the three high-pass keys: left out where there is none
    high_pass_max_hz = 400
    high_pass_orders = [2, 4]   # 2 = 12 dB per octave, 4 = 24 dB per octave

The file's own name without suffix becomes the name of the limits.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import fields
from enum import StrEnum
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

from shaping.equaliser.limits import Limits
from shaping.errors import LimitsError
from shaping.filters.bands import NOMINAL_HZ
from shaping.filters.kinds import FilterKind
from shaping.filters.width import QConvention
from shaping.text.names import briefly

MAX_FILE_BYTES = 64 * 1024
"""A limits file is a few hundred bytes; anything far larger is something else."""

THIRD_OCTAVE = "third-octave"

_PRESETS = resources.files("shaping.equaliser") / "presets"
_NUMBER_KEYS = frozenset(
    field.name for field in fields(Limits) if field.name.endswith(("_hz", "_db", "_q", "q_step"))
) - {"grid_hz"}
_REQUIRED = ("bands", "min_q", "max_q")
_KEYS = tuple(field.name for field in fields(Limits) if field.name != "name")

E = TypeVar("E", bound=StrEnum)


@lru_cache(maxsize=1)
def preset_names() -> tuple[str, ...]:
    """Return the names of the shipped presets, in alphabetical order.

    >>> preset_names()
    ('free', 'graphic-31', 'narrow-notch', 'parametric-4', 'parametric-6')
    """
    return tuple(
        sorted(
            entry.name.removesuffix(".toml")
            for entry in _PRESETS.iterdir()
            if entry.name.endswith(".toml")
        )
    )


def load_limits(name_or_path: str) -> Limits:
    """Return the limits of a preset, or those in a TOML file.

    Parameters
    ----------
    name_or_path : str
        A preset's name (`preset_names`), or the path of a TOML file as the module header
        describes it. A preset's name wins; write ``./free`` for a file of that name.

    Returns
    -------
    Limits
        Checked limits.

    Raises
    ------
    LimitsError
        If there is no such preset or file, or it makes no sense.

    Examples
    --------
    >>> load_limits("parametric-4").bands
    4
    """
    if name_or_path in preset_names():
        text = (_PRESETS / f"{name_or_path}.toml").read_text(encoding="utf-8")
        return _parse(text, name=name_or_path, source=name_or_path)
    return _parse(_read(name_or_path), name=Path(name_or_path).stem, source=name_or_path)


def limits_to_dict(limits: Limits) -> dict[str, Any]:
    """Return limits as plain values, every key present (None where there is nothing).

    Parameters
    ----------
    limits : Limits
        The equaliser.

    Returns
    -------
    dict
        As `limits_from_dict` takes it.

    Examples
    --------
    >>> limits_to_dict(load_limits("graphic-31"))["bands"]
    31
    """
    return {
        field.name: _plain(getattr(limits, field.name))
        for field in fields(Limits)  # in the order of the dataclass
    }


def limits_from_dict(
    values: Mapping[str, Any], *, name: str, unknown_keys_allowed: bool = False
) -> Limits:
    """Return limits from plain values, as a limits file or a plan's JSON holds them.

    Parameters
    ----------
    values : mapping
        Keys of the module header; None counts as left out.
    name : str
        Name of the limits, used where `values` has none.
    unknown_keys_allowed : bool
        Whether keys beyond those known are passed over instead of refused.

    Returns
    -------
    Limits
        Checked limits.

    Raises
    ------
    LimitsError
        If a key is unknown, missing, of the wrong type or outside its range.

    Examples
    --------
    >>> values = limits_to_dict(load_limits("parametric-4")) | {"bands": 3}
    >>> limits_from_dict(values, name="three bands").bands
    3
    """
    unknown = [key for key in values if key not in _KEYS and key != "name"]
    if unknown and not unknown_keys_allowed:
        raise LimitsError(f"unknown key {briefly(unknown[0])}; the keys are {', '.join(_KEYS)}")
    given = {key: value for key, value in values.items() if value is not None}
    for key in _REQUIRED:
        if key not in given:
            raise LimitsError(f"{key} is missing; say what the equaliser can be set to")
    numbers = {key: _number(key, given[key]) for key in _NUMBER_KEYS if key in given}
    kinds = _kinds(given.get("kinds", ["peaking"]))
    if FilterKind.PEAKING in kinds and "min_gain_db" not in numbers:
        raise LimitsError("min_gain_db is missing; say how far a band can cut, such as -12")
    grid = _grid(given["grid_hz"]) if "grid_hz" in given else None
    steps = (
        _whole("steps_per_octave", given["steps_per_octave"])
        if "steps_per_octave" in given
        else None
    )
    return Limits(
        name=_text("name", given.get("name", name)),
        description=_text("description", given.get("description", "")),
        bands=_whole("bands", given["bands"]),
        kinds=kinds,
        grid_hz=grid,
        steps_per_octave=steps,
        min_frequency_hz=numbers.get("min_frequency_hz", min(grid) if grid else 20.0),
        max_frequency_hz=numbers.get("max_frequency_hz", max(grid) if grid else 20_000.0),
        min_gain_db=numbers.get("min_gain_db", 0.0),
        max_gain_db=numbers.get("max_gain_db", 0.0),
        gain_step_db=numbers.get("gain_step_db", 0.0),
        min_q=numbers["min_q"],
        max_q=numbers["max_q"],
        q_step=numbers.get("q_step", 0.0),
        q_convention=_choice("q_convention", given.get("q_convention", "cookbook"), QConvention),
        high_pass_min_hz=numbers.get("high_pass_min_hz"),
        high_pass_max_hz=numbers.get("high_pass_max_hz"),
        high_pass_orders=tuple(
            _whole("high_pass_orders", order)
            for order in _items("high_pass_orders", given.get("high_pass_orders", []))
        ),
    )


def _read(path: str) -> str:
    file = Path(path)
    try:
        if not file.exists():
            raise LimitsError(
                f"{path}: no such limits; name a preset ({', '.join(preset_names())}) "
                "or an existing TOML file"
            )
        if not file.is_file():
            raise LimitsError(f"{path}: not a file; name a preset or a TOML file")
        with file.open("rb") as stream:
            data = stream.read(MAX_FILE_BYTES + 1)
    except LimitsError:
        raise
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise LimitsError(f"{briefly(path)}: limits cannot be read ({reason})") from error
    if len(data) > MAX_FILE_BYTES:
        raise LimitsError(f"{path}: larger than {MAX_FILE_BYTES // 1024} kB; not a limits file")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise LimitsError(f"{path}: not a text file in UTF-8; write limits as TOML") from error


def _parse(text: str, *, name: str, source: str) -> Limits:
    try:
        values = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise LimitsError(f"{source}: not valid TOML ({briefly(error)})") from error
    if "name" in values:
        raise LimitsError(f"{source}: unknown key 'name'; limits are named after their file")
    try:
        return limits_from_dict(values, name=name)
    except LimitsError as error:
        raise LimitsError(f"{source}: {error}") from error


def _plain(value: Any) -> Any:
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    return str(value) if isinstance(value, StrEnum) else value


def _number(key: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise LimitsError(f"{key} must be a number, not {briefly(value)}")
    try:
        return float(value)
    except OverflowError as error:
        raise LimitsError(f"{key} must be a number of usual size, not {briefly(value)}") from error


def _whole(key: str, value: object) -> int:
    number = _number(key, value)
    if not number.is_integer():
        raise LimitsError(f"{key} must be a whole number, not {briefly(value)}")
    return int(number)


def _text(key: str, value: object) -> str:
    if not isinstance(value, str) or len(value) > 200 or not all(map(str.isprintable, value)):
        raise LimitsError(f"{key} must be one line of at most 200 characters, not {briefly(value)}")
    return value


def _items(key: str, value: object) -> Sequence[object]:
    if not isinstance(value, list):
        raise LimitsError(f"{key} must be a list in square brackets, not {briefly(value)}")
    return value


def _choice(key: str, value: object, choices: type[E]) -> E:
    for choice in choices:
        if value == choice.value:
            return choice
    raise LimitsError(f"{key} must be one of {', '.join(choices)}, not {briefly(value)}")


def _kinds(value: object) -> tuple[FilterKind, ...]:
    return tuple(_choice("kinds", item, FilterKind) for item in _items("kinds", value))


def _grid(value: object) -> tuple[float, ...]:
    if value == THIRD_OCTAVE:
        return NOMINAL_HZ
    if isinstance(value, str):
        raise LimitsError(
            f'grid_hz must be a list of centres in Hz or the word "{THIRD_OCTAVE}", '
            f"not {briefly(value)}"
        )
    return tuple(_number("grid_hz", item) for item in _items("grid_hz", value))
