"""From the recording of a pack to what it tells by itself."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.feeds.clock import finer_clock
from shaping.analysis.feeds.findings import Pack, PackMeasure
from shaping.analysis.feeds.line_up import Place, find_place
from shaping.analysis.feeds.outputs import measure_output
from shaping.analysis.feeds.played import level_of, whole_size
from shaping.capture.audio import MAX_CAPTURE_FRAMES, inspect, read_blocks
from shaping.errors import CaptureError
from shaping.text.durations import duration_text
from shaping.text.names import shown

Samples = NDArray[np.float32]
Told = Callable[[int, int], None]

_LEAST_RATE_HZ = 32_000
"""Below, the signal's upper octave would be lost."""


@dataclass(frozen=True, slots=True)
class Signal:
    """The test signal that was played.

    Attributes
    ----------
    sample_rate_hz : int
        Its rate.
    level_dbfs : float
        Level of its hold.
    """

    sample_rate_hz: int
    level_dbfs: float


def read_signal(path: str) -> Signal:
    """Read the test signal that was played.

    Raises
    ------
    CaptureError
        If it cannot be read, or is no signal of ``shaping signal feeds``.
    """
    info = inspect(path)
    name = shown(path)
    if info.frames != whole_size():
        level_of(np.zeros((0, 2), np.float32), info.sample_rate_hz, name=name)
    samples = np.concatenate(list(read_blocks(info)))
    return Signal(info.sample_rate_hz, level_of(samples, info.sample_rate_hz, name=name))


def measure_packs(
    packs: Sequence[Pack], signal: Signal, *, progress: Told | None = None
) -> tuple[PackMeasure, ...]:
    """Measure every pack from its recording.

    Raises
    ------
    CaptureError
        If a recording cannot be read, has no such channel, or holds a part of the signal only.
    """
    made: list[PackMeasure] = []
    for done, pack in enumerate(packs):
        if progress is not None:
            progress(done, len(packs))
        samples, rate = read_channels(pack.path, pack.channels, signal)
        try:
            made.append(measure_pack(pack, samples, rate, signal))
        except CaptureError as error:
            raise CaptureError(f"{shown(pack.path)}: {error}") from error
    for i, one in enumerate(made):
        place = place_of_take(made, one)
        if one.place is None and place is not None:
            samples, rate = read_channels(one.pack.path, one.pack.channels, signal)
            made[i] = measure_pack(one.pack, samples, rate, signal, place=place)
    return tuple(made)


def place_of_take(measures: Sequence[PackMeasure], one: PackMeasure) -> Place | None:
    """Return where the signal runs in the other packs that were recorded with this one.

    A pack too faint to be found by the ident is looked for there: the hold is longer and louder.
    """
    places = [
        other.place
        for other in measures
        if other.pack.take == one.pack.take and other.pack != one.pack and other.place
    ]
    if not places:
        return None
    return Place(
        float(np.median([place.offset_s for place in places])),
        float(np.median([place.clock_ppm for place in places])),
    )


def measure_pack(
    pack: Pack,
    samples: Samples,
    sample_rate_hz: int,
    signal: Signal,
    *,
    place: Place | None = None,
) -> PackMeasure:
    """Measure one pack.

    Parameters
    ----------
    pack : Pack
        Its name and channels.
    samples : ndarray of float32, shape (n, outputs)
        One channel, or left and right.
    sample_rate_hz : int
        Rate of the recording.
    signal : Signal
        What was played.
    place : Place, optional
        Where the signal runs; looked for by default.

    Returns
    -------
    PackMeasure
    """
    peak = float(np.abs(samples).max(initial=0.0))
    peak_dbfs = 20 * math.log10(peak) if peak > 0 else -math.inf
    if place is None:
        place = find_place(samples, sample_rate_hz, signal_rate_hz=signal.sample_rate_hz)
    if place is None:
        return PackMeasure(pack, None, (), peak_dbfs)
    best = samples[:, int(np.argmax(np.sum(samples.astype(np.float64) ** 2, axis=0)))]
    place = finer_clock(best, sample_rate_hz, place, signal_rate_hz=signal.sample_rate_hz)
    if sample_rate_hz == signal.sample_rate_hz:
        place = _with_the_same_clock(place, sample_rate_hz)
    outputs = tuple(
        measure_output(
            samples[:, i],
            sample_rate_hz,
            place,
            signal_rate_hz=signal.sample_rate_hz,
            level_dbfs=signal.level_dbfs,
        )
        for i in range(samples.shape[1])
    )
    return PackMeasure(pack, place, outputs, peak_dbfs)


def read_channels(path: str, channels: Sequence[int], signal: Signal) -> tuple[Samples, int]:
    """Return channels of a recording, shape (n, channels), and its rate.

    Raises
    ------
    CaptureError
        If it cannot be read, is too short, too long or of too low a rate, or has no such channel.
    """
    info = inspect(path)
    name = shown(path)
    needed_s = whole_size() / signal.sample_rate_hz
    if max(channels) > info.channels:
        raise CaptureError(
            f"{name}: there is no channel {max(channels)}; the recording has {info.channels}, "
            "counted from 1"
        )
    if info.sample_rate_hz < _LEAST_RATE_HZ:
        raise CaptureError(
            f"{name}: {info.sample_rate_hz} Hz is too low a rate to judge a feed; record at 44100 "
            "or 48000 Hz"
        )
    if info.duration_s < 0.95 * needed_s:
        raise CaptureError(
            f"{name}: {duration_text(info.duration_s)} is too short to hold the test signal of "
            f"{duration_text(needed_s)}; start recording before it plays and stop after it"
        )
    if info.frames > MAX_CAPTURE_FRAMES:
        raise CaptureError(
            f"{name}: {duration_text(info.duration_s)} is too long; cut out the test signal with "
            "some seconds on either side"
        )
    columns = [one - 1 for one in channels]
    samples = np.concatenate([block[:, columns] for block in read_blocks(info)])
    if not np.isfinite(samples).all():
        raise CaptureError(
            f"{name}: holds samples that are not finite numbers; export it again from the program "
            "that made it"
        )
    return samples, info.sample_rate_hz


_SAME_CLOCK_PPM = 0.1
"""A clock is told to some hundredths; below this, player and recorder share one."""


def _with_the_same_clock(place: Place, rate_hz: int) -> Place:
    """Return a place whose clock is the player's, on a whole sample, where it is hardly another."""
    if abs(place.clock_ppm) >= _SAME_CLOCK_PPM:
        return place
    return Place(round(place.offset_s * rate_hz) / rate_hz, 0.0)
