"""From the recordings of a stage to its matrices of paths, one for each position of the mics.

Every recording holds all mics at once while one wedge played. Positions go by their names: the
recordings of all wedges that carry one name make one matrix. A wedge that was not recorded there
stands in with its first position.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import interpolate

from shaping.analysis.findings import LoopResponse, Ring
from shaping.analysis.loop.faults import MeasurementFault
from shaping.analysis.loop.response import estimate_loop_response
from shaping.analysis.loop.stability import may_be_own_delay
from shaping.analysis.ring_out.over_captures import rings_across
from shaping.analysis.ring_out.rings import find_rings
from shaping.capture.audio import MAX_CAPTURE_FRAMES, inspect, read_blocks, read_capture
from shaping.capture.quality import judge, require_usable
from shaping.capture.recording import Capture, CaptureKind, QualityNote, Severity
from shaping.errors import CaptureError
from shaping.stage.description.stage import Stage, Take
from shaping.stage.loops.matrix import PathMatrix
from shaping.text.names import file_text, shown

_THREADS = 2  # transforms run side by side; more only take memory

Progress = Callable[[int, int], None]
"""Called with the number of paths done, and of all paths."""


@dataclass(frozen=True, eq=False)
class Measured:
    """What one recording told of its wedge.

    Attributes
    ----------
    take : Take
        The recording as the stage file names it.
    captures : tuple of Capture
        Its channels that were of use, with every note on their quality.
    mics : tuple of str
        The mic of each of `captures`.
    loops : tuple of LoopResponse
        One for each of `captures`; none for a ring-out.
    unheard : tuple of str
        Mics in which the wedge could not be heard.
    """

    take: Take
    captures: tuple[Capture, ...]
    mics: tuple[str, ...]
    loops: tuple[LoopResponse, ...]
    unheard: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class RungOut:
    """What a ring-out of one wedge told: rings over all its recordings, most urgent first."""

    wedge: str
    captures: tuple[Capture, ...]
    rings: tuple[Ring, ...]


def read_channels(path: str, channels: Sequence[int], kind: CaptureKind) -> list[Capture]:
    """Return several channels of one recording, decoded once.

    Raises
    ------
    CaptureError
        As `shaping.capture.audio.read_capture`.
    """
    info = inspect(path)
    name = shown(path)
    for channel in channels:
        if channel > info.channels:
            holds = "1 channel" if info.channels == 1 else f"{info.channels} channels"
            raise CaptureError(
                f"{name}: there is no channel {channel}; the recording has {holds}, counted from 1"
            )
    if info.frames > MAX_CAPTURE_FRAMES or len(channels) == 1:
        return [read_capture(path, channel=channel, kind=kind) for channel in channels]
    samples = np.empty((len(channels), info.frames), np.float32)
    done = 0
    for block in read_blocks(path):
        samples[:, done : done + len(block)] = block[:, [c - 1 for c in channels]].T
        done += len(block)
    if not np.isfinite(samples).all():  # told with its place
        return [read_capture(path, channel=channel, kind=kind) for channel in channels]
    samples.setflags(write=False)
    return [
        Capture(
            info.path,
            info.sample_rate_hz,
            channel,
            samples[at],
            kind,
            tuple(judge(samples[at], info.sample_rate_hz, kind)),
        )
        for at, channel in enumerate(channels)
    ]


def measure_stage(stage: Stage, *, progress: Progress | None = None) -> tuple[Measured, ...]:
    """Measure every path that the recordings with a reference hold.

    Parameters
    ----------
    stage : Stage
        The stage; ring-outs among its takes are left to `ring_outs`.
    progress : callable, optional
        Called after each path.

    Returns
    -------
    tuple of Measured

    Raises
    ------
    CaptureError
        If a recording cannot be read, or no mic of it heard its wedge.
    """
    takes = [take for take in stage.takes if take.reference is not None]
    total, done = sum(len(take.channels) for take in takes), 0
    references: dict[str, Capture] = {}
    found = []
    for take in takes:
        assert take.reference is not None
        if take.reference not in references:
            references[take.reference] = read_capture(
                take.reference, channel=1, kind=CaptureKind.PINK_NOISE
            )
        reference = references[take.reference]
        mics = list(take.channels)
        captures = read_channels(
            take.file, [take.channels[mic] for mic in mics], CaptureKind.PINK_NOISE
        )

        def path(capture: Capture, reference: Capture = reference) -> LoopResponse | CaptureError:
            return _path(capture, reference)

        paths = []
        with ThreadPoolExecutor(_THREADS) as pool:
            for one in pool.map(path, captures):
                paths.append(one)
                done += 1
                if progress is not None:
                    progress(done, total)
        found.append(_measured(take, mics, captures, paths))
    return tuple(found)


def ring_outs(stage: Stage) -> tuple[RungOut, ...]:
    """Find the rings in every wedge's ring-outs, over all channels of each.

    A ring is in all mics that stand near; what counts is that it is there.

    Raises
    ------
    CaptureError
        If a recording cannot be read or used.
    """
    found = []
    for wedge in stage.wedges:
        captures = []
        for take in stage.takes:
            if take.wedge == wedge.name and take.reference is None:
                captures += read_channels(
                    take.file, list(take.channels.values()), CaptureKind.RING_OUT
                )
        usable = [
            one for one in captures if all(n.severity is not Severity.UNUSABLE for n in one.quality)
        ]
        if captures and not usable:
            require_usable(captures[0])
        if usable:
            rings = rings_across([find_rings(c.samples, c.sample_rate_hz) for c in usable])
            found.append(RungOut(wedge.name, tuple(usable), tuple(rings)))
    return tuple(found)


def _path(capture: Capture, reference: Capture) -> LoopResponse | CaptureError:
    try:
        require_usable(capture)
        return estimate_loop_response(
            capture.samples,
            reference.samples,
            capture_rate_hz=capture.sample_rate_hz,
            reference_rate_hz=reference.sample_rate_hz,
        )
    except CaptureError as error:
        return error


def _measured(
    take: Take,
    mics: Sequence[str],
    captures: Sequence[Capture],
    paths: Sequence[LoopResponse | CaptureError],
) -> Measured:
    heard = [at for at, path in enumerate(paths) if isinstance(path, LoopResponse)]
    loops = without_lone_echoes([path for path in paths if isinstance(path, LoopResponse)])
    if not heard:
        first = next(path for path in paths if isinstance(path, CaptureError))
        raise CaptureError(f"{file_text(take.file)}, wedge {take.wedge}: {first}")
    for at, loop in zip(heard, loops, strict=True):
        for note in loop.quality:
            if note.severity is Severity.UNUSABLE:
                raise CaptureError(
                    f"{file_text(take.file)}, wedge {shown(take.wedge)}, mic {shown(mics[at])}: "
                    f"{note.message}"
                )
    return Measured(
        take,
        tuple(
            replace(captures[at], quality=_together(captures[at].quality, loop.quality))
            for at, loop in zip(heard, loops, strict=True)
        ),
        tuple(mics[at] for at in heard),
        loops,
        tuple(mic for at, mic in enumerate(mics) if at not in heard),
    )


def without_lone_echoes(loops: Sequence[LoopResponse]) -> tuple[LoopResponse, ...]:
    """Return responses without the signs of a live mic that only few mics of a recording show.

    A mic that is live in a wedge makes what comes out of that wedge go round again, for every mic
    that hears it. What fewer than half of several mics show is the room: a path from another
    wedge has more echoes than direct sound.
    """
    showing = sum(_live(loop) for loop in loops)
    if len(loops) < 2 or 2 * showing >= len(loops):
        return tuple(loops)
    return tuple(
        replace(
            loop,
            quality=tuple(n for n in loop.quality if n.code != MeasurementFault.MIC_LIVE),
        )
        for loop in loops
    )


def _live(loop: LoopResponse) -> bool:
    return any(note.code == MeasurementFault.MIC_LIVE for note in loop.quality)


def _together(
    one: tuple[QualityNote, ...], other: tuple[QualityNote, ...]
) -> tuple[QualityNote, ...]:
    return tuple(dict.fromkeys((*one, *other)))


def path_matrices(stage: Stage, measured: Sequence[Measured]) -> tuple[PathMatrix, ...]:
    """Return one matrix of paths for every position of the mics.

    Parameters
    ----------
    stage : Stage
        The stage, for its order of wedges and mics.
    measured : sequence of Measured
        Its recordings.

    Returns
    -------
    tuple of PathMatrix
        In the order in which positions first come; empty where nothing was measured.
    """
    if not measured:
        return ()
    frequency_hz = _finest([loop for one in measured for loop in one.loops])
    named = dict.fromkeys(one.take.position for one in measured)
    return tuple(_matrix(stage, measured, position, frequency_hz) for position in named)


def _matrix(
    stage: Stage, measured: Sequence[Measured], position: str, frequency_hz: NDArray[np.float64]
) -> PathMatrix:
    shape = (frequency_hz.size, len(stage.mics), len(stage.wedges))
    response = np.zeros(shape, np.complex128)
    error_db = np.full(shape, np.inf)
    trusted = np.zeros(shape, bool)
    delay_s = np.zeros(len(stage.wedges))
    known = True
    sends = stage.send_matrix
    for w, wedge in enumerate(stage.wedges):
        own = [one for one in measured if one.take.wedge == wedge.name]
        here = [one for one in own if one.take.position == position] or own[:1]
        for one in here:
            into = [sends[w, stage.mic_index(mic)] for mic in one.mics]
            strongest = _strongest(into, one.loops)
            delay_s[w] = one.loops[strongest].delay_s
            for mic, loop in zip(one.mics, one.loops, strict=True):
                m = stage.mic_index(mic)
                response[:, m, w], error_db[:, m, w], trusted[:, m, w] = _on_grid(
                    loop, frequency_hz, loop.delay_s - delay_s[w]
                )
                known &= may_be_own_delay(loop.delay_s)
    return PathMatrix(position, frequency_hz, response, error_db, trusted, delay_s, bool(known))


def _strongest(sends: Sequence[float], loops: Sequence[LoopResponse]) -> int:
    """Return the strongest loop among those whose send is open, or among all."""
    weights = np.array(sends) if any(sends) else np.ones(len(sends))
    levels = np.array([_level(loop) for loop in loops])
    return int(np.argmax(weights * levels))


def _level(loop: LoopResponse) -> float:
    return float(np.abs(loop.response[loop.trusted]).max(initial=0.0))


def _finest(loops: Sequence[LoopResponse]) -> NDArray[np.float64]:
    """Return the finest grid, cut to what all of them reach."""
    finest = min(loops, key=lambda loop: float(loop.frequency_hz[1])).frequency_hz
    return finest[finest <= min(float(loop.frequency_hz[-1]) for loop in loops)]


def _on_grid(
    loop: LoopResponse, frequency_hz: NDArray[np.float64], later_s: float
) -> tuple[NDArray[np.complex128], NDArray[np.float64], NDArray[np.bool_]]:
    """Return response, error and trust on a grid, the response `later_s` later.

    Grids of recordings of other length differ. A response is at least twice as finely sampled as
    its length asks for, so that a cubic goes through it well.
    """
    same = loop.frequency_hz.size >= frequency_hz.size and np.array_equal(
        loop.frequency_hz[: frequency_hz.size], frequency_hz
    )
    error = np.where(loop.coherence > 0, loop.error_db, np.inf)
    if same:
        n = frequency_hz.size
        response, error, trusted = loop.response[:n], error[:n], loop.trusted[:n]
    else:
        response = interpolate.CubicSpline(loop.frequency_hz, loop.response)(frequency_hz)
        nearest = np.rint(frequency_hz / loop.frequency_hz[1]).astype(int)
        nearest = np.minimum(nearest, loop.frequency_hz.size - 1)
        error, trusted = error[nearest], loop.trusted[nearest]
    if later_s:
        response = response * np.exp(-2j * np.pi * frequency_hz * later_s)
    return response, error, trusted
