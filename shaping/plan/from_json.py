"""Plans read back from JSON, for rendering through them and for comparing with them.

Nothing in a file is trusted: sizes are bounded, every value is checked, filters must fit the
plan's own limits, and whatever is wrong becomes one `PlanError` that names the place. Keys that
are not known are passed over, so that a plan of a later version can be read.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any, NoReturn, TypeVar

from shaping.analysis.findings import CriticalFrequency, Resonance, Ring
from shaping.capture.recording import CaptureKind, QualityNote, Severity
from shaping.equaliser.limits import Limits
from shaping.equaliser.limits_file import limits_from_dict
from shaping.equaliser.quantise import allows
from shaping.errors import LimitsError, PlanError
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.plan import (
    CaptureSummary,
    IntelligibilityAt,
    Interval,
    LoopSummary,
    NearPoint,
    Plan,
    PlannedFilter,
    Purpose,
    RingOutSummary,
    ThinningSummary,
)
from shaping.text.names import briefly

SCHEMA = "shaping.plan/1"

MAX_BYTES = 8 * 1024 * 1024
MAX_ITEMS = 10_000
MAX_TEXT = 20_000

_FREQUENCY_HZ = (0.1, 1e6)
_LEVEL_DB = (-1000.0, 1000.0)
_TIME_S = (0.0, 1e9)
_SHARE = (0.0, 1.0)

E = TypeVar("E", bound=StrEnum)


def load_plan(path: str | Path) -> Plan:
    """Read a plan from a JSON file.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    Plan
        The plan; every filter fits its limits.

    Raises
    ------
    PlanError
        If it cannot be read or used.

    Examples
    --------
    >>> load_plan("no_such_plan.json")
    Traceback (most recent call last):
    shaping.errors.PlanError: no_such_plan.json: no such plan; write one with suggest --json
    """
    file = Path(path)
    try:
        if not file.exists():
            raise PlanError(f"{path}: no such plan; write one with suggest --json")
        if not file.is_file():
            raise PlanError(f"{path}: not a file; name a plan in JSON")
        with file.open("rb") as stream:
            data = stream.read(MAX_BYTES + 1)
    except PlanError:
        raise
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise PlanError(f"{briefly(str(path))}: the plan cannot be read ({reason})") from error
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise PlanError(f"{path}: not a text file, so not a plan in JSON") from error
    try:
        return plan_from_json(text)
    except PlanError as error:
        raise PlanError(f"{path}: {error}") from error


def plan_from_json(text: str) -> Plan:
    """Return the plan in a JSON text of schema ``shaping.plan/1``.

    Parameters
    ----------
    text : str
        As `shaping.plan.to_json.plan_to_json` writes it; ``sos`` is not read.

    Returns
    -------
    Plan
        The plan; every filter fits its limits.

    Raises
    ------
    PlanError
        If anything in it is missing, of the wrong type, out of range or against its limits.

    Examples
    --------
    >>> from shaping import load_limits, plan_to_json, thin
    >>> plan = thin(load_limits("parametric-4")).plan
    >>> text = plan_to_json(plan)  # rounded as people read it
    >>> plan_to_json(plan_from_json(text)) == text
    True
    """
    if len(text) > MAX_BYTES:
        raise PlanError(f"larger than {MAX_BYTES // 1024**2} MB, so not a plan")
    try:
        value = json.loads(text, parse_constant=_refuse_constant)
    except PlanError:
        raise
    except (ValueError, RecursionError) as error:
        raise PlanError(f"not valid JSON ({briefly(error)})") from error
    plan = _At(value, "plan")
    schema = plan.key("schema")
    if schema.value != SCHEMA:
        raise PlanError(f"schema must be {SCHEMA}, not {briefly(schema.value)}")
    limits = _limits(plan.key("limits"))
    captures = tuple(_capture(item) for item in plan.key("captures").items())
    filters = tuple(_planned(item, limits) for item in plan.key("filters").items())
    bands = sum(planned.filter.kind is not FilterKind.HIGH_PASS for planned in filters)
    if bands > limits.bands:
        raise PlanError(f"filters use {bands} bands where the limits have {limits.bands}")
    if captures:
        _check_designable(filters, captures[0].sample_rate_hz)
    loop, thinning, unserved = plan.get("loop"), plan.get("thinning"), plan.get("unserved")
    ring_out = plan.get("ring_out")
    return Plan(
        captures=captures,
        limits=limits,
        filters=filters,
        rings=tuple(_ring(item) for item in plan.key("rings").items()),
        resonances=tuple(_resonance(item) for item in plan.key("resonances").items()),
        loop=None if loop is None else _loop(loop),
        thinning=None if thinning is None else _thinning(thinning),
        unserved=() if unserved is None else tuple(_finding(item) for item in unserved.items()),
        cautions=tuple(item.text() for item in plan.key("cautions").items()),
        ring_out=None if ring_out is None else _ring_out(ring_out),
    )


@dataclass(frozen=True, slots=True)
class _At:
    """A value from JSON and where it stands, such as ``filters[2].gain_db``."""

    value: Any
    where: str

    def refuse(self, wanted: str) -> NoReturn:
        raise PlanError(f"{self.where} must be {wanted}, not {briefly(self.value)}")

    def _inside(self, name: str) -> str:
        return name if self.where == "plan" else f"{self.where}.{name}"

    def get(self, name: str) -> _At | None:
        """Return the value of a key, None where it is missing or null."""
        if not isinstance(self.value, dict):
            self.refuse("an object with keys")
        value = self.value.get(name)
        return None if value is None else _At(value, self._inside(name))

    def key(self, name: str) -> _At:
        found = self.get(name)
        if found is None:
            raise PlanError(f"{self._inside(name)} is missing")
        return found

    def items(self) -> list[_At]:
        if not isinstance(self.value, list):
            self.refuse("a list")
        if len(self.value) > MAX_ITEMS:
            raise PlanError(f"{self.where} holds more than {MAX_ITEMS} items")
        return [_At(item, f"{self.where}[{n}]") for n, item in enumerate(self.value)]

    def number(self, low: float, high: float) -> float:
        value = self.value
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        if not is_number or not low <= value <= high:
            self.refuse(f"a number between {low:g} and {high:g}")
        return float(value)

    def whole(self, low: int, high: int) -> int:
        number = self.number(low, high)
        if not number.is_integer():
            self.refuse("a whole number")
        return int(number)

    def text(self) -> str:
        if not isinstance(self.value, str) or len(self.value) > MAX_TEXT:
            self.refuse(f"text of at most {MAX_TEXT} characters")
        return self.value

    def flag(self) -> bool:
        if not isinstance(self.value, bool):
            self.refuse("true or false")
        return self.value

    def choice(self, choices: type[E]) -> E:
        for choice in choices:
            if self.value == choice.value:
                return choice
        self.refuse(f"one of {', '.join(choices)}")

    def number_or_none(self, name: str, low: float, high: float) -> float | None:
        found = self.get(name)
        return None if found is None else found.number(low, high)

    def numbers(self, name: str, low: float, high: float) -> tuple[float, ...]:
        found = self.get(name)
        return () if found is None else tuple(item.number(low, high) for item in found.items())

    def number_or(self, name: str, low: float, high: float, *, default: float) -> float:
        found = self.get(name)
        return default if found is None else found.number(low, high)


def _limits(at: _At) -> Limits:
    if not isinstance(at.value, dict):
        at.refuse("an object with keys")
    try:
        return limits_from_dict(at.value, name="plan", unknown_keys_allowed=True)
    except LimitsError as error:
        raise PlanError(f"limits: {error}") from error


def _capture(at: _At) -> CaptureSummary:
    return CaptureSummary(
        path=at.key("path").text(),
        sample_rate_hz=at.key("sample_rate_hz").whole(1, 1_000_000),
        channel=at.key("channel").whole(1, 100_000),
        duration_s=at.key("duration_s").number(*_TIME_S),
        kind=at.key("kind").choice(CaptureKind),
        quality=tuple(
            QualityNote(
                code=note.key("code").text(),
                severity=note.key("severity").choice(Severity),
                message=note.key("message").text(),
            )
            for note in at.key("quality").items()
        ),
    )


def _planned(at: _At, limits: Limits) -> PlannedFilter:
    order = at.get("order")
    filter = Filter(
        kind=at.key("kind").choice(FilterKind),
        frequency_hz=at.key("frequency_hz").number(*_FREQUENCY_HZ),
        q=at.number_or_none("q", 1e-3, 1e5),
        gain_db=at.number_or_none("gain_db", *_LEVEL_DB),
        order=None if order is None else order.whole(1, 16),
    )
    if not allows(limits, filter):
        raise PlanError(f"{at.where}: this {filter.kind} does not fit the plan's own limits")
    return PlannedFilter(
        filter=filter,
        purpose=at.key("purpose").choice(Purpose),
        reason=at.key("reason").text(),
        dial_q=at.number_or_none("dial_q", 1e-3, 1e5),
        bandwidth_oct=at.number_or_none("bandwidth_oct", 1e-6, 1e3),
        effect_db=at.number_or_none("effect_db", *_LEVEL_DB),
    )


def _check_designable(filters: Sequence[PlannedFilter], rate_hz: int) -> None:
    for number, planned in enumerate(filters):
        if planned.filter.frequency_hz >= rate_hz / 2:
            raise PlanError(
                f"filters[{number}] lies at or above half the sample rate of the first capture, "
                f"{rate_hz} Hz"
            )


def _ring(at: _At) -> Ring:
    occurrences, clipped, evidence = at.get("occurrences"), at.get("clipped"), at.get("evidence")
    spells, capture = at.get("spells"), at.get("capture")
    return Ring(
        frequency_hz=at.key("frequency_hz").number(*_FREQUENCY_HZ),
        frequency_error_hz=at.number_or("frequency_error_hz", 0.0, 1e6, default=0.0),
        width_hz=at.number_or("width_hz", 0.0, 1e6, default=0.0),
        onset_s=at.key("onset_s").number(*_TIME_S),
        duration_s=at.key("duration_s").number(*_TIME_S),
        growth_db_per_s=at.key("growth_db_per_s").number(-1e6, 1e6),
        decay_db_per_s=at.number_or_none("decay_db_per_s", -1e6, 1e6),
        peak_dbfs=at.key("peak_dbfs").number(*_LEVEL_DB),
        occurrences=1 if occurrences is None else occurrences.whole(0, 1_000_000),
        clipped=False if clipped is None else clipped.flag(),
        confidence=at.key("confidence").number(*_SHARE),
        evidence="" if evidence is None else evidence.text(),
        spells=tuple(_spell(item) for item in (spells.items() if spells else ())),
        capture=1 if capture is None else capture.whole(1, 10_000),
    )


def _spell(at: _At) -> tuple[float, float]:
    ends = at.items()
    if len(ends) != 2:
        at.refuse("a start and a stop")
    start_s, stop_s = (end.number(*_TIME_S) for end in ends)
    return start_s, stop_s


def _resonance(at: _At) -> Resonance:
    return Resonance(
        frequency_hz=at.key("frequency_hz").number(*_FREQUENCY_HZ),
        prominence_db=at.key("prominence_db").number(*_LEVEL_DB),
        q=at.key("q").number(0.0, 1e6),
        error_db=at.key("error_db").number(0.0, 1000.0),
    )


def _finding(at: _At) -> Ring | Resonance:
    finding = at.key("finding")
    if finding.value == "ring":
        return _ring(at)
    if finding.value == "resonance":
        return _resonance(at)
    finding.refuse("ring or resonance")


def _loop(at: _At) -> LoopSummary:
    paying, delay_known = at.get("paying_cuts"), at.get("delay_known")
    return LoopSummary(
        stable_gain_db=at.key("stable_gain_db").number(*_LEVEL_DB),
        stable_gain_after_db=at.key("stable_gain_after_db").number(*_LEVEL_DB),
        added_stable_gain_db=at.key("added_stable_gain_db").number(*_LEVEL_DB),
        in_phase_stable_gain_db=at.key("in_phase_stable_gain_db").number(*_LEVEL_DB),
        in_phase_stable_gain_after_db=at.key("in_phase_stable_gain_after_db").number(*_LEVEL_DB),
        critical=tuple(
            CriticalFrequency(
                frequency_hz=item.key("frequency_hz").number(*_FREQUENCY_HZ),
                gain_db=item.key("gain_db").number(*_LEVEL_DB),
            )
            for item in at.key("critical").items()
        ),
        coherence_median=at.key("coherence_median").number(*_SHARE),
        stable_gain_error_db=at.number_or("stable_gain_error_db", *_LEVEL_DB, default=math.nan),
        stable_gain_by_capture_db=at.numbers("stable_gain_by_capture_db", *_LEVEL_DB),
        added_by_capture_db=at.numbers("added_by_capture_db", *_LEVEL_DB),
        added_by_cuts_db=at.numbers("added_by_cuts_db", *_LEVEL_DB),
        paying_cuts=0 if paying is None else paying.whole(0, 1000),
        tone_removed_db=at.number_or("tone_removed_db", *_LEVEL_DB, default=0.0),
        delay_known=True if delay_known is None else delay_known.flag(),
    )


def _thinning(at: _At) -> ThinningSummary:
    by_distance, assumptions = at.get("sii_by_distance"), at.get("assumptions")
    return ThinningSummary(
        spill_change_db=at.key("spill_change_db").number(*_LEVEL_DB),
        sii_before=at.number_or_none("sii_before", *_SHARE),
        sii_after=at.number_or_none("sii_after", *_SHARE),
        spill_change_a_db=at.number_or_none("spill_change_a_db", *_LEVEL_DB),
        spill_change_c_db=at.number_or_none("spill_change_c_db", *_LEVEL_DB),
        sii_by_distance=tuple(
            IntelligibilityAt(
                mic_distance_m=item.key("mic_distance_m").number(0.0, 100.0),
                sii_before=item.key("sii_before").number(*_SHARE),
                sii_after=item.key("sii_after").number(*_SHARE),
            )
            for item in (by_distance.items() if by_distance else ())
        ),
        assumptions=tuple(item.text() for item in (assumptions.items() if assumptions else ())),
    )


def _ring_out(at: _At) -> RingOutSummary:
    near = at.get("near")
    return RingOutSummary(
        excess_db=_interval(at.key("excess_db")),
        added_db=_interval(at.key("added_db")),
        promised_db=at.key("promised_db").number(*_LEVEL_DB),
        wanted_margin_db=at.key("wanted_margin_db").number(*_LEVEL_DB),
        margin_db=at.key("margin_db").number(*_LEVEL_DB),
        near=tuple(
            NearPoint(
                frequency_hz=item.key("frequency_hz").number(*_FREQUENCY_HZ),
                level_db=item.key("level_db").number(*_LEVEL_DB),
            )
            for item in (near.items() if near else ())
        ),
    )


def _interval(at: _At) -> Interval:
    return Interval(*(at.key(name).number(*_LEVEL_DB) for name in ("low", "likely", "high")))


def _refuse_constant(name: str) -> NoReturn:
    raise PlanError(f"{name} is not a number that a plan may hold")
