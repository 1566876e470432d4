"""One wedge's plan within the stage: its settings, the reason of each, its own loop's figures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.findings import LoopResponse
from shaping.analysis.loop.stability import critical_frequencies
from shaping.analysis.noise.resonances import resonances_of, response_spectrum
from shaping.equaliser.limits import Limits
from shaping.filters.design import cascade_sos
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.response import frequency_response, total_db
from shaping.plan.assemble import Evidence, assemble_plan, planned_filter
from shaping.plan.loop.best_cuts import OptimisedCuts
from shaping.plan.plan import LoopSummary, Plan, PlannedFilter, Purpose
from shaping.plan.ring_out.planner import plan_from_rings
from shaping.plan.suggestion import Suggestion
from shaping.plan.thinning.effect import thinning_summary
from shaping.plan.thinning.planner import thin
from shaping.plan.thinning.starting_points import left_out, thinning_filters
from shaping.stage.description.stage import Stage, Wedge
from shaping.stage.loops.margins import first_crossing
from shaping.stage.loops.matrix import PathMatrix
from shaping.stage.loops.together import UNKNOWN_DELAYS_S
from shaping.stage.measure import Measured, RungOut
from shaping.text.frequency import frequency_text

_RATE_HZ = 48_000.0  # what nearly all desks run at; bells keep their width up to Nyquist
_REACH_OCT = 0.5  # beyond half an octave even a broad cut does next to nothing
_SAME_OCT = 1 / 24  # half a semitone: one peak, seen twice
_TOLD_DB = 0.05  # what is shown as 0.0 dB is not told

_Real = NDArray[np.float64]


def thinning_of(wedge: Wedge) -> tuple[PlannedFilter, ...]:
    """Return what a wedge is thinned with."""
    return thinning_filters(wedge.thinning, wedge.limits, use=wedge.use)


def measured_plan(
    stage: Stage,
    w: int,
    measured: Sequence[Measured],
    matrices: Sequence[PathMatrix],
    chosen: OptimisedCuts,
    worth_db: Sequence[float],
    *,
    given: Sequence[Filter] | None = None,
) -> Suggestion:
    """Return the plan of one measured wedge.

    Parameters
    ----------
    stage : Stage
        The stage.
    w : int
        The wedge's place in it.
    measured : sequence of Measured
        Its recordings.
    matrices : sequence of PathMatrix
        One for each position of the mics.
    chosen : OptimisedCuts
        Its feedback cuts.
    worth_db : sequence of float
        What each of them is worth to all sends together; empty where nothing may be promised.
    given : sequence of Filter, optional
        Settings to take as they are, in place of thinning and cuts.

    Returns
    -------
    Suggestion
        With the captures and loops of the mics that are open in it, or of all if none is.
    """
    wedge = stage.wedges[w]
    open_mics = {send.mic for send in stage.sends if send.wedge == wedge.name}
    pairs = [
        (capture, loop)
        for one in measured
        for mic, capture, loop in zip(one.mics, one.captures, one.loops, strict=True)
        if mic in open_mics or not open_mics
    ] or [
        (capture, loop)
        for one in measured
        for capture, loop in zip(one.captures, one.loops, strict=True)
    ]
    captures, responses = zip(*pairs, strict=True)
    if given is None:
        thinning = thinning_of(wedge)
        fixed = [one.filter for one in thinning]
        cuts: Sequence[Filter] = chosen.cuts
    else:
        thinning, fixed, cuts = (), [], given
    everything = [*fixed, *cuts]
    curves = _own_curves(stage, w, matrices)
    loop = _summary(stage, w, matrices, everything, chosen, responses) if curves else None
    if given is None:
        worths: Sequence[float | None] = worth_db or [None] * len(cuts)
        planned = [
            _planned(one, worth, everything, curves, wedge.limits)
            for one, worth in zip(cuts, worths, strict=True)
        ]
    else:
        planned = [_as_given(one, wedge.limits) for one in given]
    # One path tells the wedge's own resonances; the strongest is the clearest.
    strongest = max(responses, key=lambda one: float(np.abs(one.response[one.trusted]).max()))
    plan = assemble_plan(
        captures,
        wedge.limits,
        [*thinning, *planned],
        evidence=Evidence(resonances=resonances_of(response_spectrum(strongest)), loop=loop),
        thinning=thinning_summary(fixed, use=wedge.use) if thinning else None,
        cautions=left_out(wedge.thinning, wedge.limits, use=wedge.use) if given is None else (),
    )
    return Suggestion(plan, tuple(captures), tuple(responses))


def rung_out_plan(
    wedge: Wedge, rung_out: RungOut, *, given: Sequence[Filter] | None = None
) -> Suggestion:
    """Return the plan of a wedge that was rung out: which frequencies, and no margin."""
    plan = plan_from_rings(rung_out.captures, rung_out.rings, wedge.limits, thinning=wedge.thinning)
    return Suggestion(_with_given(plan, wedge, given), rung_out.captures, ())


def thinned_plan(wedge: Wedge, *, given: Sequence[Filter] | None = None) -> Suggestion:
    """Return the plan of a wedge of which nothing was recorded: thinning alone."""
    suggestion = thin(wedge.limits, amount=wedge.thinning, use=wedge.use)
    return replace(suggestion, plan=_with_given(suggestion.plan, wedge, given))


def _with_given(plan: Plan, wedge: Wedge, given: Sequence[Filter] | None) -> Plan:
    if given is None:
        return plan
    planned = tuple(_as_given(one, wedge.limits) for one in given)
    return replace(plan, filters=planned, thinning=None)


def _as_given(one: Filter, limits: Limits) -> PlannedFilter:
    thins = one.kind is FilterKind.HIGH_PASS
    return planned_filter(
        one,
        limits,
        purpose=Purpose.THINNING if thins else Purpose.FEEDBACK,
        reason="as it was given",
    )


def _own_curves(stage: Stage, w: int, matrices: Sequence[PathMatrix]) -> list[tuple[_Real, _Real]]:
    """Return frequencies and level of the wedge's own loop, flat equaliser, at each position."""
    sends = stage.send_matrix[w]
    flat_db = _in_place_db(stage.wedges[w], matrices[0].frequency_hz)
    curves = []
    for one in matrices:
        size = one.magnitude()[:, :, w] @ sends
        seen = size > 0
        if seen.any():
            level = 20 * np.log10(size[seen]) - flat_db[seen]
            curves.append((one.frequency_hz[seen], level))
    return curves


def _in_place_db(wedge: Wedge, frequency_hz: _Real) -> _Real:
    inside = np.clip(frequency_hz, 1.0, 0.499 * _RATE_HZ)
    return np.asarray(total_db(wedge.in_place, inside, sample_rate_hz=_RATE_HZ))


def _planned(
    one: Filter,
    worth_db: float | None,
    everything: Sequence[Filter],
    curves: Sequence[tuple[_Real, _Real]],
    limits: Limits,
) -> PlannedFilter:
    """Return a cut with where its wedge's loop is highest in its reach, and what it is worth."""
    others = [other for other in everything if other is not one]
    reach = min(_REACH_OCT, 1.0 / (one.q or 4.0)) + _SAME_OCT
    top, where = -math.inf, one.frequency_hz
    with_db = without_db = -math.inf
    for frequency_hz, level in curves:
        rest = level + total_db(others, frequency_hz, sample_rate_hz=_RATE_HZ)
        without_db = max(without_db, float(rest.max()))
        whole = level + total_db(everything, frequency_hz, sample_rate_hz=_RATE_HZ)
        with_db = max(with_db, float(whole.max()))
        near = np.abs(np.log2(np.maximum(frequency_hz, 1.0) / one.frequency_hz)) < reach
        if near.any() and float(rest[near].max()) > top:
            top = float(rest[near].max())
            where = float(frequency_hz[near][int(np.argmax(rest[near]))])
    told = "" if worth_db is None else f"; {_worth_text(worth_db, without_db - with_db)}"
    return planned_filter(
        one,
        limits,
        purpose=Purpose.FEEDBACK,
        reason=f"its loop stands out at {frequency_text(where)}{told}",
        effect_db=float(total_db(everything, [where], sample_rate_hz=_RATE_HZ)[0]),
    )


def _worth_text(together_db: float, own_db: float) -> str:
    worth = []
    if together_db >= _TOLD_DB:
        worth.append(f"all sends together could go up {together_db:.1f} dB less")
    if own_db >= _TOLD_DB:
        worth.append(f"this wedge alone {'' if worth else 'could go up '}{own_db:.1f} dB less")
    return f"without this cut {' and '.join(worth)}" if worth else "it counts with the other cuts"


def _summary(
    stage: Stage,
    w: int,
    matrices: Sequence[PathMatrix],
    filters: Sequence[Filter],
    chosen: OptimisedCuts,
    responses: Sequence[LoopResponse],
) -> LoopSummary:
    """Return the figures of the wedge alone with all its open mics: as it is, and as planned."""
    sends = stage.send_matrix[w]
    before, after, in_phase, in_phase_after, critical = [], [], [], [], []
    for one in matrices:
        size = one.magnitude()[:, :, w] @ sends
        if not size.any():
            continue
        inside = np.clip(one.frequency_hz, 1.0, 0.499 * _RATE_HZ)
        new = frequency_response(
            cascade_sos(filters, sample_rate_hz=_RATE_HZ), inside, sample_rate_hz=_RATE_HZ
        )
        old = frequency_response(
            cascade_sos(stage.wedges[w].in_place, sample_rate_hz=_RATE_HZ),
            inside,
            sample_rate_hz=_RATE_HZ,
        )
        change = new / np.where(np.abs(old) < 1e-5, 1e-5, old)
        with np.errstate(divide="ignore"):
            level, level_after = 20 * np.log10(size), 20 * np.log10(size * np.abs(change))
        found = critical_frequencies(one.frequency_hz, level)
        critical.append((found[0].gain_db, found))
        before.append(found[0].gain_db)
        after.append(critical_frequencies(one.frequency_hz, level_after, count=1)[0].gain_db)
        in_phase.append(-_in_phase_db(one, w, sends, None))
        in_phase_after.append(-_in_phase_db(one, w, sends, change))
    return LoopSummary(
        stable_gain_db=min(before),
        stable_gain_after_db=min(after),
        added_stable_gain_db=min(after) - min(before),
        in_phase_stable_gain_db=min(in_phase),
        in_phase_stable_gain_after_db=min(in_phase_after),
        critical=min(critical)[1],
        coherence_median=min(response.coherence_median for response in responses),
        stable_gain_by_capture_db=tuple(before),
        added_by_capture_db=tuple(b - a for a, b in zip(before, after, strict=True)),
        added_by_cuts_db=tuple(chosen.fixed_db + one for one in chosen.curve_db),
        paying_cuts=chosen.paying,
        tone_removed_db=chosen.tone_db,
        delay_known=all(one.delay_known for one in matrices),
    )


def _in_phase_db(
    one: PathMatrix, w: int, sends: _Real, change: NDArray[np.complex128] | None
) -> float:
    known = one.delay_known
    paths = one.delayed(None if known else np.zeros(one.delay_s.size))[:, :, w] @ sends
    if change is not None:
        paths = paths * change
    levels = []
    for delay_s in [0.0] if known else UNKNOWN_DELAYS_S:
        turned = paths * np.exp(-2j * np.pi * one.frequency_hz * delay_s)
        levels.append(first_crossing(one.frequency_hz, turned[:, None, None]).level_db)
    return float(np.median(levels))
