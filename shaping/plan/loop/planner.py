"""From the quiet ring-out to a plan: noise or a sweep in, no howl.

With the test signal at hand there is a loop response for every capture, and the cuts are those
that add the most stable gain for the tone they remove, judged by the worst capture. Without it
there are resonances over a trend, and cuts for those.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from shaping.analysis.findings import CriticalFrequency, LoopResponse, Resonance
from shaping.analysis.noise.resonances import (
    MOST_RESONANCES,
    resonances_of,
    response_spectrum,
)
from shaping.capture.recording import Capture
from shaping.equaliser.limits import Limits
from shaping.errors import ParameterError
from shaping.filters.kinds import Filter
from shaping.filters.response import total_db
from shaping.plan.assemble import GAVE_WAY, Evidence, assemble_plan, planned_filter
from shaping.plan.loop.best_cuts import WORTHWHILE_DB, added_gain_db
from shaping.plan.loop.choice import Choice, choose, other_equalisers
from shaping.plan.loop.level_curve import LevelCurve, level_curve
from shaping.plan.loop.noise_curve import noise_curve, pink_doubts
from shaping.plan.loop.summary import summarise
from shaping.plan.loop.wishes import Wishes
from shaping.plan.plan import LoopSummary, Plan, PlannedFilter, Purpose, ThinningSummary
from shaping.plan.thinning.effect import thinning_summary
from shaping.plan.thinning.starting_points import ThinningAmount, left_out, thinning_filters
from shaping.text.frequency import frequency_text

PLAIN = Wishes()

WITHHELD = (
    "How much gain there is cannot be told from this measurement, for the reason given with the "
    "recording; the cuts go by the peaks that were heard. Measure again before relying on them."
)

_SAME_OCT = 1 / 24  # half a semitone: one peak, seen twice
_CUT_REACH_OCT = 0.5  # beyond half an octave even a broad cut does next to nothing
_LITTLE_PER_CUT_DB = 0.35  # a choice: little more than the least for which a cut is suggested
_MUCH_TONE_DB = 3.0  # a choice: so much is plainly heard as a lower fader
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
    wishes: Wishes = PLAIN,
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
    wishes : Wishes
        How many cuts, how much gain for how much tone, the margin.

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
    _check(captures, responses)
    rate = float(captures[0].sample_rate_hz)
    curves = [level_curve(response) for response in responses]
    choice = choose(
        curves,
        limits,
        thinning_filters(thinning, limits),
        wishes=wishes,
        sample_rate_hz=rate,
    )
    loop = summarise(
        responses,
        choice.filters,
        choice.cuts,
        sample_rate_hz=rate,
        wishes=wishes,
    )
    planned = _planned_cuts(choice, curves, limits, rate, loop.critical)
    resonances = _merged([resonances_of(response_spectrum(response)) for response in responses])
    return assemble_plan(
        captures,
        limits,
        [*choice.thinning, *planned],
        evidence=Evidence(resonances=resonances, loop=loop),
        thinning=_thinned(choice),
        cautions=[
            *_loop_cautions(loop, len(planned), wishes),
            *_choice_cautions(choice, curves, limits, wishes, rate),
            *left_out(thinning, limits),
        ],
    )


def plan_from_resonances(
    captures: Sequence[Capture],
    resonances: Sequence[Sequence[Resonance]],
    limits: Limits,
    *,
    thinning: ThinningAmount = ThinningAmount.LIGHT,
    wishes: Wishes = PLAIN,
) -> Plan:
    """Plan thinning and feedback cuts from pink noise without its reference.

    The spectrum of what is heard is that of the path up to one constant, so the search goes by
    level as it does with a reference; only the absolute figures are missing.

    Parameters
    ----------
    captures : sequence of Capture
        Captures of one wedge; each is brought to the same average level first.
    resonances : sequence of sequence of Resonance
        What `find_resonances` found in each.
    limits : Limits
        The equaliser.
    thinning, wishes : ThinningAmount, Wishes
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
    _check(captures, resonances)
    rate = float(captures[0].sample_rate_hz)
    curves = [noise_curve(capture.samples, capture.sample_rate_hz) for capture in captures]
    choice = choose(
        curves,
        limits,
        thinning_filters(thinning, limits),
        wishes=wishes,
        sample_rate_hz=rate,
    )
    planned = _planned_cuts(choice, curves, limits, rate, ())
    said = [_WITHOUT_REFERENCE, _PINK_ASSUMED]
    if not planned:
        said.append(
            "Nothing stands out of the smooth trend by more than chance: no peak asks for a cut."
        )
    if choice.filters:
        added_db = added_gain_db(curves, choice.filters, sample_rate_hz=rate)
        said.append(
            f"If the noise was pink, these settings add {added_db:.1f} dB of gain before it howls "
            "(worst case over phase)."
        )
    doubts = [doubt for one in captures for doubt in pink_doubts(one.samples, one.sample_rate_hz)]
    return assemble_plan(
        captures,
        limits,
        [*choice.thinning, *planned],
        evidence=Evidence(resonances=_merged(resonances)),
        thinning=_thinned(choice),
        cautions=[
            *said,
            *doubts,
            *_choice_cautions(choice, curves, limits, wishes, rate),
            *left_out(thinning, limits),
        ],
    )


def _thinned(choice: Choice) -> ThinningSummary | None:
    if not choice.thinning:
        return None
    return thinning_summary(planned.filter for planned in choice.thinning)


def _check(captures: Sequence[Capture], findings: Sequence[object]) -> None:
    if not captures:
        raise ParameterError("a plan needs at least one capture; name a recording")
    if len(captures) != len(findings):
        raise ParameterError(f"{len(captures)} captures do not match {len(findings)} findings")


def _planned_cuts(
    choice: Choice,
    curves: Sequence[LevelCurve],
    limits: Limits,
    rate: float,
    critical: Sequence[CriticalFrequency],
) -> list[PlannedFilter]:
    """Return the cuts with their reasons: where the loop is highest, and what each cut is worth."""
    everything = choice.filters
    whole = added_gain_db(curves, everything, sample_rate_hz=rate)
    planned = []
    for cut in choice.cuts.cuts:
        others = [one for one in everything if one is not cut]
        worth = whole - added_gain_db(curves, others, sample_rate_hz=rate)
        peak_hz = _highest_near(cut, curves, others, rate)
        howls = next(
            (c for c in critical if abs(np.log2(c.frequency_hz / peak_hz)) < _SAME_OCT), None
        )
        what = (
            f"the loop can howl at {frequency_text(peak_hz)} from {howls.gain_db:+.1f} dB of send"
            if howls and not math.isnan(howls.gain_db)
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


def _merged(found: Sequence[Sequence[Resonance]]) -> tuple[Resonance, ...]:
    """Return the resonances of all captures, each once, the most prominent first."""
    merged: list[Resonance] = []
    for one in sorted((r for part in found for r in part), key=lambda r: -r.prominence_db):
        if all(abs(np.log2(one.frequency_hz / r.frequency_hz)) > _SAME_OCT for r in merged):
            merged.append(one)
    return tuple(merged[:MOST_RESONANCES])


def _loop_cautions(loop: LoopSummary, planned: int, wishes: Wishes) -> list[str]:
    said = []
    if loop.withheld:
        return [WITHHELD]
    if wishes.same_start and not loop.delay_known:
        said.append(
            "The sound arrives too early or too late for player and recorder to have started "
            "together: the loop's own delay is taken as not known."
        )
    gains = loop.stable_gain_by_capture_db
    if len(gains) > 1:
        said.append(
            f"Over {len(gains)} captures the stable gain runs from {min(gains):+.1f} to "
            f"{max(gains):+.1f} dB; the plan is judged by the worst."
        )
    if wishes.cuts is not None and planned > loop.paying_cuts:
        said.append(
            f"After {loop.paying_cuts} cuts a further one adds less than {WORTHWHILE_DB:.1f} dB."
        )
    by_cuts = loop.added_by_cuts_db
    if (
        planned
        and by_cuts
        and (by_cuts[min(planned, len(by_cuts) - 1)] - by_cuts[0]) < (_LITTLE_PER_CUT_DB * planned)
    ):
        said.append(
            "No few peaks stand out of this loop, so cuts add little: moving the mic or the wedge "
            "is worth more than further cuts."
        )
    return said


def _choice_cautions(
    choice: Choice,
    curves: Sequence[LevelCurve],
    limits: Limits,
    wishes: Wishes,
    rate: float,
) -> list[str]:
    said = []
    if choice.gave_way:
        said.append(GAVE_WAY)
    if not limits.bands:
        said.append(f"The equaliser {limits.name} has no band for feedback cuts.")
    if choice.cuts.tone_db > _MUCH_TONE_DB:
        said.append(
            f"The cuts take {choice.cuts.tone_db:.1f} dB off the wedge on average: so much of the "
            "gain they add is no more than a lower fader gives. --favour balanced keeps more tone."
        )
    return [
        *said,
        *other_equalisers(curves, limits, choice, wishes=wishes, sample_rate_hz=rate),
    ]
