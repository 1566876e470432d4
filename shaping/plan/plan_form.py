"""What a plan's JSON may hold: schema ``shaping.plan/1``, published as ``plan.schema.json``.

Names, units and meaning of the keys are stable; more keys may come, so keys that are not known
are passed over. A key that is null counts as left out. `shaping.plan.from_json` makes a plan of
these records, `shaping.plan.to_json` writes them.
"""

from __future__ import annotations

import math
from typing import Annotated, Literal

from msgspec import Meta, Struct, field

from shaping.capture.recording import CaptureKind, Severity
from shaping.equaliser.limits_file import PlanLimitsForm
from shaping.errors import PlanError
from shaping.filters.kinds import FilterKind
from shaping.plan.plan import Purpose
from shaping.reading.form import Form

SCHEMA = "shaping.plan/1"

MAX_BYTES = 8 * 1024 * 1024  # a choice: far larger than any plan; more is another file
MAX_ITEMS = 10_000  # a choice: far more than any list of a plan holds
MAX_TEXT = 20_000  # a choice: some ten pages; no reason or caution is longer

_few = Meta(max_length=MAX_ITEMS)
Text = Annotated[str, Meta(max_length=MAX_TEXT)]
Texts = Annotated[tuple[Text, ...], _few]
Frequency = Annotated[float, Meta(ge=0.1, le=1e6)]
Spread = Annotated[float, Meta(ge=0.0, le=1e6)]
Level = Annotated[float, Meta(ge=-1000.0, le=1000.0)]
Levels = Annotated[tuple[Level, ...], _few]
Deviation = Annotated[float, Meta(ge=0.0, le=1000.0)]
Rate = Annotated[float, Meta(ge=-1e6, le=1e6)]
Time = Annotated[float, Meta(ge=0.0, le=1e9)]
Share = Annotated[float, Meta(ge=0.0, le=1.0)]
Quality = Annotated[float, Meta(ge=1e-3, le=1e5)]
Band = Annotated[tuple[Frequency, Frequency], Meta(description="low and high edge, in Hz")]
GainForTone = Annotated[
    tuple[Level, Level], Meta(description="level removed on average and gain added, in dB")
]
Spell = Annotated[tuple[Time, Time], Meta(description="a start and a stop, in seconds")]


def _not_known() -> float:
    """NaN stands for a number that is not known; JSON has null for it."""
    return math.nan


class QualityForm(Struct, kw_only=True, frozen=True):
    """One finding about a capture's quality."""

    code: Text
    severity: Severity
    message: Text


class CaptureForm(Struct, kw_only=True, frozen=True):
    """A recording that the plan rests on."""

    path: Text
    sample_rate_hz: Annotated[int, Meta(ge=1, le=1_000_000)]
    channel: Annotated[int, Meta(ge=1, le=100_000, description="counted from 1")]
    duration_s: Time
    kind: CaptureKind
    quality: Annotated[tuple[QualityForm, ...], _few]


class FilterForm(Struct, kw_only=True, frozen=True):
    """A filter to dial in. Its q is the Audio EQ Cookbook's, dial_q that of the equaliser."""

    kind: FilterKind
    frequency_hz: Frequency
    q: Quality | None = None
    gain_db: Level | None = None
    order: Annotated[int, Meta(ge=1, le=16)] | None = None
    purpose: Purpose
    reason: Text
    dial_q: Quality | None = None
    bandwidth_oct: Annotated[float, Meta(ge=1e-6, le=1e3)] | None = None
    effect_db: Level | None = None
    sos: Annotated[
        tuple[tuple[float, float, float, float, float, float], ...],
        Meta(max_length=16, description="sections b0 b1 b2 a0 a1 a2 at sos_sample_rate_hz"),
    ] = ()


class RingForm(Struct, kw_only=True, frozen=True):
    """A feedback ring found in a capture."""

    frequency_hz: Frequency
    frequency_error_hz: Spread = 0.0
    width_hz: Spread = 0.0
    onset_s: Time
    duration_s: Time
    growth_db_per_s: Rate
    decay_db_per_s: Rate | None = None
    peak_dbfs: Level
    occurrences: Annotated[int, Meta(ge=0, le=1_000_000)] = 1
    clipped: bool = False
    confidence: Share
    evidence: Text = ""
    spells: Annotated[tuple[Spell, ...], _few] = ()
    capture: Annotated[int, Meta(ge=1, le=MAX_ITEMS, description="counted from 1")] = 1
    note: Text = ""


class ResonanceForm(Struct, kw_only=True, frozen=True):
    """A peak of a magnitude response; errors are one standard deviation."""

    frequency_hz: Frequency
    prominence_db: Level
    q: Annotated[float, Meta(ge=0.0, le=1e6)]
    error_db: Deviation
    q_error: Spread | None = field(default_factory=_not_known)
    frequency_error_hz: Spread | None = field(default_factory=_not_known)


class UnservedRingForm(RingForm, kw_only=True, frozen=True, tag_field="finding", tag="ring"):
    """A ring that found no band left."""


class UnservedResonanceForm(
    ResonanceForm, kw_only=True, frozen=True, tag_field="finding", tag="resonance"
):
    """A resonance that found no band left."""


class CriticalForm(Struct, kw_only=True, frozen=True):
    """A frequency at which the loop would howl, and the send gain that would start it."""

    frequency_hz: Frequency
    gain_db: Level | None = field(default_factory=_not_known)


class LoopForm(Struct, kw_only=True, frozen=True):
    """Stable gain before and after the plan, in dB re the recorded files; null where withheld.

    Worst case over phase, and in phase: the least over the delays that the loop may have.
    """

    stable_gain_db: Level | None = field(default_factory=_not_known)
    stable_gain_after_db: Level | None = field(default_factory=_not_known)
    added_stable_gain_db: Level | None = field(default_factory=_not_known)
    in_phase_stable_gain_db: Level | None = field(default_factory=_not_known)
    in_phase_stable_gain_after_db: Level | None = field(default_factory=_not_known)
    critical: Annotated[tuple[CriticalForm, ...], _few]
    coherence_median: Share
    stable_gain_error_db: Level | None = field(default_factory=_not_known)
    stable_gain_by_capture_db: Levels = ()
    added_by_capture_db: Levels = ()
    added_by_cuts_db: Levels = ()
    paying_cuts: Annotated[int, Meta(ge=0, le=1000)] = 0
    tone_removed_db: Level = 0.0
    delay_known: bool = True
    measured_hz: Annotated[tuple[Band, ...], _few] = ()
    stable_gain_low_db: Level | None = field(default_factory=_not_known)
    stable_gain_after_low_db: Level | None = field(default_factory=_not_known)
    in_phase_stable_gain_high_db: Level | None = field(default_factory=_not_known)
    in_phase_stable_gain_after_high_db: Level | None = field(default_factory=_not_known)
    stable_gain_after_unseen_db: Level | None = field(default_factory=_not_known)
    margin_db: Level = 0.0
    send_db: Level | None = field(default_factory=_not_known)
    gain_for_tone: Annotated[tuple[GainForTone, ...], _few] = ()


class IntelligibilityForm(Struct, kw_only=True, frozen=True):
    """Speech intelligibility index at the musician for one distance from mouth to microphone."""

    mic_distance_m: Annotated[float, Meta(ge=0.0, le=100.0)]
    sii_before: Share
    sii_after: Share


class BandInterferenceForm(Struct, kw_only=True, frozen=True):
    """Level as mains and wedges really add, over that of powers added, in one third octave."""

    nominal_hz: Frequency
    before_db: Level
    after_db: Level
    change_db: Level


class RoomForm(Struct, kw_only=True, frozen=True):
    """Mains and wedges together in the first rows, powers added."""

    measured: bool
    mains_over_wedges_db: Level
    change_db: Level
    change_a_db: Level
    sii_before: Share | None = None
    sii_after: Share | None = None
    wedges_later_s: Annotated[float, Meta(ge=-1.0, le=1.0)] | None = None
    seat_change_db: Level | None = None
    interference: Annotated[tuple[BandInterferenceForm, ...], _few] = ()


class ThinningForm(Struct, kw_only=True, frozen=True):
    """What thinning saves in the first rows and costs the musician."""

    spill_change_db: Level
    sii_before: Share | None = None
    sii_after: Share | None = None
    spill_change_a_db: Level | None = None
    spill_change_c_db: Level | None = None
    sii_by_distance: Annotated[tuple[IntelligibilityForm, ...], _few] = ()
    assumptions: Texts = ()
    measured: bool = False
    listener: Text = "musician"
    stage_change_db: Level | None = None
    stage_change_above_db: Level | None = None
    room: RoomForm | None = None


class IntervalForm(Struct, kw_only=True, frozen=True):
    """An estimate and the range that holds the truth in nine of ten cases."""

    low: Level
    likely: Level
    high: Level


class NearForm(Struct, kw_only=True, frozen=True):
    """A frequency that came near to howling, and its level over the first howl."""

    frequency_hz: Frequency
    level_db: Level


class RingOutForm(Struct, kw_only=True, frozen=True):
    """What a ring-out tells of the loop besides its rings, in dB; estimates, all of them."""

    excess_db: IntervalForm
    added_db: IntervalForm
    promised_db: Level
    wanted_margin_db: Level
    margin_db: Level
    near: Annotated[tuple[NearForm, ...], _few] = ()


class PlanForm(Struct, kw_only=True, frozen=True):
    """Filters in the order they are dialled in, with the evidence for each."""

    schema: Literal["shaping.plan/1"]
    captures: Annotated[tuple[CaptureForm, ...], _few]
    limits: PlanLimitsForm
    sos_sample_rate_hz: Annotated[int, Meta(ge=1, le=1_000_000)] | None = None
    filters: Annotated[tuple[FilterForm, ...], _few]
    rings: Annotated[tuple[RingForm, ...], _few]
    resonances: Annotated[tuple[ResonanceForm, ...], _few]
    loop: LoopForm | None = None
    thinning: ThinningForm | None = None
    unserved: Annotated[tuple[UnservedRingForm | UnservedResonanceForm, ...], _few] = ()
    cautions: Texts
    ring_out: RingOutForm | None = None
    name: Annotated[str, Meta(max_length=MAX_TEXT, description="of the wedge")] = ""


PLAN_FORM = Form(
    what="plan",
    record=PlanForm,
    error=PlanError,
    max_bytes=MAX_BYTES,
    advice=lambda: "write one with suggest --json",
)
