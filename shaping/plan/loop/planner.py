"""From the quiet ring-out to a plan: noise or a sweep in, no howl.

With the test signal at hand there is a loop response for every capture, and the cuts are those
that add the most stable gain for the tone they remove, judged by the worst capture. Without it
there are resonances over a trend, and cuts for those.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from shaping.analysis.findings import CriticalFrequency, LoopResponse, Resonance
from shaping.analysis.loop.stability import StableGain, stable_gain, worst_of
from shaping.analysis.noise.resonances import (
    MOST_RESONANCES,
    fitted_level_db,
    pink_spectrum,
    resonances_of,
    response_spectrum,
)
from shaping.capture.recording import Capture
from shaping.equaliser.limits import Limits
from shaping.errors import ParameterError
from shaping.filters.design import cascade_sos
from shaping.filters.kinds import Filter
from shaping.filters.response import frequency_response, total_db
from shaping.plan.assemble import assemble_plan, planned_filter
from shaping.plan.loop.best_cuts import (
    WORTHWHILE_DB,
    OptimisedCuts,
    added_gain_db,
    optimise_curves,
    optimise_cuts,
)
from shaping.plan.loop.level_curve import LevelCurve, level_curve
from shaping.plan.plan import LoopSummary, Plan, PlannedFilter, Purpose
from shaping.plan.thinning.effect import thinning_summary
from shaping.plan.thinning.starting_points import ThinningAmount, left_out, thinning_filters
from shaping.text.frequency import frequency_text

_SAME_OCT = 1 / 24
_CUT_REACH_OCT = 0.5
_LITTLE_PER_CUT_DB = 0.75
_WITHOUT_REFERENCE = (
    "There was no reference: the peaks are seen, the gain at which the loop howls is not. The same "
    "recording with the file that was played (--reference) gives the stable gain, and shows where "
    "the measurement can be trusted."
)
_PINK_ASSUMED = (
    "The test signal is taken to be pink noise: another spectrum would show as a false trend."
)


def plan_from_loop(
    captures: Sequence[Capture],
    responses: Sequence[LoopResponse],
    limits: Limits,
    *,
    thinning: ThinningAmount = ThinningAmount.LIGHT,
    cuts: int | None = None,
) -> Plan:
    """Plan thinning and feedback cuts for one wedge from its loop responses.

    Parameters
    ----------
    captures : sequence of Capture
        Captures of one wedge, with all quality notes.
    responses : sequence of LoopResponse
        One for each capture.
    limits : Limits
        The equaliser.
    thinning : ThinningAmount
        How much to thin.
    cuts : int or None
        At most so many feedback cuts; None for as many as pay.

    Returns
    -------
    Plan

    Raises
    ------
    ParameterError
        If there is no capture, or captures and responses do not match.
    CaptureError
        If a response cannot be trusted anywhere.
    """
    _check(captures, responses, cuts)
    rate = float(captures[0].sample_rate_hz)
    thin = thinning_filters(thinning, limits)
    fixed = [planned.filter for planned in thin]
    chosen = optimise_cuts(responses, limits, fixed=fixed, cuts=cuts, sample_rate_hz=rate)
    before = [stable_gain(response) for response in responses]
    after = [_stable_with(response, [*fixed, *chosen.cuts], rate) for response in responses]
    loop = _summary(responses, before, after, chosen)
    curves = [level_curve(response) for response in responses]
    planned = _planned_cuts(chosen, curves, fixed, limits, rate, loop.critical)
    resonances = _merged([resonances_of(response_spectrum(response)) for response in responses])
    return assemble_plan(
        captures,
        limits,
        [*thin, *planned],
        resonances=resonances,
        loop=loop,
        thinning=thinning_summary(fixed) if thin else None,
        cautions=[
            *_loop_cautions(loop, len(planned), cuts),
            *_band_cautions(limits),
            *left_out(thinning, limits),
        ],
    )


def plan_from_resonances(
    captures: Sequence[Capture],
    resonances: Sequence[Sequence[Resonance]],
    limits: Limits,
    *,
    thinning: ThinningAmount = ThinningAmount.LIGHT,
    cuts: int | None = None,
) -> Plan:
    """Plan thinning and feedback cuts from pink noise without its reference.

    The level the cuts work on is the trend with the significant resonances on it: nothing that
    chance put into the spectrum is cut.

    Parameters
    ----------
    captures : sequence of Capture
        Captures of one wedge; each is brought to the same average level first.
    resonances : sequence of sequence of Resonance
        What `find_resonances` found in each.
    limits : Limits
        The equaliser.
    thinning, cuts : ThinningAmount, int or None
        As in `plan_from_loop`.

    Returns
    -------
    Plan
        Without a loop summary; a caution says what a reference would add.

    Raises
    ------
    ParameterError
        If there is no capture, or captures and resonances do not match.
    CaptureError
        If a capture is too short.
    """
    _check(captures, resonances, cuts)
    rate = float(captures[0].sample_rate_hz)
    thin = thinning_filters(thinning, limits)
    fixed = [planned.filter for planned in thin]
    curves = [
        _fitted_curve(capture, found) for capture, found in zip(captures, resonances, strict=True)
    ]
    chosen = optimise_curves(curves, limits, fixed=fixed, cuts=cuts, sample_rate_hz=rate)
    merged = _merged(resonances)
    planned = _planned_cuts(chosen, curves, fixed, limits, rate, ())
    said = [_WITHOUT_REFERENCE, _PINK_ASSUMED]
    if not merged:
        said.append(
            "Nothing stands out of the smooth trend by more than chance: no peak asks for a cut."
        )
    elif planned:
        said.append(
            f"If the noise was pink, the feedback cuts lower the highest peak by "
            f"{chosen.added_db:.1f} dB."
        )
    return assemble_plan(
        captures,
        limits,
        [*thin, *planned],
        resonances=merged,
        thinning=thinning_summary(fixed) if thin else None,
        cautions=[*said, *_band_cautions(limits), *left_out(thinning, limits)],
    )


def _check(captures: Sequence[Capture], findings: Sequence[object], cuts: int | None) -> None:
    if not captures:
        raise ParameterError("a plan needs at least one capture; name a recording")
    if len(captures) != len(findings):
        raise ParameterError(f"{len(captures)} captures do not match {len(findings)} findings")
    if cuts is not None and cuts < 0:
        raise ParameterError(f"the number of cuts must be 0 or more, not {cuts}")


def _stable_with(response: LoopResponse, filters: Sequence[Filter], rate: float) -> StableGain:
    inside = np.minimum(response.frequency_hz, 0.5 * rate)
    equaliser = frequency_response(
        cascade_sos(filters, sample_rate_hz=rate), inside, sample_rate_hz=rate
    )
    return stable_gain(response, equaliser)


def _summary(
    responses: Sequence[LoopResponse],
    before: Sequence[StableGain],
    after: Sequence[StableGain],
    chosen: OptimisedCuts,
) -> LoopSummary:
    worst, left = worst_of(before), worst_of(after)
    return LoopSummary(
        stable_gain_db=worst.worst_case_db,
        stable_gain_after_db=left.worst_case_db,
        added_stable_gain_db=left.worst_case_db - worst.worst_case_db,
        in_phase_stable_gain_db=worst.in_phase_db,
        in_phase_stable_gain_after_db=left.in_phase_db,
        critical=worst.critical,
        coherence_median=min(response.coherence_median for response in responses),
        stable_gain_error_db=worst.error_db,
        stable_gain_by_capture_db=tuple(gain.worst_case_db for gain in before),
        added_by_capture_db=tuple(
            late.worst_case_db - early.worst_case_db
            for early, late in zip(before, after, strict=True)
        ),
        added_by_cuts_db=tuple(chosen.fixed_db + added for added in chosen.curve_db),
        paying_cuts=chosen.paying,
        tone_removed_db=chosen.tone_db,
        delay_known=all(gain.delay_known for gain in before),
    )


def _planned_cuts(
    chosen: OptimisedCuts,
    curves: Sequence[LevelCurve],
    fixed: Sequence[Filter],
    limits: Limits,
    rate: float,
    critical: Sequence[CriticalFrequency],
) -> list[PlannedFilter]:
    """Return the cuts with their reasons: where the loop is highest, and what each cut is worth."""
    everything = [*fixed, *chosen.cuts]
    whole = added_gain_db(curves, everything, sample_rate_hz=rate)
    planned = []
    for cut in chosen.cuts:
        others = [one for one in everything if one is not cut]
        worth = whole - added_gain_db(curves, others, sample_rate_hz=rate)
        peak_hz = _highest_near(cut, curves, others, rate)
        howls = next(
            (c for c in critical if abs(np.log2(c.frequency_hz / peak_hz)) < _SAME_OCT), None
        )
        what = (
            f"the loop can howl at {frequency_text(peak_hz)} from {howls.gain_db:+.1f} dB of send"
            if howls
            else f"highest point near here at {frequency_text(peak_hz)}"
        )
        effect = float(total_db(everything, [peak_hz], sample_rate_hz=rate)[0])
        planned.append(
            planned_filter(
                cut,
                limits,
                purpose=Purpose.FEEDBACK,
                reason=f"{what}; without this cut the plan adds {max(worth, 0.0):.1f} dB less",
                effect_db=effect,
            )
        )
    return planned


def _highest_near(
    cut: Filter, curves: Sequence[LevelCurve], others: Sequence[Filter], rate: float
) -> float:
    """Return where the loop would be highest within the cut's reach, were it left out."""
    reach = min(_CUT_REACH_OCT, 1.0 / (cut.q or 4.0)) + _SAME_OCT
    best = (-np.inf, cut.frequency_hz)
    for curve in curves:
        near = np.abs(np.log2(curve.frequency_hz / cut.frequency_hz)) < reach
        if near.any():
            frequency_hz = curve.frequency_hz[near]
            level = curve.level_db[near] + total_db(others, frequency_hz, sample_rate_hz=rate)
            at = int(np.argmax(level))
            best = max(best, (float(level[at]), float(frequency_hz[at])))
    return best[1]


def _fitted_curve(capture: Capture, resonances: Sequence[Resonance]) -> LevelCurve:
    spectrum = pink_spectrum(capture.samples, capture.sample_rate_hz)
    level = fitted_level_db(spectrum, resonances)
    return LevelCurve(spectrum.frequency_hz, level - level.mean(), np.zeros(level.size))


def _merged(found: Sequence[Sequence[Resonance]]) -> tuple[Resonance, ...]:
    """Return the resonances of all captures, each once, the most prominent first."""
    merged: list[Resonance] = []
    for one in sorted((r for part in found for r in part), key=lambda r: -r.prominence_db):
        if all(abs(np.log2(one.frequency_hz / r.frequency_hz)) > _SAME_OCT for r in merged):
            merged.append(one)
    return tuple(merged[:MOST_RESONANCES])


def _loop_cautions(loop: LoopSummary, planned: int, cuts: int | None) -> list[str]:
    said = []
    if not loop.delay_known:
        said.append(
            "Player and recorder did not start together, so the loop's own delay is not known: "
            "the in-phase figures are medians over delays from 2 to 20 ms."
        )
    gains = loop.stable_gain_by_capture_db
    if len(gains) > 1:
        said.append(
            f"Over {len(gains)} captures the stable gain runs from {min(gains):+.1f} to "
            f"{max(gains):+.1f} dB; the plan is judged by the worst."
        )
    if cuts is not None and planned > loop.paying_cuts:
        said.append(
            f"After {loop.paying_cuts} cuts a further one adds less than {WORTHWHILE_DB:.1f} dB."
        )
    by_cuts = loop.added_by_cuts_db
    if planned and (by_cuts[min(planned, len(by_cuts) - 1)] - by_cuts[0]) < (
        _LITTLE_PER_CUT_DB * planned
    ):
        said.append(
            "No few peaks stand out of this loop, so cuts add little: moving the mic or the wedge "
            "is worth more than further cuts."
        )
    return said


def _band_cautions(limits: Limits) -> list[str]:
    if limits.bands:
        return []
    return [f"The equaliser {limits.name} has no band for feedback cuts."]
