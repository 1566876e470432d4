"""Before and after: what dialling a plan in really changed.

Rings are the same where they lie within a few parts in a thousand of each other, as far as warm
air or a nudged mic moves them. A ring-out tells which rings are gone; only a test signal tells how
the response changed, and only its reference tells the stable gain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.findings import LoopResponse, Ring
from shaping.analysis.loop.response import estimate_loop_response
from shaping.analysis.loop.stability import stable_gain
from shaping.analysis.ring_out.rings import find_rings
from shaping.capture.quality import require_usable
from shaping.capture.recording import Capture, CaptureKind, Severity
from shaping.comparison.changes import BandChange, Fate, GainChange, RingChange
from shaping.comparison.diagnosis import Diagnosis, diagnose
from shaping.comparison.measured_change import (
    COMPARED_HIGH_HZ,
    COMPARED_LOW_HZ,
    MeasuredChange,
    change_of_loops,
    change_of_noise,
)
from shaping.comparison.next_step import next_step, record_again
from shaping.errors import CaptureError, ParameterError
from shaping.filters.bands import EDGE_RATIO, midbands_hz
from shaping.filters.design import cascade_sos
from shaping.filters.response import frequency_response, total_db
from shaping.plan.assemble import summarise_capture
from shaping.plan.plan import CaptureSummary, Plan

SAME_RATIO = 0.012
"""Frequencies closer than this are one ring: 0.9 % for 5 kelvin, and a nudge of the mic."""

_Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Comparison:
    """What changed between two captures of one wedge.

    Attributes
    ----------
    before, after : CaptureSummary
        The captures, with what is doubtful about their measurement.
    plan : Plan or None
        What was promised.
    rings : tuple of RingChange
        Remaining and new rings first; empty for a test signal.
    change : MeasuredChange or None
        The measured response change; None for ring-outs, which cannot tell.
    bands : tuple of BandChange
        The same in third octaves.
    gain : GainChange or None
        Only with a reference, and only where neither measurement is doubtful.
    diagnosis : Diagnosis or None
        How the change fits the plan; None without a plan or a response.
    next_step : str
        The one thing to do now.
    doubtful : tuple of str
        Paths of the captures whose measurement with the reference is in doubt; the gain is then
        withheld.
    """

    before: CaptureSummary
    after: CaptureSummary
    plan: Plan | None
    rings: tuple[RingChange, ...]
    change: MeasuredChange | None
    bands: tuple[BandChange, ...]
    gain: GainChange | None
    diagnosis: Diagnosis | None
    next_step: str
    doubtful: tuple[str, ...] = ()


def compare(
    before: Capture | None,
    after: Capture,
    *,
    plan: Plan | None = None,
    reference: Capture | None = None,
) -> Comparison:
    """Compare two captures of one wedge, or a capture with the plan it was made after.

    Parameters
    ----------
    before : Capture or None
        Before dialling in. None takes the rings that the plan was made for.
    after : Capture
        After dialling in: same wedge, same mic, same place.
    plan : Plan or None
        What was to be dialled in.
    reference : Capture or None
        The test signal that was played.

    Returns
    -------
    Comparison

    Raises
    ------
    ParameterError
        If neither `before` nor `plan` is given, or they do not go together, or the captures are
        not of one kind.
    CaptureError
        If a capture cannot answer.

    Examples
    --------
    >>> from shaping import CaptureKind, read_capture
    >>> reference, before, after = (
    ...     read_capture(f"audio_samples/{name}.flac", kind=CaptureKind.PINK_NOISE)
    ...     for name in ("pink_noise_reference", "vocal_wedge_noise", "vocal_wedge_noise_after")
    ... )
    >>> compare(before, after, reference=reference).gain.added_db > 3
    True
    """
    for capture in (before, after):
        if capture is not None:
            require_usable(capture)
    kind = after.kind
    if before is not None and before.kind is not kind:
        raise ParameterError(
            f"before is {before.kind}, after is {kind}: compare two captures of one kind"
        )
    if kind is CaptureKind.RING_OUT:
        if reference is not None:
            raise ParameterError("a ring-out has no reference; leave --reference out")
        return _compare_rings(before, after, plan)
    if before is None:
        raise ParameterError(
            "a plan alone does not say how the response was before; "
            "name the capture made before dialling in as well"
        )
    if kind is CaptureKind.SWEEP and reference is None:
        raise ParameterError("a sweep needs the file that was played; name it with --reference")
    return _compare_responses(before, after, plan, reference)


def match_rings(
    before: Sequence[Ring], after: Sequence[Ring], plan: Plan | None = None
) -> tuple[RingChange, ...]:
    """Pair the rings of two captures: those that remain, then new ones, then those gone."""
    left = list(before)
    changes = []
    for ring in after:
        near = [r for r in left if _same(r, ring)]
        if near:
            was = min(near, key=lambda r: abs(r.frequency_hz - ring.frequency_hz))
            left.remove(was)
            changes.append(RingChange(Fate.REMAINS, was, ring, _promised_at(ring, plan)))
        else:
            changes.append(RingChange(Fate.NEW, None, ring, _promised_at(ring, plan)))
    changes += [RingChange(Fate.GONE, ring, None, _promised_at(ring, plan)) for ring in left]
    order = [Fate.REMAINS, Fate.NEW, Fate.GONE]
    return tuple(sorted(changes, key=lambda c: (order.index(c.fate), not c.certain)))


def _same(one: Ring, other: Ring) -> bool:
    apart = abs(one.frequency_hz - other.frequency_hz)
    return apart <= SAME_RATIO * one.frequency_hz + (one.width_hz + other.width_hz) / 2


def _promised_at(ring: Ring, plan: Plan | None) -> float | None:
    if plan is None:
        return None
    filters = [planned.filter for planned in plan.filters]
    rate_hz = max(48_000.0, 2.1 * ring.frequency_hz)
    return float(total_db(filters, ring.frequency_hz, sample_rate_hz=rate_hz))


def _compare_rings(before: Capture | None, after: Capture, plan: Plan | None) -> Comparison:
    if before is not None:
        found = find_rings(before.samples, before.sample_rate_hz)
        summary = summarise_capture(before)
    elif plan is None:
        raise ParameterError("nothing to compare with; name a capture made before, or a plan")
    elif not plan.captures:
        raise ParameterError("this plan rests on no capture; name the capture made before")
    else:
        found, summary = plan.rings, plan.captures[0]
    rings = match_rings(found, find_rings(after.samples, after.sample_rate_hz), plan)
    return Comparison(
        before=summary,
        after=summarise_capture(after),
        plan=plan,
        rings=rings,
        change=None,
        bands=(),
        gain=None,
        diagnosis=None,
        next_step=next_step(rings, plan),
    )


def _compare_responses(
    before: Capture,
    after: Capture,
    plan: Plan | None,
    reference: Capture | None,
) -> Comparison:
    gain: GainChange | None = None
    doubtful: tuple[str, ...] = ()
    if reference is None:
        change = change_of_noise(before, after)
    else:
        loops = [_loop(capture, reference) for capture in (before, after)]
        change = change_of_loops(*loops)
        before, after = (
            replace(capture, quality=capture.quality + loop.quality)
            for capture, loop in zip((before, after), loops, strict=True)
        )
        doubtful = tuple(
            capture.path
            for capture, loop in zip((before, after), loops, strict=True)
            if any(note.severity is not Severity.INFO for note in loop.quality)
        )
        if not doubtful:
            gain = _gain_change(loops[0], loops[1], plan, before.sample_rate_hz)
    rate_hz = float(before.sample_rate_hz)
    diagnosis = None
    if plan is not None and plan.filters:
        diagnosis = diagnose(change, plan.filters, plan.limits, sample_rate_hz=rate_hz)
    return Comparison(
        before=summarise_capture(before),
        after=summarise_capture(after),
        plan=plan,
        rings=(),
        change=change,
        bands=third_octaves(change, plan, diagnosis, sample_rate_hz=rate_hz),
        gain=gain,
        diagnosis=diagnosis,
        next_step=record_again(doubtful)
        if doubtful
        else next_step((), plan, diagnosis=diagnosis, gain=gain),
        doubtful=doubtful,
    )


def _loop(capture: Capture, reference: Capture) -> LoopResponse:
    return estimate_loop_response(
        capture.samples,
        reference.samples,
        capture_rate_hz=capture.sample_rate_hz,
        reference_rate_hz=reference.sample_rate_hz,
        kind=capture.kind,
    )


def _gain_change(
    before: LoopResponse, after: LoopResponse, plan: Plan | None, sample_rate_hz: float
) -> GainChange:
    promised = None
    if plan is not None:
        sos = cascade_sos([p.filter for p in plan.filters], sample_rate_hz=sample_rate_hz)
        equaliser = frequency_response(sos, before.frequency_hz, sample_rate_hz=sample_rate_hz)
        promised = stable_gain(before, equaliser).worst_case_db
    return GainChange(stable_gain(before).worst_case_db, stable_gain(after).worst_case_db, promised)


def third_octaves(
    change: MeasuredChange,
    plan: Plan | None,
    diagnosis: Diagnosis | None,
    *,
    sample_rate_hz: float,
) -> tuple[BandChange, ...]:
    """Average a measured change, and what a plan promised, over third-octave bands."""
    level_db = diagnosis.level_change_db if diagnosis else float(np.median(change.change_db))
    promised: _Real | None = None
    if plan is not None:
        filters = [planned.filter for planned in plan.filters]
        promised = change.promised_db(filters, sample_rate_hz=sample_rate_hz)
    bands = []
    for exact, nominal in zip(*midbands_hz(COMPARED_LOW_HZ, COMPARED_HIGH_HZ), strict=True):
        inside = np.abs(np.log(change.centre_hz / exact)) <= np.log(EDGE_RATIO)
        if inside.any():
            bands.append(
                BandChange(
                    nominal_hz=nominal,
                    measured_db=float(change.change_db[inside].mean()) - level_db,
                    promised_db=None if promised is None else float(promised[inside].mean()),
                    error_db=float(np.sqrt(np.mean(change.error_db[inside] ** 2) / inside.sum())),
                )
            )
    if not bands:
        raise CaptureError("No band of these captures can be compared; record again, longer.")
    return tuple(bands)
