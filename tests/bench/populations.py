"""Populations of virtual stages for the benches: deterministic, split for tuning and for proof.

Cases are made one at a time, as they are asked for. ``Split.TUNING`` is for choosing constants,
``Split.HELD_OUT`` for figures that are reported and looked at again and again, ``Split.FRESH`` for
those of ring-outs, taken once a change is finished.

Rooms from 80 to 2500 cubic metres, wedges and microphones with bumps of their own, loop delays of
3 to 20 ms, smooth ramps and steps, one to six rings (and none), over silence, speech, music and
hum, clipped and not.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from shaping.simulation import programme
from shaping.simulation.closed_loop import Stage
from shaping.simulation.colour import Peak
from shaping.simulation.microphone import Microphone, Pattern
from shaping.simulation.planting import plant_peaks, planted
from shaping.simulation.programme import Voice
from shaping.simulation.ring_out import Engineer, RingOut, ring_out
from shaping.simulation.room import Room, Surface, path_response
from shaping.simulation.wedge import Wedge


class Split(Enum):
    """Which part of a population; the value keeps their seeds apart."""

    TUNING = 1
    HELD_OUT = 2
    FRESH = 3


class Background(Enum):
    """What sounds on the stage during a ring-out."""

    SILENCE = "silence"
    SPEECH = "speech"
    MUSIC = "music"
    HUM = "hum"
    HELD_NOTES = "held notes"


@dataclass(frozen=True, eq=False)
class StageCase:
    """A stage, and the bumps planted in its wedge."""

    name: str
    stage: Stage
    peaks: tuple[Peak, ...]


@dataclass(frozen=True, eq=False)
class RingOutCase:
    """A ring-out with its truth."""

    name: str
    stage: Stage
    background: Background
    engineer: Engineer
    truth: RingOut

    @property
    def samples(self) -> NDArray[np.float32]:
        """The capture as a recorder keeps it, shape (n,)."""
        return self.truth.samples.astype(np.float32)


def stages(split: Split, n: int) -> Iterator[StageCase]:
    """`n` stages for the quiet ring-out: some with several strong bumps, some with none."""
    for index in range(n):
        rng = np.random.default_rng([split.value, 11, index])
        bumps = int(rng.integers(0, 6))
        yield _stage_case(f"stage {split.name.lower()} {index}", rng, bumps)


def ring_out_cases(split: Split, n: int) -> Iterator[RingOutCase]:
    """`n` ring-outs; every fourteenth stops short of the first ring."""
    backgrounds = list(Background)
    for index in range(n):
        rng = np.random.default_rng([split.value, 12, index])
        rings = (1, 2, 3, 4, 5, 6, 3, 2, 1, 4, 2, 5, 3, 0)[index % 14]
        background = backgrounds[index % len(backgrounds)]
        case = _stage_case(f"ring-out {split.name.lower()} {index}", rng, max(rings, 1))
        clipped = bool(index % 3 == 1)
        duration_s = 16.0 + 7.0 * rings
        stage = replace(case.stage, wedge_limit=float(rng.uniform(0.3, 1.0)) if clipped else 2.0)
        if clipped:  # loud enough to overload the channel or the amplifier
            stage = _louder(stage)
        n_samples = round(duration_s * stage.sample_rate_hz)
        sound = background_sound(background, n_samples, stage.sample_rate_hz, rng)
        engineer = Engineer(
            rings=rings,
            ramp_db_per_s=float(rng.uniform(0.3, 1.3)),
            step_db=float(rng.choice([0.0, 0.0, 0.5, 1.0])),
            heard_dbfs=max(float(rng.uniform(-52.0, -38.0)), _masked_dbfs(background, sound)),
            reaction_s=float(rng.uniform(0.1, 0.4)),
            hold_s=float(rng.uniform(0.8, 2.0)) if clipped else 0.0,
            back_db=float(rng.uniform(3.0, 5.0)),
            approach_db=float(rng.uniform(2.0, 3.5)),
            rest_s=float(rng.uniform(0.8, 1.6)),
            cut_q=float(rng.uniform(5.0, 10.0)),
        )
        truth = ring_out(stage, sound, engineer, seed=index)
        yield RingOutCase(case.name, stage, background, engineer, truth)


def background_sound(
    background: Background, n: int, sample_rate_hz: int, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Sound of a background at a random level, shape (n,)."""
    seed = int(rng.integers(2**31))
    level_dbfs = float(rng.uniform(-38.0, -26.0))
    match background:
        case Background.SILENCE:
            return np.zeros(n)
        case Background.SPEECH:
            return programme.speech(
                n, sample_rate_hz=sample_rate_hz, seed=seed, level_dbfs=level_dbfs
            )
        case Background.MUSIC:
            return programme.music(
                n, sample_rate_hz=sample_rate_hz, seed=seed, level_dbfs=level_dbfs
            )
        case Background.HELD_NOTES:
            voices = (Voice.ORGAN, Voice.FLUTE)
            return programme.music(
                n,
                sample_rate_hz=sample_rate_hz,
                seed=seed,
                level_dbfs=level_dbfs,
                voices=voices,
                drums=False,
            )
        case Background.HUM:
            mains_hz = float(rng.choice([50.0, 60.0]))
            level_dbfs = float(rng.uniform(-60.0, -42.0))
            return programme.hum(
                n,
                sample_rate_hz=sample_rate_hz,
                seed=seed,
                level_dbfs=level_dbfs,
                mains_hz=mains_hz,
            )


def _stage_case(name: str, rng: np.random.Generator, bumps: int) -> StageCase:
    rate = int(rng.choice([48_000, 48_000, 44_100]))
    size = tuple(float(x) for x in rng.uniform((5.5, 4.5, 2.8), (17.0, 13.0, 7.5)))
    surfaces = tuple(_surface(rng) for _ in range(6))
    room = Room(size, surfaces)  # type: ignore[arg-type]
    mouth = (
        float(size[0] * rng.uniform(0.3, 0.7)),
        float(size[1] * rng.uniform(0.4, 0.7)),
        float(rng.uniform(1.2, 1.75)),
    )
    angle = float(rng.uniform(-0.7, 0.7))
    distance = float(rng.uniform(0.6, 1.8))
    wedge = Wedge(
        position_m=(
            mouth[0] + distance * np.sin(angle),
            mouth[1] - distance * np.cos(angle),
            float(rng.uniform(0.25, 0.45)),
        ),
        aim_m=mouth,
        peaks=_bumps(rng, 4, 2.5),
        radius_m=float(rng.choice([0.10, 0.127, 0.165])),
        low_hz=float(rng.uniform(55.0, 110.0)),
    )
    microphone = Microphone(
        position_m=mouth,
        aim_m=(mouth[0], mouth[1] + 0.3, mouth[2] + float(rng.uniform(-0.05, 0.2))),
        pattern=Pattern[str(rng.choice(["CARDIOID", "SUPERCARDIOID", "HYPERCARDIOID"]))],
        peaks=(
            Peak(float(rng.uniform(3_000, 6_000)), float(rng.uniform(3, 6)), 0.9),
            *_bumps(rng, 3, 1.5),
        ),
        low_hz=float(rng.uniform(140.0, 220.0)),
        cupped=bool(rng.random() < 0.15),
    )
    path = path_response(
        room,
        wedge,
        microphone,
        sample_rate_hz=rate,
        length_s=float(rng.uniform(0.4, 0.8)),
        latency_s=float(rng.uniform(0.001, 0.011)),
        seed=int(rng.integers(2**31)),
    )
    path *= 10 ** (rng.uniform(-6.0, 6.0) / 20) / np.abs(path).max() * 0.1
    peaks: tuple[Peak, ...] = ()
    if bumps:
        peaks = plant_peaks(
            path,
            sample_rate_hz=rate,
            spacing_db=tuple(np.cumsum([0.0, *rng.uniform(0.3, 1.0, bumps - 1)]).tolist()),
            q=tuple(rng.uniform(5.0, 14.0, bumps).tolist()),
            clearance_db=float(rng.uniform(4.0, 5.5)),
            band_hz=(180.0, 6_000.0),
            rng=rng,
        )
        path = planted(path, peaks, sample_rate_hz=rate)
    noise_dbfs = float(rng.uniform(-78.0, -62.0))
    return StageCase(name, Stage(rate, path, noise_dbfs=noise_dbfs), peaks)


def _masked_dbfs(background: Background, sound: NDArray[np.float64]) -> float:
    """Level below which a tone goes unnoticed under the programme: 12 dB below it (assumed)."""
    if background in (Background.SILENCE, Background.HUM):
        return -np.inf
    return float(10 * np.log10(np.mean(sound**2))) - 12.0


def _louder(stage: Stage) -> Stage:
    """The same loop with a more sensitive wedge, so that its limit overloads the channel."""
    loudest = np.max(np.abs(np.fft.rfft(stage.path)))
    return replace(stage, path=stage.path * 2.5 / loudest / stage.wedge_limit)


def _surface(rng: np.random.Generator) -> Surface:
    low = float(rng.uniform(0.12, 0.35))
    return Surface(low, min(0.9, low * float(rng.uniform(1.0, 2.5))), float(rng.uniform(400, 2000)))


def _bumps(rng: np.random.Generator, n: int, spread_db: float) -> tuple[Peak, ...]:
    frequency_hz = 10 ** rng.uniform(np.log10(150.0), np.log10(9_000.0), n)
    gain_db = rng.normal(0.0, spread_db, n)
    q = rng.uniform(1.5, 6.0, n)
    return tuple(
        Peak(float(f), float(g), float(w)) for f, g, w in zip(frequency_hz, gain_db, q, strict=True)
    )
