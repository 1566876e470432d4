"""Stages of several wedges and mics on measured rooms, split as `measured_data` has it.

**A path**, wedge w to mic m: direct sound after the desk and the air, one reflection, and the
measured room, coloured by wedge and mic, as in `measured_rooms`. The direct sound of a mic's own
wedge is a click of 1; that of another wedge comes from further away and `cross_db` lower. The
room is as strong in all paths. Where a room was measured in several places every path has its own
response; a room with fewer responses than paths lends each path a stretch of diffuse sound with
the response's own spectrum and decay: the response convolved with 40 ms of noise, whose phases are
random and whose magnitudes are those of a room.

**Sends**: every mic into its own wedge at 0 dB, into others with a chance of one half at -3 to
-12 dB. Conventions: 48 kHz; gains in dB with all sends of the stage together.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from measured_data import RATE_HZ, Part, Real, data_folder, read, responses, room_of
from measured_rooms import _coloured, _setup, loop_path, reverberation
from scipy import fft, signal

from shaping.simulation.wedge import SPEED_OF_SOUND

SIZES = ((2, 2), (3, 2), (3, 3), (4, 3), (6, 4))
"""Mics and wedges."""

CROSS_DB = ((0.0, 3.0), (3.0, 8.0), (8.0, 16.0))
_DIFFUSION_S = 0.04


@dataclass(frozen=True, eq=False)
class MeasuredStage:
    """A stage on a measured room.

    Attributes
    ----------
    name, room : str
        For print-outs; family of the room, as the split counts it.
    paths : ndarray, shape (M, W, n)
        Impulse responses from wedge inputs to mic channels.
    sends : ndarray, shape (W, M)
        Linear gains.
    cross_db : float
        How far the direct sound of other wedges lies below a mic's own.
    """

    name: str
    room: str
    paths: Real
    sends: Real
    cross_db: float

    def responses(self, *, oversampling: int = 4) -> tuple[Real, np.ndarray]:
        """Return frequencies and responses, shape (n,) and (n, M, W), from 0 to 20 kHz."""
        size = fft.next_fast_len(oversampling * self.paths.shape[2], real=True)
        frequency_hz = fft.rfftfreq(size, 1 / RATE_HZ)
        kept = frequency_hz <= 20_000
        return frequency_hz[kept], np.moveaxis(fft.rfft(self.paths, size), 2, 0)[kept]


def measured_stages(part: Part, n: int, *, seed: int = 0) -> Iterator[MeasuredStage]:
    """Yield `n` stages: rooms, sizes and closeness in turn, the same ones on every run."""
    folder = data_folder() / "rir"
    by_room: dict[str, list[Path]] = {}
    for path in responses(part):
        by_room.setdefault(room_of(path.relative_to(folder).as_posix())[0], []).append(path)
    rooms = sorted(by_room)
    for index in range(n):
        rng = np.random.default_rng([list(Part).index(part), 0x73746167, seed, index])
        room = rooms[index % len(rooms)]
        mics, wedges = SIZES[(index // len(rooms)) % len(SIZES)]
        low, high = CROSS_DB[index % len(CROSS_DB)]
        yield build(
            rng,
            by_room[room],
            mics,
            wedges,
            cross_db=float(rng.uniform(low, high)),
            name=f"{part.value} {index}: {room} {mics}x{wedges}",
            room=room,
        )


def build(
    rng: np.random.Generator,
    files: list[Path],
    mics: int,
    wedges: int,
    *,
    cross_db: float,
    name: str = "",
    room: str = "",
) -> MeasuredStage:
    """Return one stage."""
    setups = [_setup(rng) for _ in range(max(mics, wedges))]
    first = setups[0]
    tails = _tails(rng, files, mics * wedges)
    paths: list[list[Real]] = []
    for m in range(mics):
        row = []
        for w in range(wedges):
            own = m % wedges == w
            down_db = 0.0 if own else cross_db + float(rng.uniform(-1, 1))
            air_m = setups[m].air_m + (0.0 if own else float(rng.uniform(0.8, 3.5)))
            # The room's level is that of the first set-up everywhere; only the click differs.
            path = loop_path(
                tails[m * wedges + w],
                delay_s=first.desk_s + air_m / SPEED_OF_SOUND,
                drr_db=first.drr_db - down_db,
                reflection_s=setups[m].reflection_s,
                reflection_db=setups[m].reflection_db,
            ) * 10 ** (-down_db / 20)
            colour = type(first)(
                wedge=setups[w].wedge,
                mic=setups[m].mic,
                **{
                    key: getattr(first, key)
                    for key in ("desk_s", "air_m", "drr_db", "reflection_s", "reflection_db")
                },
                level_db=first.level_db + float(rng.uniform(-2, 2)),
            )
            row.append(_coloured(path, colour))
        paths.append(row)
    longest = max(path.size for row in paths for path in row)
    padded = np.array([[np.pad(path, (0, longest - path.size)) for path in row] for row in paths])
    sends = np.zeros((wedges, mics))
    for m in range(mics):
        for w in range(wedges):
            if m % wedges == w:
                sends[w, m] = 1.0
            elif rng.random() < 0.5:
                sends[w, m] = 10 ** (-float(rng.uniform(3, 12)) / 20)
    return MeasuredStage(name, room, padded, sends, cross_db)


def _tails(rng: np.random.Generator, files: list[Path], count: int) -> list[Real]:
    """Return a reverberation for every path, each from another place where there are enough."""
    if len(files) >= count:
        return [reverberation(read(files[i])) for i in rng.permutation(len(files))[:count]]
    tails = []
    for at in range(count):
        tail = reverberation(read(files[at % len(files)]))
        if at >= len(files):
            noise = rng.standard_normal(round(_DIFFUSION_S * RATE_HZ))
            noise *= np.exp(-np.arange(noise.size) / (noise.size / 4))
            start = int(np.flatnonzero(tail)[0])
            spread = signal.fftconvolve(tail[start:], noise / np.sqrt(np.sum(noise**2)))
            tail = np.concatenate([np.zeros(start), spread[: tail.size - start]])
        tails.append(tail)
    return tails
