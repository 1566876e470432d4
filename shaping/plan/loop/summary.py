"""What a plan's loop comes to: gains with their safe ends, what was not measured, what is withheld.

Every absolute gain is that of the send re the recorded files. A number that was not measured is
NaN, which is null in JSON and a reason in words.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from shaping.analysis.findings import LoopResponse
from shaping.analysis.loop.promise import GainInterval, gain_interval, withheld
from shaping.analysis.loop.stability import (
    StableGain,
    in_phase_interval,
    may_be_own_delay,
    stable_gain,
    worst_of,
)
from shaping.filters.design import cascade_sos
from shaping.filters.kinds import Filter
from shaping.filters.response import frequency_response
from shaping.plan.loop.best_cuts import OptimisedCuts
from shaping.plan.loop.unseen import unseen_gain_db
from shaping.plan.loop.wishes import Wishes
from shaping.plan.plan import LoopSummary

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class _Gains:
    """One response under one set of filters."""

    found: StableGain
    interval: GainInterval
    in_phase_db: Span


def summarise(
    responses: Sequence[LoopResponse],
    filters: Sequence[Filter],
    chosen: OptimisedCuts,
    *,
    sample_rate_hz: float,
    wishes: Wishes,
) -> LoopSummary:
    """Return what filters do to one wedge's loops, judged by the worst capture.

    Parameters
    ----------
    responses : sequence of LoopResponse
        One for each capture.
    filters : sequence of Filter
        The whole plan.
    chosen : OptimisedCuts
        The feedback cuts among them, with what other numbers of cuts would add.
    sample_rate_hz : float
        Sample rate of the equaliser, in Hz.
    wishes : Wishes
        Whether player and recorder share a start, and the margin to leave.
    """
    known = wishes.same_start and all(may_be_own_delay(one.delay_s) for one in responses)
    before = [_gains(one, (), sample_rate_hz, known) for one in responses]
    after = [_gains(one, filters, sample_rate_hz, known) for one in responses]
    worst = worst_of([gain.found for gain in before])
    early, late = ([gain.interval.estimate_db for gain in gains] for gains in (before, after))
    late_low_db = min(gain.interval.low_db for gain in after)
    unseen_db = unseen_gain_db(
        [gain.interval.low_db for gain in before],
        [gain.interval.low_db for gain in after],
        added_db=chosen.added_db,
    )
    summary = LoopSummary(
        stable_gain_db=min(early),
        stable_gain_after_db=min(late),
        added_stable_gain_db=min(late) - min(early),
        in_phase_stable_gain_db=min(gain.in_phase_db[0] for gain in before),
        in_phase_stable_gain_after_db=min(gain.in_phase_db[0] for gain in after),
        critical=worst.critical,
        coherence_median=min(response.coherence_median for response in responses),
        stable_gain_error_db=worst.error_db,
        stable_gain_by_capture_db=tuple(early),
        added_by_capture_db=tuple(b - a for a, b in zip(early, late, strict=True)),
        added_by_cuts_db=tuple(chosen.fixed_db + added for added in chosen.curve_db),
        paying_cuts=chosen.paying,
        tone_removed_db=chosen.tone_db,
        delay_known=known,
        measured_hz=measured_by_all([response.measured_hz for response in responses]),
        stable_gain_low_db=min(gain.interval.low_db for gain in before),
        stable_gain_after_low_db=late_low_db,
        in_phase_stable_gain_high_db=min(gain.in_phase_db[1] for gain in before),
        in_phase_stable_gain_after_high_db=min(gain.in_phase_db[1] for gain in after),
        stable_gain_after_unseen_db=unseen_db,
        margin_db=wishes.loop_margin_db,
        send_db=min(late_low_db - wishes.loop_margin_db, unseen_db),
        gain_for_tone=chosen.gain_for_tone,
    )
    return without_promise(summary) if any(withheld(one) for one in responses) else summary


def without_promise(summary: LoopSummary) -> LoopSummary:
    """Return a summary with every gain withheld; where the loop is highest stays."""
    return replace(
        summary,
        stable_gain_db=math.nan,
        stable_gain_after_db=math.nan,
        added_stable_gain_db=math.nan,
        in_phase_stable_gain_db=math.nan,
        in_phase_stable_gain_after_db=math.nan,
        critical=tuple(replace(one, gain_db=math.nan) for one in summary.critical),
        stable_gain_error_db=math.nan,
        stable_gain_by_capture_db=(),
        added_by_capture_db=(),
        added_by_cuts_db=(),
        stable_gain_low_db=math.nan,
        stable_gain_after_low_db=math.nan,
        in_phase_stable_gain_high_db=math.nan,
        in_phase_stable_gain_after_high_db=math.nan,
        stable_gain_after_unseen_db=math.nan,
        send_db=math.nan,
        gain_for_tone=(),
    )


def measured_by_all(bands: Sequence[tuple[Span, ...]]) -> tuple[Span, ...]:
    """Return the bands that every capture measured.

    >>> measured_by_all([((40.0, 16000.0),), ((50.0, 300.0), (500.0, 9000.0))])
    ((50.0, 300.0), (500.0, 9000.0))
    """
    common, *others = bands
    for other in others:
        overlaps = [(max(a, c), min(b, d)) for a, b in common for c, d in other]
        common = tuple((low, high) for low, high in overlaps if low < high)
    return tuple(common)


def _gains(
    response: LoopResponse, filters: Sequence[Filter], rate: float, same_start: bool
) -> _Gains:
    equaliser = None
    if filters:
        inside = np.minimum(response.frequency_hz, 0.5 * rate)
        sos = cascade_sos(filters, sample_rate_hz=rate)
        equaliser = frequency_response(sos, inside, sample_rate_hz=rate)
    return _Gains(
        stable_gain(response, equaliser),
        gain_interval(response, equaliser),
        in_phase_interval(response, equaliser, same_start=same_start),
    )
