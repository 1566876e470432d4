"""From a walk to a plan: broad, shallow cuts; the rest is the way and the level.

Narrow cuts answer the peaks of one place and meet others a step further; what holds all along a
walk is the wedge's and the mic's own shape. So cuts are at least a third of an octave wide and at
most 6 dB deep, and are judged on every block that was measured.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.findings import CriticalFrequency
from shaping.analysis.loop.faults import MeasurementFault, fluctuation
from shaping.analysis.walk.along import CHANCE, Along, Walk, along, follow
from shaping.capture.quality import QualityCode, require_usable
from shaping.capture.recording import Capture, QualityNote, Severity
from shaping.equaliser.limits import Limits
from shaping.equaliser.menu import Settings, feedback_settings, removed_tone_db
from shaping.errors import CaptureError
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.response import total_db
from shaping.plan.assemble import Evidence, assemble_plan, planned_filter
from shaping.plan.loop.cut_search import CutSearch, Index
from shaping.plan.loop.level_curve import LevelCurve, upper_points
from shaping.plan.loop.wishes import Favour, Wishes
from shaping.plan.plan import LoopSummary, PlannedFilter, Purpose
from shaping.plan.thinning.effect import thinning_summary
from shaping.plan.thinning.starting_points import ThinningAmount, left_out, thinning_filters
from shaping.plan.walk.stretches import heard_at, stretches_of, without_worst_db, worst_seconds
from shaping.plan.walk.walk_plan import Mark, WalkPlan
from shaping.text.frequency import frequency_text

WIDEST_WALK_Q, NARROWEST_WALK_Q = 1.4, 4.3
"""A third of an octave at least: a walker passes narrower peaks within a step (diffuse fields are
unlike after 10 cm at 1 kHz)."""

DEEPEST_WALK_DB = 6.0
"""Deeper is tone lost all along the way for one place of it."""

MOST_WALK_CUTS = 4
WORTH_DB = 0.3
"""A further cut that adds less than this over the whole walk is not set."""

_TONE_WEIGHTS = {Favour.TONE: 2.5, Favour.BALANCED: 1.5, Favour.GAIN: 1.0}
"""Stable gain that each dB of removed level must bring: at 1 the fader would do as well."""

_UNSTEADY_RATIO = 3.0
_LITTLE_EXPLAINED = 0.3
_MOST_CRITICAL = 8
_ENOUGH_MEASURED = 0.7

_EXPECTED = frozenset({QualityCode.UNSTEADY_LEVEL})
"""What a recording at one place is warned of, and a walk is made of."""

_Real = NDArray[np.float64]


def plan_walk(
    capture: Capture,
    reference: Capture,
    limits: Limits,
    *,
    thinning: ThinningAmount = ThinningAmount.LIGHT,
    wishes: Wishes | None = None,
    marks: Sequence[Mark] = (),
) -> WalkPlan:
    """Plan one wedge or side fill for a mic that is carried about.

    Parameters
    ----------
    capture : Capture
        Recorded while the mic was carried and the noise played, its send muted.
    reference : Capture
        The noise that was played.
    limits : Limits
        The equaliser.
    thinning : ThinningAmount
        How much to thin.
    wishes : Wishes, optional
        How many cuts, how much gain for how much tone, the margin.
    marks : sequence of Mark
        Places, by their time in the recording.

    Returns
    -------
    WalkPlan

    Raises
    ------
    CaptureError
        If the reference is not to be found in the recording, is no noise, or nothing of the walk
        could be measured.
    """
    asked = wishes or Wishes()
    capture = replace(
        capture, quality=tuple(note for note in capture.quality if note.code not in _EXPECTED)
    )
    require_usable(capture)
    _refuse_programme(reference)
    walk = follow(
        capture.samples,
        reference.samples,
        capture_rate_hz=capture.sample_rate_hz,
        reference_rate_hz=reference.sample_rate_hz,
    )
    if not walk.measured.any():
        raise CaptureError(
            "nothing of this walk could be measured: play the noise louder, keep talk away from "
            "the mic, and walk slowly"
        )
    rate = float(max(capture.sample_rate_hz, 44_100))
    fixed = thinning_filters(thinning, limits)
    before = along(walk)
    cuts = _chosen_cuts(walk, limits, [one.filter for one in fixed], asked, rate)
    after = along(walk, _effect_db(walk, [*(one.filter for one in fixed), *cuts], rate))
    planned = _planned(walk, before, [one.filter for one in fixed], cuts, limits, rate)
    places = tuple(sorted(marks, key=lambda mark: mark.at_s))
    stretches = stretches_of(walk, before, after, places)
    judged = replace(capture, quality=(*capture.quality, *_notes(walk)))
    tone_db = sum(float(removed_tone_db(c.gain_db or 0.0, c.q or 1.0, kind=c.kind)) for c in cuts)
    summary = replace(
        _summary(walk, before, after, asked.loop_margin_db),
        tone_removed_db=tone_db,
    )
    plan = assemble_plan(
        [judged],
        limits,
        [*fixed, *planned],
        evidence=Evidence(loop=summary),
        thinning=thinning_summary(one.filter for one in fixed) if fixed else None,
        cautions=[_UNWALKED, _DYNAMICS, *_about_cuts(cuts, limits), *left_out(thinning, limits)],
    )
    return WalkPlan(
        plan=plan,
        walk=walk,
        before=before,
        after=after,
        marks=places,
        stretches=stretches,
        worst=worst_seconds(walk, after, places),
        heard_s=heard_at(walk),
        without_worst_db=without_worst_db(stretches),
    )


_UNWALKED = (
    "This holds where the mic was carried, as it was held: a hand round it, or a turn towards the "
    "wedge, costs more."
)
_DYNAMICS = (
    "Along a walk nobody can tell a limiter, a compressor or a gate from the way: switch dynamics "
    "and automatic gain off while you record, or the send told is too high."
)
_NO_BROAD = (
    "This equaliser has no broad band, and narrow ones do not hold along a walk: go by the places "
    "and the send."
)
_NO_CUT = "No broad cut pays all along this walk: go by the places and the send."


def _about_cuts(cuts: Sequence[Filter], limits: Limits) -> list[str]:
    if cuts:
        return []
    return [_NO_CUT if _settings(limits, 48_000.0) is not None else _NO_BROAD]


def _refuse_programme(reference: Capture) -> None:
    if fluctuation(reference.samples, sample_rate_hz=reference.sample_rate_hz) > _UNSTEADY_RATIO:
        raise CaptureError(
            "the reference is not steady noise, and a walk needs it: with music or a sweep some "
            "places would hardly be heard; play pink noise (shaping signal pink-noise)"
        )


def _notes(walk: Walk) -> list[QualityNote]:
    notes = []
    share = float(np.mean(walk.measured))
    if share < _ENOUGH_MEASURED:
        notes.append(
            QualityNote(
                "walk-gaps",
                Severity.WARNING,
                f"Only {100 * share:.0f} % of this recording could be measured: the noise did not "
                "play, was too soft, or something else was louder. What was not measured is not "
                "promised.",
            )
        )
    explained = float(np.median(walk.explained[walk.measured]))
    if explained < _LITTLE_EXPLAINED:
        notes.append(
            QualityNote(
                MeasurementFault.LOW_SNR,
                Severity.WARNING,
                f"Only {100 * explained:.0f} % of what the mic heard follows the noise: walk more "
                "slowly, or play it louder, and more can be promised.",
            )
        )
    return notes


def _settings(limits: Limits, rate: float) -> Settings | None:
    """Return broad and shallow settings; None where the equaliser has none."""
    if limits.band_kind is FilterKind.NOTCH:
        return None
    settings = feedback_settings(
        limits, sample_rate_hz=rate, widest_q=WIDEST_WALK_Q, narrowest_q=NARROWEST_WALK_Q
    )
    if settings is None:
        return None
    shallow = settings.gain_db[:, 0] >= -DEEPEST_WALK_DB
    broad = settings.q[shallow].max(axis=0) <= NARROWEST_WALK_Q * 1.1 if shallow.any() else shallow
    if not np.any(broad):
        return None
    return replace(
        settings,
        gain_db=settings.gain_db[shallow][:, broad],
        q=settings.q[shallow][:, broad],
        tone_db=settings.tone_db[shallow][:, broad],
    )


def _chosen_cuts(
    walk: Walk, limits: Limits, fixed: Sequence[Filter], asked: Wishes, rate: float
) -> tuple[Filter, ...]:
    """Return the cuts that pay over the whole walk."""
    settings = _settings(limits, rate)
    taken = sum(one.kind is not FilterKind.HIGH_PASS for one in fixed)
    most = min(limits.bands - taken, MOST_WALK_CUTS if asked.cuts is None else asked.cuts)
    if settings is None or most <= 0:
        return ()
    frequency_hz, level_db = upper_points([_upper_curve(walk)], fixed, sample_rate_hz=rate)
    search = CutSearch(
        frequency_hz,
        level_db,
        settings,
        tone_weight=_TONE_WEIGHTS[asked.favoured],
        sample_rate_hz=rate,
    )
    best: list[Index] = []
    chosen: tuple[Filter, ...] = ()
    gain_db = _least_db(walk, fixed, rate)
    for _ in range(most):
        grown = search.extend(best)
        filters = search.filters(search.without_shallow(grown))
        grown_db = _least_db(walk, [*fixed, *filters], rate)
        if search.net_db(grown) <= search.net_db(best) or grown_db < gain_db + WORTH_DB:
            break
        best, chosen, gain_db = grown, filters, grown_db
    return chosen


def _upper_curve(walk: Walk) -> LevelCurve:
    """Return the highest level that any block may have had at each frequency."""
    reach = math.sqrt(math.log(walk.frequency_hz.size / CHANCE))
    upper = walk.size[walk.measured] + reach * np.sqrt(walk.variance[walk.measured])
    level_db = 20 * np.log10(np.maximum(upper.max(axis=0).astype(np.float64), 1e-12))
    return LevelCurve(walk.frequency_hz, level_db, np.zeros(walk.frequency_hz.size))


def _effect_db(walk: Walk, filters: Sequence[Filter], rate: float) -> _Real:
    return total_db(filters, walk.frequency_hz, sample_rate_hz=rate)


def _least_db(walk: Walk, filters: Sequence[Filter], rate: float) -> float:
    """Return the safe end of the send that the whole walk allows."""
    found = along(walk, _effect_db(walk, filters, rate) if filters else None)
    return float(np.nanmin(found.low_db))


def _planned(
    walk: Walk,
    before: Along,
    fixed: Sequence[Filter],
    cuts: Sequence[Filter],
    limits: Limits,
    rate: float,
) -> list[PlannedFilter]:
    whole_db = _least_db(walk, [*fixed, *cuts], rate)
    planned = []
    for cut in cuts:
        others = [one for one in (*fixed, *cuts) if one is not cut]
        worth_db = whole_db - _least_db(walk, others, rate)
        effect_db = float(total_db([*fixed, *cuts], [cut.frequency_hz], sample_rate_hz=rate)[0])
        planned.append(
            planned_filter(
                cut,
                limits,
                purpose=Purpose.FEEDBACK,
                reason=(
                    f"high around {frequency_text(cut.frequency_hz)} along the walk; without this "
                    f"cut the whole walk loses {max(worth_db, 0.0):.1f} dB"
                ),
                effect_db=effect_db,
            )
        )
    return planned


def _summary(walk: Walk, before: Along, after: Along, margin_db: float) -> LoopSummary:
    """Return the worst of the whole walk."""
    low_db, after_low_db = (float(np.nanmin(one.low_db)) for one in (before, after))
    likely_db, after_likely_db = (float(np.nanmin(one.likely_db)) for one in (before, after))
    order = np.argsort(np.where(np.isnan(before.low_db), np.inf, before.low_db))
    critical: list[CriticalFrequency] = []
    for block in order[: int(walk.measured.sum())]:
        hz = float(before.frequency_hz[block])
        if all(abs(math.log2(hz / one.frequency_hz)) > 1 / 6 for one in critical):
            critical.append(CriticalFrequency(hz, float(before.low_db[block])))
    return LoopSummary(
        stable_gain_db=likely_db,
        stable_gain_after_db=after_likely_db,
        added_stable_gain_db=after_low_db - low_db,
        in_phase_stable_gain_db=math.nan,
        in_phase_stable_gain_after_db=math.nan,
        critical=tuple(critical[:_MOST_CRITICAL]),
        coherence_median=float(np.clip(np.median(walk.explained[walk.measured]), 0.0, 1.0)),
        delay_known=False,
        measured_hz=((float(walk.frequency_hz[0]), float(walk.frequency_hz[-1])),),
        stable_gain_low_db=low_db,
        stable_gain_after_low_db=after_low_db,
        margin_db=margin_db,
        send_db=after_low_db - margin_db,
    )
