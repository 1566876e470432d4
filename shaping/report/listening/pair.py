"""A recording without and with a plan, to compare: equally loud, or at its true difference."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from shaping.analysis.loudness import STEPS_PER_S, LoudnessSteps, measure_steps
from shaping.capture.audio import RecordingInfo, inspect
from shaping.errors import CaptureError, OutputError
from shaping.filters.cookbook import Sos
from shaping.filters.design import cascade_sos
from shaping.filters.kinds import Filter
from shaping.report.listening.matching import howl_steps, louder_db, match
from shaping.report.listening.rise import Rise, rise_of
from shaping.report.listening.streams import (
    CEILING_DBFS,
    Block,
    check_destination,
    peak_db,
    rendered,
    writing,
)

_CHECKS = 4  # what is heard is measured so often; by the last little is left to take

_Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RenderedPair:
    """A recording without and with a plan.

    Attributes
    ----------
    without_path, with_path : str
        Where they are.
    equally_loud : bool
        Whether they were matched in loudness; else they keep their true difference, as they do
        where nothing but howl is loud enough to go by.
    loudness_lufs : float
        Loudness of what is not howl, without the plan.
    without_gain_db : float
        What both were turned down by to keep them from clipping; 0 or less.
    with_gain_low_db, with_gain_high_db : float
        Between which gains the one with the plan was followed to that loudness, beside that.
    plan_loudness_change_db : float
        What the plan alone does to the loudness of what is not howl; matching hides it.
    howl_cut_db : float or None
        What the plan takes from the howls, in loudness; None where there are none.
    howls_held_down_db : float
        How far howls were turned down at most, in both alike, to spare the ears; 0 or more.
    rise : Rise or None
        Where the louder of the two gets much louder than it begins.
    """

    without_path: str
    with_path: str
    equally_loud: bool
    loudness_lufs: float
    without_gain_db: float
    with_gain_low_db: float
    with_gain_high_db: float
    plan_loudness_change_db: float
    howl_cut_db: float | None
    howls_held_down_db: float
    rise: Rise | None


def render_pair(
    filters: Iterable[Filter],
    source: str | Path,
    without: str | Path,
    with_plan: str | Path,
    *,
    howls: Iterable[tuple[float, float]] = (),
    equally_loud: bool = True,
    force: bool = False,
) -> RenderedPair:
    """Render a recording without and with filters, to compare.

    Parameters
    ----------
    filters : iterable of Filter
        The plan's filters.
    source : str or Path
        The recording; every channel is filtered.
    without, with_plan : str or Path
        Where the two go, with the suffix of `source`.
    howls : iterable of (float, float)
        When the recording howls, start and stop in seconds: loudness is matched by the rest.
    equally_loud : bool
        Whether loudness is matched; else the true difference is kept.
    force : bool
        Whether existing files may be replaced.

    Returns
    -------
    RenderedPair
        What was written, and the gains.

    Raises
    ------
    CaptureError
        If the recording cannot be read, holds samples that are no numbers, or is too short or
        too quiet to have a loudness.
    OutputError
        If a result cannot be written there, or both have one name.
    ParameterError
        If a filter does not exist at the recording's sample rate.
    """
    info = inspect(source)
    chains = [
        cascade_sos(chain, sample_rate_hz=info.sample_rate_hz) for chain in ((), tuple(filters))
    ]
    destinations = (without, with_plan)
    for destination in destinations:
        check_destination(destination, source, force=force)
    if Path(without).resolve() == Path(with_plan).resolve():
        raise OutputError(f"{without}: the two of a pair need two names")
    steps = [measure_steps(rendered(sos, info), info.sample_rate_hz) for sos in chains]
    before, after = (one.power for one in steps)
    howling = howl_steps(howls, before.size)
    found = match(before, after, howling, equally_loud=equally_loud)
    if found is None:
        raise CaptureError(
            f"{info.path}: too short or too quiet to match in loudness; "
            "use a recording of a second or more with sound in it"
        )
    gains = (found.without_db, found.with_db)
    if equally_loud:
        gains = (found.without_db, _never_louder(chains, gains, info))
    common_db = min(0.0, *(_headroom_db(one, gain) for one, gain in zip(steps, gains, strict=True)))
    with ExitStack() as stack:
        for sos, destination, gain_db in zip(chains, destinations, gains, strict=True):
            out = stack.enter_context(writing(destination, info, force=force))
            for block in _gained(sos, gain_db + common_db, info):
                out.write(block)
    heard = [
        power * 10.0 ** ((gain + common_db) / 10.0)
        for power, gain in zip((before, after), gains, strict=True)
    ]
    rises = [rise for rise in map(rise_of, heard) if rise is not None]
    follow_db = gains[1] - gains[0]
    return RenderedPair(
        without_path=str(without),
        with_path=str(with_plan),
        equally_loud=found.equally_loud,
        loudness_lufs=found.loudness_lufs + common_db,
        without_gain_db=common_db,
        with_gain_low_db=float(follow_db.min()),
        with_gain_high_db=float(follow_db.max()),
        plan_loudness_change_db=found.change_db,
        howl_cut_db=found.howl_cut_db,
        howls_held_down_db=found.held_down_db,
        rise=max(rises, key=lambda rise: rise.rise_db, default=None),
    )


def pair_paths(destination: str | Path) -> tuple[Path, Path]:
    """Return names for the two of a pair beside a rendering.

    >>> [path.name for path in pair_paths("song.wav")]
    ['song-without.wav', 'song-with.wav']
    """
    path = Path(destination)
    return (
        path.with_name(f"{path.stem}-without{path.suffix}"),
        path.with_name(f"{path.stem}-with{path.suffix}"),
    )


def _headroom_db(steps: LoudnessSteps, gain_db: _Real) -> float:
    """Return how far a stream with its gains stays under the ceiling, negative if it does not."""
    # Between the middles of two steps the gain lies between theirs.
    highest_db = np.pad(ndimage.maximum_filter1d(gain_db, 3), (0, 1), mode="edge")
    loudest = steps.peak * 10.0 ** (highest_db[: steps.peak.size] / 20.0)
    return CEILING_DBFS - peak_db(float(np.max(loudest, initial=0.0)))


def _never_louder(chains: list[Sos], gains: tuple[_Real, _Real], info: RecordingInfo) -> _Real:
    """Return gains for the one with the plan that leave no moment of it louder, as measured."""
    without_db, with_db = gains
    before = _heard_power(chains[0], without_db, info)
    for check in range(_CHECKS):
        heard = _heard_power(chains[1], with_db, info)
        over_db = louder_db(before, heard, around=check == _CHECKS - 1)
        if not over_db.any():
            break
        with_db = with_db - over_db
    return with_db


def _heard_power(sos: Sos, gain_db: _Real, info: RecordingInfo) -> _Real:
    return measure_steps(_gained(sos, gain_db, info), info.sample_rate_hz).power


def _gained(sos: Sos, gain_db: _Real, info: RecordingInfo) -> Iterator[Block]:
    done = 0
    for block in rendered(sos, info):
        yield _with_gain(block, gain_db, done, info)
        done += len(block)


def _with_gain(block: Block, gain_db: _Real, done: int, info: RecordingInfo) -> Block:
    step = (np.arange(done, done + len(block)) + 0.5) * STEPS_PER_S / info.sample_rate_hz - 0.5
    linear = 10.0 ** (np.interp(step, np.arange(gain_db.size), gain_db) / 20.0)
    return block * linear.astype(np.float32)[:, None]
