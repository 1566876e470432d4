"""From a stage to its plan: measure, choose the cuts of all wedges, judge them together."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shaping.filters.design import cascade_sos
from shaping.filters.kinds import Filter
from shaping.filters.response import frequency_response
from shaping.plan.loop.best_cuts import NO_CUTS
from shaping.plan.suggestion import Suggestion
from shaping.stage.description.stage import Stage
from shaping.stage.doubts import measurement_doubts, without_promise
from shaping.stage.loops.joint import JointCuts, LoopLevels, WedgeTask, joint_cuts
from shaping.stage.loops.matrix import PathMatrix, loops
from shaping.stage.loops.together import (
    margins_together,
    remedies,
    send_headrooms_db,
    wedge_headrooms_db,
)
from shaping.stage.measure import Measured, RungOut, measure_stage, path_matrices, ring_outs
from shaping.stage.placing import place_advice
from shaping.stage.stage_cautions import stage_cautions
from shaping.stage.stage_plan import (
    BANDS_HZ,
    PathRecord,
    SendMargin,
    StagePlan,
    StageSuggestion,
    WedgePlan,
    path_level_db,
)
from shaping.stage.wedge_plan import measured_plan, rung_out_plan, thinned_plan, thinning_of

_RATE_HZ = 48_000.0  # what nearly all desks run at; bells keep their width up to Nyquist
_MOST_REMEDIES = 12  # a choice: more than anybody tries

_Complex = NDArray[np.complex128]

Progress = Callable[[str, int, int], None]
"""Called with what is being done, how many are done, and of how many."""


@dataclass(frozen=True, eq=False)
class StageRecordings:
    """Everything that the recordings of a stage told.

    Attributes
    ----------
    measured : tuple of Measured
        Recordings with a reference.
    rung_out : tuple of RungOut
        Ring-outs.
    matrices : tuple of PathMatrix
        One for each position of the mics.
    """

    measured: tuple[Measured, ...]
    rung_out: tuple[RungOut, ...]
    matrices: tuple[PathMatrix, ...]


def read_stage(stage: Stage, *, progress: Progress | None = None) -> StageRecordings:
    """Read and measure every recording of a stage.

    Raises
    ------
    CaptureError
        If a recording cannot be read or used.
    """
    measured = measure_stage(
        stage, progress=None if progress is None else lambda n, of: progress("paths", n, of)
    )
    return StageRecordings(measured, ring_outs(stage), path_matrices(stage, measured))


def plan_stage(
    stage: Stage,
    recordings: StageRecordings,
    *,
    settings: Mapping[str, Sequence[Filter]] | None = None,
    progress: Progress | None = None,
) -> StageSuggestion:
    """Plan every wedge, jointly where they influence each other, and judge all together.

    Parameters
    ----------
    stage : Stage
        The stage.
    recordings : StageRecordings
        What its recordings told.
    settings : mapping of str to sequence of Filter, optional
        Settings of wedges to be judged as they are, in place of new ones; by name.
    progress : callable, optional
        Called while cuts are searched for.

    Returns
    -------
    StageSuggestion
    """
    given = settings or {}
    matrices, sends = recordings.matrices, stage.send_matrix
    heard = {one.take.wedge for one in recordings.measured}
    rung = {one.wedge: one for one in recordings.rung_out}
    doubts = measurement_doubts(stage, recordings.measured)
    joint = _cuts(stage, matrices, heard, given, progress)
    dialled: dict[str, tuple[Filter, ...]] = {}
    suggestions: dict[str, Suggestion] = {}
    basis: dict[str, str] = {}
    for w, wedge in enumerate(stage.wedges):
        if wedge.name in heard:
            own = [one for one in recordings.measured if one.take.wedge == wedge.name]
            suggestion = measured_plan(
                stage,
                w,
                own,
                matrices,
                joint.cuts[w],
                () if doubts else joint.worth_db[w],
                given=given.get(wedge.name),
            )
            basis[wedge.name] = "noise"
        elif wedge.name in rung:
            suggestion = rung_out_plan(wedge, rung[wedge.name], given=given.get(wedge.name))
            basis[wedge.name] = "ring-out"
        else:
            suggestion = thinned_plan(wedge, given=given.get(wedge.name))
            basis[wedge.name] = "nothing"
        suggestions[wedge.name] = suggestion
        dialled[wedge.name] = tuple(one.filter for one in suggestion.plan.filters)
    before = [_equalisers(stage, one, None) for one in matrices]
    after = [_equalisers(stage, one, dialled) for one in matrices]
    margins = [
        (
            margins_together(matrices, sends, eq),
            send_headrooms_db(matrices, sends, eq),
            wedge_headrooms_db(matrices, sends, eq),
        )
        for eq in ((before, after) if matrices else ())
    ]
    nothing = np.full(sends.shape, math.nan)
    send_db = [one[1] for one in margins] or [nothing, nothing]
    wedge_db = [one[2] for one in margins] or [nothing[:, 0], nothing[:, 0]]
    paths = path_records(stage, recordings)
    plan = StagePlan(
        stage=stage,
        wedges=tuple(
            WedgePlan(
                wedge.name,
                suggestions[wedge.name].plan,
                basis[wedge.name],
                float(wedge_db[0][w]),
                float(wedge_db[1][w]),
            )
            for w, wedge in enumerate(stage.wedges)
        ),
        before=margins[0][0] if margins else None,
        after=margins[1][0] if margins else None,
        alone_db=joint.stable_gain_alone_db,
        joint=joint.joint,
        coupling_db=joint.coupling_db,
        sends=tuple(
            SendMargin(
                send.mic,
                send.wedge,
                send.gain_db,
                *(
                    float(found[stage.wedge_index(send.wedge), stage.mic_index(send.mic)])
                    for found in send_db
                ),
            )
            for send in stage.sends
        ),
        paths=paths,
        remedies=remedies(matrices, sends, after)[:_MOST_REMEDIES] if matrices else (),
        places=tuple(
            place_advice(stage, place, _measured_level(paths, place.mic, place.wedge))
            for place in stage.places
        ),
        cautions=(),
    )
    plan = without_promise(plan) if doubts else plan
    plan = replace(plan, doubts=doubts, cautions=stage_cautions(plan, recordings.measured))
    return StageSuggestion(plan, matrices, suggestions)


def _cuts(
    stage: Stage,
    matrices: Sequence[PathMatrix],
    heard: set[str],
    given: Mapping[str, Sequence[Filter]],
    progress: Progress | None,
) -> JointCuts:
    """Choose cuts for the wedges that were measured and have no settings given."""
    sends = stage.send_matrix
    tasks = []
    for wedge in stage.wedges:
        if wedge.name in given:
            tasks.append(WedgeTask(wedge.limits, tuple(given[wedge.name]), 0))
        elif wedge.name in heard:
            thin = tuple(one.filter for one in thinning_of(wedge))
            tasks.append(WedgeTask(wedge.limits, thin))
        else:
            tasks.append(WedgeTask(wedge.limits, wedge.in_place, 0))
    if not matrices:
        none = tuple(NO_CUTS for _ in stage.wedges)
        return JointCuts(none, none, tuple(() for _ in none), math.nan, math.nan, -math.inf, False)
    positions = []
    for one in matrices:
        flat = loops(one.magnitude(1.0), sends, 1 / np.abs(_in_place(stage, one)))
        kept = flat.any(axis=(1, 2))
        positions.append(LoopLevels(one.frequency_hz[kept], flat[kept]))
    return joint_cuts(
        positions,
        tasks,
        sample_rate_hz=_RATE_HZ,
        progress=None if progress is None else lambda n, of: progress("cuts", n, of),
    )


def _in_place(stage: Stage, matrix: PathMatrix) -> _Complex:
    return np.stack(
        [_response(wedge.in_place, matrix.frequency_hz) for wedge in stage.wedges], axis=1
    )


def _equalisers(
    stage: Stage, matrix: PathMatrix, dialled: Mapping[str, Sequence[Filter]] | None
) -> _Complex:
    """Return equalisers over those in place while it was measured, shape (n, W)."""
    if dialled is None:
        return np.ones((matrix.frequency_hz.size, len(stage.wedges)), np.complex128)
    new = [_response(dialled[wedge.name], matrix.frequency_hz) for wedge in stage.wedges]
    return np.asarray(np.stack(new, axis=1) / _in_place(stage, matrix))


def _response(filters: Sequence[Filter], frequency_hz: NDArray[np.float64]) -> _Complex:
    """Return a response, never less than -100 dB: a notch's zero would make infinities."""
    if not filters:
        return np.ones(frequency_hz.size, np.complex128)
    inside = np.clip(frequency_hz, 1.0, 0.499 * _RATE_HZ)
    found = frequency_response(
        cascade_sos(filters, sample_rate_hz=_RATE_HZ), inside, sample_rate_hz=_RATE_HZ
    )
    return np.asarray(np.where(np.abs(found) < 1e-5, 1e-5, found), np.complex128)


def path_records(stage: Stage, recordings: StageRecordings) -> tuple[PathRecord, ...]:
    """Return what is kept of every measured path."""
    records = []
    for one in recordings.measured:
        for mic, loop in zip(one.mics, one.loops, strict=True):
            size = np.where(loop.trusted, np.abs(loop.response), 0.0)
            voice = loop.trusted & (loop.frequency_hz > 200) & (loop.frequency_hz < 4000)
            total = float(np.abs(loop.response[voice]).sum())
            records.append(
                PathRecord(
                    mic=mic,
                    wedge=one.take.wedge,
                    position=one.take.position,
                    level_db=path_level_db(loop.frequency_hz, size),
                    bands_db=_bands_db(loop.frequency_hz, size, loop.trusted),
                    arrival=float(loop.response[voice].real.sum()) / total if total else 0.0,
                    delay_s=loop.delay_s,
                )
            )
    return tuple(records)


def _bands_db(
    frequency_hz: NDArray[np.float64], size: NDArray[np.float64], trusted: NDArray[np.bool_]
) -> tuple[float, ...]:
    levels = []
    for centre in BANDS_HZ:
        band = (frequency_hz >= centre * 2 ** (-1 / 6)) & (frequency_hz < centre * 2 ** (1 / 6))
        seen = band & trusted
        if seen.sum() < 0.5 * band.sum() or not seen.any():
            levels.append(math.nan)
        else:
            levels.append(10 * math.log10(float(np.mean(size[seen] ** 2)) + 1e-30))
    return tuple(levels)


def _measured_level(paths: Sequence[PathRecord], mic: str, wedge: str) -> float | None:
    found = [one.level_db for one in paths if one.mic == mic and one.wedge == wedge]
    return max(found) if found else None
