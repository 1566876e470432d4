"""Loops built on measured rooms; the data and their parts are those of `measured_data`.

**A loop's path**, wedge input to mic channel: direct sound after 3 to 15 ms of desk and 0.7 to
2 m of air; a reflection off the floor or the lectern; the measured room from 2.5 ms after its own
direct sound on, set so that the direct-to-reverberant ratio from 200 Hz to 4 kHz is -2 to 8 dB;
all coloured by the minimum-phase responses of an uneven wedge and mic. The room's own direct
sound is left out, since nobody stands that far from a wedge.

Conventions: 48 kHz; gains in dB at a send gain of 0 dB, so that the send at which a point howls
is the negative of its gain.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from measured_data import LAB, RATE_HZ, Part, Real, data_folder, read, responses, room_of
from scipy import fft

from shaping.simulation import microphone, wedge
from shaping.simulation.closed_loop import Stage
from shaping.simulation.colour import Peak, bin_frequencies
from shaping.simulation.truth import in_phase_points, open_loop

DRR_DB = (-2.0, 8.0)
DESK_S = (0.003, 0.015)
AIR_M = (0.7, 2.0)
DRR_BAND_HZ = (200.0, 4_000.0)
_DIRECT_S = 0.0025  # what follows the measured direct sound sooner belongs to it
_LONGEST_S = 1.5
_TAIL_ENDS_DB = -50.0  # what is left of the energy there is the recorder's noise


@dataclass(frozen=True, slots=True)
class Point:
    """A frequency in Hz, and the loop's gain there in dB at a send gain of 0 dB."""

    frequency_hz: float
    gain_db: float


@dataclass(frozen=True, eq=False)
class MeasuredPath:
    """One loop through a measured room.

    Attributes
    ----------
    name : str
        Room, position and number, for print-outs.
    room : str
        Family of the room, as the split counts it.
    sample_rate_hz : int
        Sample rate in Hz.
    path : ndarray, shape (n,)
        Impulse response from wedge input to mic channel, silent until the first arrival.
    drr_db, delay_s : float
        Direct-to-reverberant ratio drawn, and time to the direct sound.
    worst : tuple of Point
        Peaks of the gain whatever the phase, the highest first, down to 20 dB below it.
    in_phase : tuple of Point
        Points where the loop is in phase, the highest first, down to 20 dB below it.
    """

    name: str
    room: str
    sample_rate_hz: int
    path: Real
    drr_db: float
    delay_s: float
    worst: tuple[Point, ...]
    in_phase: tuple[Point, ...]

    @property
    def stage(self) -> Stage:
        """The loop as the simulation takes it."""
        return Stage(self.sample_rate_hz, self.path)

    @property
    def stable_gain_db(self) -> float:
        """Send gain at which the loop turns unstable."""
        return -self.in_phase[0].gain_db

    @property
    def worst_case_stable_gain_db(self) -> float:
        """Send gain that is safe whatever the phase."""
        return -self.worst[0].gain_db


def measured_paths(part: Part, n: int, *, seed: int = 0) -> Iterator[MeasuredPath]:
    """Yield `n` loops, every room as often as the others, the same ones on every run."""
    folder = data_folder() / "rir"
    by_room: dict[str, list[Path]] = {}
    for path in responses(part):
        by_room.setdefault(room_of(path.relative_to(folder).as_posix())[0], []).append(path)
    rooms = sorted(by_room)
    for index in range(n):
        rng = _rng(part, seed, index)
        files = by_room[rooms[index % len(rooms)]]
        yield _loops(rng, [files[int(rng.integers(len(files)))]], f"{part.value} {index}")[0]


def position_sets(
    part: Part, n: int, *, positions: int = 5, seed: int = 0
) -> Iterator[tuple[MeasuredPath, ...]]:
    """Yield `n` sets of loops that share wedge, mic and desk but not the mic's position.

    Positions of a set are mics of one loudspeaker in the listening room, and by reciprocity
    loudspeakers of one distance in the lab. The direct sound varies by 1 dB and by 0.3 ms.
    """
    folder = data_folder() / "rir"
    sets: dict[str, list[Path]] = {}
    for path in responses(part):
        relative = path.relative_to(folder).as_posix()
        if relative.startswith("grid_otala/"):
            sets.setdefault(path.stem.split("_")[0], []).append(path)
        elif relative.startswith(LAB[1]) and path.stem.endswith("centre"):
            sets.setdefault("_".join(path.stem.split("_")[1:-1]) or "corner", []).append(path)
    names = sorted(name for name, files in sets.items() if len(files) >= 3)
    for index in range(n):
        rng = _rng(part, seed + 1_000, index)
        files = sets[names[index % len(names)]]
        chosen = [files[i] for i in rng.permutation(len(files))[:positions]]
        yield tuple(_loops(rng, chosen, f"{part.value} set {index}"))


def _rng(part: Part, seed: int, index: int) -> np.random.Generator:
    return np.random.default_rng([list(Part).index(part), 0x726F6F6D, seed, index])


@dataclass(frozen=True, slots=True)
class _Setup:
    """What the loops of one set share."""

    wedge: wedge.Wedge
    mic: microphone.Microphone
    desk_s: float
    air_m: float
    drr_db: float
    reflection_s: float
    reflection_db: float
    level_db: float


def _setup(rng: np.random.Generator) -> _Setup:
    def peaks(count: int, spread_db: float) -> tuple[Peak, ...]:
        return tuple(
            Peak(
                float(np.exp(rng.uniform(np.log(150), np.log(9_000)))),
                float(np.clip(rng.normal(0.0, spread_db), -8, 8)),
                float(np.exp(rng.uniform(np.log(1), np.log(8)))),
            )
            for _ in range(count)
        )

    origin = (0.0, 0.0, 0.0)
    presence = Peak(float(rng.uniform(2_500, 6_000)), float(rng.uniform(2, 5)), 1.2)
    return _Setup(
        wedge.Wedge(
            origin,
            origin,
            peaks(int(rng.integers(4, 8)), 3.5),
            low_hz=float(rng.uniform(60, 110)),
            high_hz=float(rng.uniform(11_000, 17_000)),
        ),
        microphone.Microphone(
            origin,
            origin,
            peaks=(presence, *peaks(int(rng.integers(1, 4)), 2.5)),
            low_hz=float(rng.uniform(100, 200)),
        ),
        desk_s=float(rng.uniform(*DESK_S)),
        air_m=float(rng.uniform(*AIR_M)),
        drr_db=float(rng.uniform(*DRR_DB)),
        reflection_s=float(rng.uniform(0.0004, 0.004)),
        reflection_db=float(rng.uniform(-9, -3)),
        level_db=float(rng.uniform(-20, 0)),
    )


def _loops(rng: np.random.Generator, files: list[Path], name: str) -> list[MeasuredPath]:
    shared = _setup(rng)
    folder = data_folder() / "rir"
    loops: list[MeasuredPath] = []
    for file in files:
        alone = len(files) == 1
        drr_db = shared.drr_db + (0.0 if alone else float(rng.normal(0, 1)))
        delay_s = shared.desk_s + shared.air_m / wedge.SPEED_OF_SOUND
        delay_s += 0.0 if alone else float(rng.uniform(-3e-4, 3e-4))
        tail = reverberation(read(file))
        path = loop_path(
            tail,
            delay_s=delay_s,
            drr_db=drr_db,
            reflection_s=shared.reflection_s,
            reflection_db=shared.reflection_db,
        )
        path = _coloured(path, shared)
        stage = Stage(RATE_HZ, path)
        frequency_hz, response = open_loop(stage)
        relative = file.relative_to(folder).as_posix().removesuffix(".flac")
        loops.append(
            MeasuredPath(
                name=f"{name}: {relative}",
                room=room_of(relative)[0],
                sample_rate_hz=RATE_HZ,
                path=path,
                drr_db=drr_db,
                delay_s=delay_s,
                worst=_peaks(frequency_hz, 20 * np.log10(np.maximum(np.abs(response), 1e-12))),
                in_phase=_highest(*in_phase_points(frequency_hz, response)),
            )
        )
    return loops


def reverberation(response: Real) -> Real:
    """Return a measured response from 2.5 ms after its direct sound on, without its noise.

    The direct sound is the first arrival of at least half the largest one. Silent until the cut,
    so that sample 0 is the direct sound's.
    """
    direct = int(np.argmax(np.abs(response) >= 0.5 * np.abs(response).max()))
    tail = response[direct : direct + round(_LONGEST_S * RATE_HZ)].copy()
    start, rise = round(_DIRECT_S * RATE_HZ), RATE_HZ // 1_000
    tail[:start] = 0.0
    tail[start : start + rise] *= np.sin(np.linspace(0, np.pi / 2, rise)) ** 2
    left = np.cumsum(tail[::-1] ** 2)[::-1]
    end = max(int(np.sum(left > left[0] * 10 ** (_TAIL_ENDS_DB / 10))), 2 * (start + rise))
    tail = tail[:end]
    fall = tail.size // 10
    tail[-fall:] *= np.cos(np.linspace(0, np.pi / 2, fall)) ** 2
    return tail


def loop_path(
    tail: Real, *, delay_s: float, drr_db: float, reflection_s: float, reflection_db: float
) -> Real:
    """Return a loop of direct sound, one reflection and a room, before any colour.

    The direct sound is a click of 1; `tail` is scaled so that the click's energy from 200 Hz to
    4 kHz stands `drr_db` over the tail's.
    """
    start = round(delay_s * RATE_HZ)
    path = np.zeros(start + max(tail.size, round(0.01 * RATE_HZ)))
    spectrum = np.abs(fft.rfft(tail)) ** 2
    frequency_hz = bin_frequencies(tail.size, sample_rate_hz=RATE_HZ)
    band = (frequency_hz >= DRR_BAND_HZ[0]) & (frequency_hz <= DRR_BAND_HZ[1])
    gain = 10 ** (-drr_db / 20) / np.sqrt(spectrum[band].mean())
    path[start : start + tail.size] = gain * tail
    path[start] += 1.0
    path[start + round(reflection_s * RATE_HZ)] += 10 ** (reflection_db / 20)
    return path


def _coloured(path: Real, setup: _Setup) -> Real:
    """Return the path through wedge and mic, with its level; silent as long as before."""
    start = int(np.flatnonzero(path)[0])
    n = fft.next_fast_len(2 * path.size, real=True)
    frequency_hz = bin_frequencies(n, sample_rate_hz=RATE_HZ)
    spectrum = fft.rfft(path, n)
    spectrum *= wedge.on_axis_response(setup.wedge, frequency_hz)
    spectrum *= microphone.on_axis_response(setup.mic, frequency_hz)
    result = np.asarray(fft.irfft(spectrum, n)[: path.size]) * 10 ** (setup.level_db / 20)
    result[:start] = 0.0
    return result


def _peaks(frequency_hz: Real, gain_db: Real) -> tuple[Point, ...]:
    inner = gain_db[1:-1]
    at = np.flatnonzero((inner >= gain_db[:-2]) & (inner > gain_db[2:])) + 1
    return _highest(frequency_hz[at], gain_db[at])


def _highest(frequency_hz: Real, gain_db: Real, *, within_db: float = 20.0) -> tuple[Point, ...]:
    order = np.argsort(-gain_db)
    kept = order[gain_db[order] > gain_db.max() - within_db]
    return tuple(Point(float(frequency_hz[i]), float(gain_db[i])) for i in kept)
