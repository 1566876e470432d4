"""An exposure as JSON: schema ``shaping.exposure/1``, published as ``exposure.schema.json``.

Levels are rounded to 0.01 dB, times to 0.1 s; null stands for what is not known.
"""

from __future__ import annotations

import json
import math
from typing import Annotated, Any, Literal

from msgspec import Meta, Struct, field

from shaping.analysis.exposure.documents import WHO_LEVEL_DB
from shaping.analysis.exposure.ear import EarMeasurement
from shaping.analysis.exposure.exposure import Exposure
from shaping.analysis.exposure.uncertainty import MicClass
from shaping.errors import CaptureError
from shaping.reading.form import Form

EXPOSURE_SCHEMA = "shaping.exposure/1"

_Text = Annotated[str, Meta(max_length=20_000)]
_Texts = Annotated[tuple[_Text, ...], Meta(max_length=1000)]
_Level = Annotated[float, Meta(ge=-300.0, le=300.0, description="dB re 20 uPa")]
_Decibels = Annotated[float, Meta(ge=0.0, le=300.0)]
_Seconds = Annotated[float, Meta(ge=0.0)]
_Share = Annotated[float, Meta(ge=0.0, description="1 reaches it")]
_Part = Annotated[float, Meta(ge=0.0, le=1.0, description="of the energy")]
_Channel = Annotated[int, Meta(ge=1, description="counted from 1")]
_Frequency = Annotated[float, Meta(gt=0.0)]


class ToneForm(Struct, kw_only=True, frozen=True):
    """A calibrator's tone as it was recorded."""

    path: _Text
    channel: _Channel
    level_dbfs: Annotated[float, Meta(description="dB re a mean square of 1")]
    frequency_hz: _Frequency
    steady_s: _Seconds
    wander_db: _Decibels


class CalibrationForm(Struct, kw_only=True, frozen=True):
    """What turns the recording into levels."""

    sensitivity_db: Annotated[float, Meta(description="level of a mean square of 1")]
    calibrator_db: _Level | None
    tones: tuple[ToneForm, ...]


class UncertaintyForm(Struct, kw_only=True, frozen=True):
    """Standard uncertainties, and the expanded one (about 95 %), in dB."""

    calibration_db: _Decibels
    instrument_db: _Decibels
    position_db: _Decibels
    ear_db: _Decibels
    expanded_db: _Decibels


class MinuteForm(Struct, kw_only=True, frozen=True):
    """One minute; laeq_15min_db ends with it."""

    start_s: _Seconds
    laeq_db: _Level
    lceq_db: _Level
    lcpeak_db: _Level
    laeq_15min_db: _Level | None


class ReferenceForm(Struct, kw_only=True, frozen=True):
    """A value of a document over a time; what the recording alone makes of it."""

    document: _Text
    name: _Text
    level_db: _Level
    span_s: _Seconds
    share: _Share
    passed: bool
    reached_at_s: _Seconds | None
    time_s: _Seconds
    time_low_s: _Seconds
    time_high_s: _Seconds


class PeakForm(Struct, kw_only=True, frozen=True):
    """A peak pressure of a document."""

    document: _Text
    name: _Text
    level_db: _Level
    passed: bool


class VenueForm(Struct, kw_only=True, frozen=True):
    """The level for venues of the WHO, over 15 minutes."""

    document: _Text
    level_db: _Level
    passed: bool


class SharesForm(Struct, kw_only=True, frozen=True):
    """Shares of the energy, A- and C-weighted."""

    howls_a: _Part
    howls_c: _Part
    low_mids_a: _Part
    low_mids_c: _Part


class HowlForm(Struct, kw_only=True, frozen=True):
    """A howl."""

    start_s: _Seconds
    stop_s: _Seconds
    frequency_hz: _Frequency


class ExposureForm(Struct, kw_only=True, frozen=True):
    """Levels of a calibrated recording, and what documents say of such levels."""

    schema_: Literal["shaping.exposure/1"] = field(name="schema")
    path: _Text
    channel: _Channel
    sample_rate_hz: Annotated[int, Meta(ge=1)]
    duration_s: _Seconds
    calibration: CalibrationForm
    mic_class: MicClass
    ear: EarMeasurement | None
    correction: _Text | None
    laeq_db: _Level
    lceq_db: _Level
    lcpeak_db: _Level
    laeq_15min_db: _Level | None
    laeq_15min_until_s: _Seconds | None
    daily_level_db: _Level
    at_least: Annotated[bool, Meta(description="clipped: levels are at least those told")]
    uncertainty: UncertaintyForm
    minutes: tuple[MinuteForm, ...]
    references: tuple[ReferenceForm, ...]
    peaks: tuple[PeakForm, ...]
    venue: VenueForm
    shares: SharesForm
    howls: tuple[HowlForm, ...]
    notes: _Texts
    cautions: _Texts


EXPOSURE_FORM: Form[ExposureForm] = Form(
    what="exposure",
    record=ExposureForm,
    error=CaptureError,
    max_bytes=64 * 1024 * 1024,
    advice=lambda: "make one with: shaping exposure --json",
)


def exposure_to_json(exposure: Exposure, cautions: tuple[str, ...]) -> str:
    """Return an exposure as JSON text, ending in a newline."""
    return json.dumps(exposure_to_dict(exposure, cautions), indent=2, allow_nan=False) + "\n"


def exposure_to_dict(exposure: Exposure, cautions: tuple[str, ...]) -> dict[str, Any]:
    """Return an exposure as plain values.

    Parameters
    ----------
    exposure : Exposure
        What was measured.
    cautions : tuple of str
        Plain sentences that go with it.
    """
    e = exposure
    values = {name: _of(e, name) for name in ExposureForm.__struct_fields__ if hasattr(e, name)}
    return {
        "schema": EXPOSURE_SCHEMA,
        **values,
        "venue": {
            "document": "WHO venues 2022",
            "level_db": WHO_LEVEL_DB,
            "passed": e.venue_passed,
        },
        "cautions": list(cautions),
    }


_FORMS: dict[str, type[Struct]] = {
    "calibration": CalibrationForm,
    "uncertainty": UncertaintyForm,
    "shares": SharesForm,
    "tones": ToneForm,
    "minutes": MinuteForm,
    "references": ReferenceForm,
    "peaks": PeakForm,
    "howls": HowlForm,
}


def _of(record: Any, name: str) -> Any:
    value = getattr(record, name)
    if name not in _FORMS:
        return _plain(name, value)
    several = isinstance(value, tuple)
    written = [
        {key: _of(one, key) for key in _FORMS[name].__struct_fields__}
        for one in (value if several else (value,))
    ]
    return written if several else written[0]


def _plain(name: str, value: Any) -> Any:
    if isinstance(value, tuple):
        return [_plain(name, one) for one in value]
    if isinstance(value, float):
        if math.isnan(value):
            return None
        return round(value, 2 if name.endswith("_db") else 1 if name.endswith("_s") else 5) + 0.0
    return str(value) if isinstance(value, EarMeasurement | MicClass) else value
