"""Hearing a plan: a recording rendered through it, alone or as a pair at equal loudness.

Conventions: sample rate, channels, container and encoding of the recording are kept. Louder
sounds better, so the two of a pair are matched in loudness (ITU-R BS.1770) before anybody
compares them. Nothing clips: peaks are kept under -1 dBFS, by turning both of a pair down alike.
Recordings are streamed, twice or thrice, in bounded memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from shaping.analysis.loudness import Loudness, measure_loudness
from shaping.capture.audio import RecordingInfo, inspect, read_blocks
from shaping.errors import CaptureError, OutputError
from shaping.filters.apply import apply_sos, initial_state
from shaping.filters.cookbook import Sos
from shaping.filters.design import cascade_sos
from shaping.filters.kinds import Filter
from shaping.output import check_writable, replacing

CEILING_DBFS = -1.0
"""Peaks stay under this, which leaves room for what encoders add between samples."""

FADE_S = 0.02
"""Raised-cosine fade at both ends, so that a loop does not click."""

_Block = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Rendering:
    """One recording rendered through a plan.

    Attributes
    ----------
    path : str
        Where it is.
    gain_db : float
        What it was turned down by, beside the filters, to keep it from clipping; 0 or less.
    """

    path: str
    gain_db: float


@dataclass(frozen=True, slots=True)
class RenderedPair:
    """A recording without and with a plan, at equal loudness.

    Attributes
    ----------
    without_path, with_path : str
        Where they are.
    without_gain_db, with_gain_db : float
        What each was turned up or down by, beside the filters.
    plan_loudness_change_db : float
        What the plan alone does to the loudness; the gains hide it.
    loudness_lufs : float
        Loudness of both.
    """

    without_path: str
    with_path: str
    without_gain_db: float
    with_gain_db: float
    plan_loudness_change_db: float
    loudness_lufs: float


def render(
    filters: Iterable[Filter],
    source: str | Path,
    destination: str | Path,
    *,
    force: bool = False,
) -> Rendering:
    """Render a recording through filters.

    Parameters
    ----------
    filters : iterable of Filter
        The plan's filters.
    source : str or Path
        The recording; every channel is filtered.
    destination : str or Path
        Where the result goes, with the suffix of `source`.
    force : bool
        Whether an existing file may be replaced.

    Returns
    -------
    Rendering
        What was written, and how far it was turned down.

    Raises
    ------
    CaptureError
        If the recording cannot be read or holds samples that are no numbers.
    OutputError
        If the result cannot be written there.
    ParameterError
        If a filter does not exist at the recording's sample rate.
    """
    info = inspect(source)
    sos = cascade_sos(filters, sample_rate_hz=info.sample_rate_hz)
    _check_destination(destination, source, force=force)
    peak = max((float(np.max(np.abs(block))) for block in _rendered(sos, info)), default=0.0)
    gain_db = min(0.0, CEILING_DBFS - _db(peak))
    with _writing(destination, info, force=force) as out:
        for block in _rendered(sos, info):
            out.write(block * np.float32(10.0 ** (gain_db / 20.0)))
    return Rendering(str(destination), gain_db)


def render_pair(
    filters: Iterable[Filter],
    source: str | Path,
    without: str | Path,
    with_plan: str | Path,
    *,
    force: bool = False,
) -> RenderedPair:
    """Render a recording without and with filters, at equal loudness.

    Parameters
    ----------
    filters : iterable of Filter
        The plan's filters.
    source : str or Path
        The recording; every channel is filtered.
    without, with_plan : str or Path
        Where the two go, with the suffix of `source`.
    force : bool
        Whether existing files may be replaced.

    Returns
    -------
    RenderedPair
        What was written, and the gains that matched it.

    Raises
    ------
    CaptureError
        As `render`; or if the recording is too short or too quiet to have a loudness.
    OutputError
        If a result cannot be written there, or both have one name.
    ParameterError
        If a filter does not exist at the recording's sample rate.
    """
    info = inspect(source)
    chains: Sequence[Sos] = (
        cascade_sos((), sample_rate_hz=info.sample_rate_hz),
        cascade_sos(filters, sample_rate_hz=info.sample_rate_hz),
    )
    destinations = (without, with_plan)
    for destination in destinations:
        _check_destination(destination, source, force=force)
    if Path(without).resolve() == Path(with_plan).resolve():
        raise OutputError(f"{without}: the two of a pair need two names")
    before, after = (measure_loudness(_rendered(sos, info), info.sample_rate_hz) for sos in chains)
    gains_db = _matching_gains_db(before, after, info)
    with ExitStack() as stack:
        for sos, destination, gain_db in zip(chains, destinations, gains_db, strict=True):
            out = stack.enter_context(_writing(destination, info, force=force))
            for block in _rendered(sos, info):
                out.write(block * np.float32(10.0 ** (gain_db / 20.0)))
    return RenderedPair(
        without_path=str(without),
        with_path=str(with_plan),
        without_gain_db=gains_db[0],
        with_gain_db=gains_db[1],
        plan_loudness_change_db=after.integrated_lufs - before.integrated_lufs,
        loudness_lufs=before.integrated_lufs + gains_db[0],
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


def _matching_gains_db(
    before: Loudness, after: Loudness, info: RecordingInfo
) -> tuple[float, float]:
    change_db = after.integrated_lufs - before.integrated_lufs
    if not math.isfinite(change_db):
        raise CaptureError(
            f"{info.path}: too short or too quiet to match in loudness; "
            "use a recording of a second or more with sound in it"
        )
    # The quieter one sets the level; both go down alike if the other's peaks need it.
    headroom_db = CEILING_DBFS - max(_db(before.peak), _db(after.peak) - change_db)
    common_db = min(0.0, headroom_db)
    return common_db, common_db - change_db


def _rendered(sos: Sos, info: RecordingInfo) -> Iterator[_Block]:
    """Stream what will be written, but for its gain."""
    return _faded(_through(sos, info), info)


def _through(sos: Sos, info: RecordingInfo) -> Iterator[_Block]:
    """Stream a recording through filters."""
    state = initial_state(sos, channels=info.channels)
    done = 0
    for block in read_blocks(info.path):
        if not np.isfinite(block).all():
            raise CaptureError(
                f"{info.path}: holds samples that are not finite numbers at about "
                f"{done / info.sample_rate_hz:.1f} s; export it again from the program that made it"
            )
        filtered, state = apply_sos(sos, block, state)
        done += len(block)
        yield filtered


def _faded(blocks: Iterable[_Block], info: RecordingInfo) -> Iterator[_Block]:
    """Fade the ends of a stream in and out."""
    fade = max(1, min(round(FADE_S * info.sample_rate_hz), info.frames // 2))
    done = 0
    for block in blocks:
        frame = np.arange(done, done + len(block))
        from_end = np.minimum(frame, info.frames - 1 - frame)
        done += len(block)
        if from_end.min() < fade:
            gain = 0.5 - 0.5 * np.cos(np.pi * np.minimum(from_end / fade, 1.0))
            block = block * gain.astype(np.float32)[:, None]
        yield block


def _check_destination(destination: str | Path, source: str | Path, *, force: bool) -> None:
    """Refuse a name that cannot be written, or that promises another kind of file."""
    suffix = Path(source).suffix
    if Path(destination).suffix.lower() != suffix.lower():
        raise OutputError(
            f"{destination}: the result keeps the recording's format; "
            + (
                f"give it a name that ends in {suffix}"
                if suffix
                else "give it a name without a dot"
            )
        )
    check_writable(destination, force=force)


@contextmanager
def _writing(
    destination: str | Path, info: RecordingInfo, *, force: bool
) -> Iterator[soundfile.SoundFile]:
    """Open a file of the recording's own format, kept only if all goes well."""
    with replacing(destination, force=force) as temporary:
        try:
            with soundfile.SoundFile(
                temporary,
                "w",
                samplerate=info.sample_rate_hz,
                channels=info.channels,
                format=info.format,
                subtype=info.subtype,
            ) as out:
                yield out
        except soundfile.SoundFileError as error:
            raise OutputError(
                f"{destination}: {info.format} with {info.subtype} cannot be written here "
                f"({error}); convert the recording to WAV first"
            ) from error


def _db(peak: float) -> float:
    return 20.0 * math.log10(max(peak, 1e-15))
