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

The file's own name without suffix becomes the name of the limits. The same, for programs, is
``limits.schema.json`` beside this module.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import fields
from enum import StrEnum
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal

from msgspec import Meta, Struct

from shaping.equaliser.limits import (
    FREQUENCY_RANGE_HZ,
    HIGH_PASS_RANGE_HZ,
    MAX_BANDS,
    MAX_GAIN_DB,
    MAX_HIGH_PASS_ORDER,
    MAX_LINE,
    MAX_STEPS_PER_OCTAVE,
    Q_RANGE,
    Limits,
)
from shaping.errors import LimitsError
from shaping.filters.bands import NOMINAL_HZ
from shaping.filters.kinds import FilterKind
from shaping.filters.width import QConvention
from shaping.reading.form import Form, at_line, from_plain, from_toml, read_text
from shaping.text.names import shown

MAX_FILE_BYTES = 64 * 1024
"""A limits file is a few hundred bytes; anything far larger is something else."""

_PRESETS = resources.files("shaping.equaliser") / "presets"

Line = Annotated[str, Meta(max_length=MAX_LINE, description="one line for people")]
Frequency = Annotated[float, Meta(ge=FREQUENCY_RANGE_HZ[0], le=FREQUENCY_RANGE_HZ[1])]
Corner = Annotated[float, Meta(ge=HIGH_PASS_RANGE_HZ[0], le=HIGH_PASS_RANGE_HZ[1])]
Order = Annotated[
    int, Meta(ge=1, le=MAX_HIGH_PASS_ORDER, description="2 is 12 dB per octave, 4 is 24")
]
Quality = Annotated[float, Meta(ge=Q_RANGE[0], le=Q_RANGE[1])]
Steps = Annotated[int, Meta(ge=1, le=MAX_STEPS_PER_OCTAVE, description="left out where free")]


class LimitsForm(Struct, kw_only=True, frozen=True, forbid_unknown_fields=True):
    """What an equaliser can be set to."""

    description: Line = ""
    bands: Annotated[
        int, Meta(ge=0, le=MAX_BANDS, description="bands for cuts, the high-pass not counted")
    ]
    kinds: Annotated[
        tuple[Literal["peaking", "notch"], ...],
        Meta(max_length=MAX_BANDS, description="the preferred one first"),
    ] = ("peaking",)
    grid_hz: (
        Annotated[tuple[Frequency, ...], Meta(max_length=MAX_BANDS, description="the only centres")]
        | Literal["third-octave"]
        | None
    ) = None
    steps_per_octave: Steps | None = None
    min_frequency_hz: Frequency | None = None
    max_frequency_hz: Frequency | None = None
    min_gain_db: Annotated[float, Meta(ge=-MAX_GAIN_DB, le=0)] | None = None
    max_gain_db: Annotated[float, Meta(ge=0, le=MAX_GAIN_DB)] = 0.0
    gain_step_db: Annotated[float, Meta(ge=0, le=MAX_GAIN_DB, description="0 is free")] = 0.0
    min_q: Annotated[Quality, Meta(description="the widest a band can be set to")]
    max_q: Annotated[Quality, Meta(description="the narrowest; the same as min_q for a fixed Q")]
    q_step: Annotated[float, Meta(ge=0, le=Q_RANGE[1], description="0 is free")] = 0.0
    q_convention: QConvention = QConvention.COOKBOOK
    high_pass_min_hz: Corner | None = None
    high_pass_max_hz: Corner | None = None
    high_pass_orders: Annotated[tuple[Order, ...], Meta(max_length=MAX_HIGH_PASS_ORDER)] = ()


class NamedLimitsForm(LimitsForm, kw_only=True, frozen=True, forbid_unknown_fields=True):
    """What an equaliser can be set to, with the name that a file has outside itself."""

    name: Annotated[str, Meta(max_length=MAX_LINE)]


class PlanLimitsForm(NamedLimitsForm, kw_only=True, frozen=True, forbid_unknown_fields=False):
    """What an equaliser can be set to, as a plan holds it."""


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


def _advice() -> str:
    return f"name a preset ({', '.join(preset_names())}) or an existing TOML file"


LIMITS_FORM = Form("limits", LimitsForm, LimitsError, MAX_FILE_BYTES, _advice)
_NAMED_FORM = Form("limits", NamedLimitsForm, LimitsError, MAX_FILE_BYTES, _advice)


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
    else:
        text = read_text(name_or_path, LIMITS_FORM)
    try:
        return _parsed(text, name=Path(name_or_path).stem)
    except LimitsError as error:
        raise LimitsError(f"{shown(name_or_path)}: {error}") from error


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


def limits_from_dict(values: Mapping[str, Any], *, name: str) -> Limits:
    """Return limits from plain values, as `limits_to_dict` gives them.

    Parameters
    ----------
    values : mapping
        Keys of the module header; None counts as left out.
    name : str
        Name of the limits, used where `values` has none.

    Returns
    -------
    Limits
        Checked limits.

    Raises
    ------
    LimitsError
        If a key is unknown, missing, of the wrong type or outside its range, or if the keys do not
        go together.

    Examples
    --------
    >>> values = limits_to_dict(load_limits("parametric-4")) | {"bands": 3}
    >>> limits_from_dict(values, name="three bands").bands
    3
    """
    named = {"name": name, **{key: one for key, one in values.items() if one is not None}}
    form = from_plain(named, _NAMED_FORM)
    return limits_of(form, name=form.name)


def limits_of(form: LimitsForm, *, name: str) -> Limits:
    """Return the limits that a file or a plan describes.

    Parameters
    ----------
    form : LimitsForm
        The keys of the module header, each within its own bounds.
    name : str
        Name of the limits.

    Returns
    -------
    Limits
        Checked limits.

    Raises
    ------
    LimitsError
        If the keys do not go together.
    """
    kinds = tuple(FilterKind(kind) for kind in form.kinds)
    if FilterKind.PEAKING in kinds and form.min_gain_db is None:
        raise LimitsError("min_gain_db is missing; say how far a band can cut, such as -12")
    grid = NOMINAL_HZ if form.grid_hz == "third-octave" else form.grid_hz
    low_hz, high_hz = (min(grid), max(grid)) if grid else (20.0, 20_000.0)
    return Limits(
        name=name,
        description=form.description,
        bands=form.bands,
        kinds=kinds,
        grid_hz=grid,
        steps_per_octave=form.steps_per_octave,
        min_frequency_hz=low_hz if form.min_frequency_hz is None else form.min_frequency_hz,
        max_frequency_hz=high_hz if form.max_frequency_hz is None else form.max_frequency_hz,
        min_gain_db=form.min_gain_db or 0.0,
        max_gain_db=form.max_gain_db,
        gain_step_db=form.gain_step_db,
        min_q=form.min_q,
        max_q=form.max_q,
        q_step=form.q_step,
        q_convention=form.q_convention,
        high_pass_min_hz=form.high_pass_min_hz,
        high_pass_max_hz=form.high_pass_max_hz,
        high_pass_orders=form.high_pass_orders,
    )


def _parsed(text: str, *, name: str) -> Limits:
    form = from_toml(text, LIMITS_FORM)
    try:
        return limits_of(form, name=name)
    except LimitsError as error:
        # Keys that do not go together: the line of the first one that the message names.
        from shaping.reading.toml_lines import line_of  # only where something is wrong

        given = tomllib.loads(text)
        key = next((word for word in re.findall(r"\w+", str(error)) if word in given), None)
        raise LimitsError(at_line(line_of(text, (key,) if key else ()), str(error))) from error


def _plain(value: Any) -> Any:
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    return str(value) if isinstance(value, StrEnum) else value
