"""Ring-outs in loops through measured rooms, rendered in the time domain, with their truth.

One recording each, nothing dialled in while it runs. The send goes up in a ramp or in steps of
1 dB, to 0.8 to 2.5 dB beyond the first howl. Half of the howls are left standing at the end; the
others are pulled down within a second of being heard, once or several times, as an engineer does.
Over noise of the room alone, over speech or music that the project did not make, and over mains
hum; the howl runs into an amplifier that bends, one that clips, or one whose limiter turns itself
down; one in six clips the channel as well.

Rendering is kept in ``shaping-bench-ring-outs`` of the temporary folder (or below SHAPING_BENCH),
by everything that shapes it.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

import numpy as np
from measured_data import RATE_HZ, Part, Real, programme, programme_files
from measured_rooms import MeasuredPath, measured_paths
from numpy.typing import NDArray

from shaping.simulation.closed_loop import DelayedConvolver, Stage, converted, limited, room_noise
from shaping.simulation.programme import hum
from shaping.simulation.truth import modes

VERSION = 2
"""Raise it when anything here changes what is rendered."""

_TRIP_S = 0.05  # of a reverberant loop, roughly
_GROWN_DB = 15.0


class Background(Enum):
    """What sounds besides the room's noise."""

    QUIET = "quiet"
    SPEECH = "speech"
    MUSIC = "music"


class Limiter(Enum):
    """What ends a howl's growth."""

    SOFT = "soft"
    HARD = "hard"
    HOLDING = "holding"


@dataclass(frozen=True, slots=True)
class Hand:
    """How the send is moved.

    Attributes
    ----------
    start_db : float
        Where it starts, below the first howl.
    ramp_db_per_s, step_db : float
        How fast it goes up, and in what steps; 0 for a smooth ramp.
    excess_db : float
        How far beyond the first howl it goes at most.
    pulls : int
        How often a howl is pulled down; 0 leaves it standing to the end.
    reaction_s, back_db : float
        From hearing the howl to pulling it down, and by how much.
    stand_s : float
        How long a howl is left standing at the end.
    heard_dbfs : float
        Level at which a howl is heard.
    """

    start_db: float
    ramp_db_per_s: float
    step_db: float
    excess_db: float
    pulls: int
    reaction_s: float
    back_db: float
    stand_s: float
    heard_dbfs: float


@dataclass(frozen=True, eq=False)
class RingOutCase:
    """A recorded ring-out and what is true of it.

    Attributes
    ----------
    name : str
        Part, number, room.
    loop : MeasuredPath
        The loop.
    background, limiter, hum, hand
        How it was recorded.
    samples : ndarray of float32, shape (n,)
        The mic channel.
    gain_db : ndarray of float32, shape (n // 480,)
        The send, every 10 ms.
    dominant_hz : float
        The unstable mode that was loudest.
    howls_hz : tuple of float
        All modes unstable at the highest send.
    """

    name: str
    loop: MeasuredPath
    background: Background
    limiter: Limiter
    hum: bool
    hand: Hand
    samples: NDArray[np.float32]
    gain_db: NDArray[np.float32]
    dominant_hz: float
    howls_hz: tuple[float, ...]

    @property
    def top_db(self) -> float:
        """Highest send of the recording."""
        return float(self.gain_db.max())


def ring_out_cases(part: Part, n: int, *, seed: int = 0) -> Iterator[RingOutCase]:
    """Yield `n` ring-outs of a part, the same ones on every run."""
    for index, loop in enumerate(measured_paths(part, n, seed=seed)):
        rng = np.random.default_rng([list(Part).index(part), 0x72696E67, seed, index])
        yield _case(part, index, loop, rng)


def _case(part: Part, index: int, loop: MeasuredPath, rng: np.random.Generator) -> RingOutCase:
    background = (Background.SPEECH, Background.QUIET, Background.SPEECH, Background.MUSIC)[
        int(rng.permutation(4)[index % 4])
    ]
    limiter = list(Limiter)[int(rng.integers(3))]
    hand = Hand(
        start_db=float(rng.uniform(6, 12)),
        ramp_db_per_s=float(rng.uniform(0.6, 2.0)),
        step_db=float(rng.choice([0.0, 1.0])),
        excess_db=float(rng.uniform(0.8, 2.5)),
        pulls=int(rng.choice([0, 0, 0, 1, 2, 3])),
        reaction_s=float(rng.uniform(0.3, 0.9)),
        back_db=float(rng.uniform(4, 8)),
        stand_s=float(rng.uniform(2, 5)),
        heard_dbfs=float(rng.uniform(-46, -36)),
    )
    with_hum = bool(rng.random() < 1 / 3)
    howl_dbfs = float(rng.uniform(-24, -4)) if rng.random() > 1 / 6 else 4.0
    programme_dbfs, noise_dbfs = float(rng.uniform(-40, -28)), float(rng.uniform(-80, -62))
    kept = _kept(part, index, loop, (background, limiter, hand, with_hum, howl_dbfs))
    if kept.exists():
        stored = np.load(kept)
        samples, gain_db = stored["samples"], stored["gain_db"]
    else:
        n = round(40 * RATE_HZ)
        sound = np.zeros(n)
        if background is not Background.QUIET:
            files = programme_files(background.value, part)
            file = files[int(rng.integers(len(files)))]
            sound += programme(file, n, rng, level_dbfs=programme_dbfs)
        if with_hum:
            mains_hz, level_dbfs = float(rng.choice([50.0, 60.0])), float(rng.uniform(-62, -48))
            sound += hum(
                n, sample_rate_hz=RATE_HZ, seed=index, level_dbfs=level_dbfs, mains_hz=mains_hz
            )
        at_howl_db = loop.in_phase[0].gain_db
        heard_db = hand.heard_dbfs
        if background is not Background.QUIET:
            heard_db = max(heard_db, programme_dbfs)
        samples, gain_db = _render(
            Stage(RATE_HZ, loop.path, noise_dbfs=noise_dbfs),
            sound,
            hand,
            _Howl(
                threshold_db=loop.stable_gain_db,
                limiter=limiter,
                wedge_limit=10 ** ((howl_dbfs - at_howl_db) / 20),
                heard_dbfs=max(heard_db, noise_dbfs + 12),
                watched_hz=tuple(p.frequency_hz for p in loop.in_phase[:8]),
            ),
            seed=index,
        )
        kept.parent.mkdir(parents=True, exist_ok=True)
        np.savez(kept.with_suffix(".part.npz"), samples=samples, gain_db=gain_db)
        kept.with_suffix(".part.npz").replace(kept)
    top_db = float(gain_db.max())
    grown = modes(loop.stage, top_db, margin_db=0.5, min_growth_db_per_s=0.0)
    howls_hz = tuple(mode.frequency_hz for mode in grown)
    return RingOutCase(
        name=loop.name,
        loop=loop,
        background=background,
        limiter=limiter,
        hum=with_hum,
        hand=hand,
        samples=samples,
        gain_db=gain_db,
        dominant_hz=_loudest(samples, howls_hz),
        howls_hz=howls_hz,
    )


def _kept(part: Part, index: int, loop: MeasuredPath, drawn: object) -> Path:
    folder = Path(os.environ.get("SHAPING_BENCH", tempfile.gettempdir()))
    said = f"{VERSION} {part} {index} {loop.name} {drawn}".encode() + loop.path.tobytes()
    return folder / "shaping-bench-ring-outs" / f"{hashlib.sha256(said).hexdigest()[:20]}.npz"


@dataclass(frozen=True, slots=True)
class _Howl:
    """Where the loop howls first, what ends the growth, and from what level it is heard."""

    threshold_db: float
    limiter: Limiter
    wedge_limit: float
    heard_dbfs: float
    watched_hz: tuple[float, ...]


def _render(
    stage: Stage, sound: Real, hand: Hand, howl: _Howl, *, seed: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Run the loop with a hand on the fader; return the channel and the send every 10 ms."""
    path = DelayedConvolver(stage.path, max_block=480)
    size, rate = path.block, stage.sample_rate_hz
    per_s = rate / size
    entering = sound + room_noise(stage, sound.size, seed=seed)
    heard = np.zeros(sound.size)
    gains_db = np.zeros(sound.size)
    ear = _Ear(howl.watched_hz, size, rate)
    squeeze = 1.0  # of a limiter that turns itself down
    aim_db = gain_db = howl.threshold_db - hand.start_db
    top_db = howl.threshold_db + hand.excess_db
    pulls, act_at, rest_until, end_at = hand.pulls, -1.0, 0.0, np.inf
    grown_db = 0.0
    blocks = sound.size // size
    stop = blocks * size
    for block in range(blocks):
        at = slice(block * size, (block + 1) * size)
        if block >= end_at:
            stop = block * size
            break
        if block >= rest_until and act_at < 0:
            aim_db = min(aim_db + hand.ramp_db_per_s / per_s, top_db)
        wanted_db = aim_db
        if hand.step_db and act_at < 0 and block >= rest_until:
            below = np.floor((aim_db - top_db) / hand.step_db + 1e-9) * hand.step_db
            wanted_db = top_db + float(below)
        slew_db = 50.0 / per_s
        next_db = gain_db + float(np.clip(wanted_db - gain_db, -slew_db, slew_db))
        gains_db[at] = np.linspace(gain_db, next_db, size, endpoint=False)
        gain_db = next_db
        channel = converted(entering[at] + path.arriving())
        heard[at] = channel
        send = channel * 10 ** (gains_db[at] / 20)
        if howl.limiter is Limiter.SOFT:
            send = limited(send, howl.wedge_limit)
        elif howl.limiter is Limiter.HARD:
            send = np.clip(send, -howl.wedge_limit, howl.wedge_limit)
        else:
            squeeze = min(1.0, squeeze * 10 ** (6.0 / per_s / 20))  # recovers by 6 dB a second
            squeeze = min(squeeze, howl.wedge_limit / max(float(np.abs(send).max()), 1e-12))
            send = send * squeeze
        path.push(send)
        level_dbfs = ear.level_dbfs(channel)
        # Programme is as loud at times; what an ear knows a howl by is that it keeps growing.
        grown_db = max(grown_db + (gain_db - howl.threshold_db) / _TRIP_S / per_s, 0.0)
        howls = level_dbfs > howl.heard_dbfs and grown_db > _GROWN_DB
        if act_at < 0 and block >= rest_until and howls:
            act_at = block + (hand.reaction_s if hand.pulls else hand.stand_s) * per_s
        if act_at >= 0 and block >= act_at:
            if pulls <= 0:
                stop = at.stop
                break
            pulls -= 1
            act_at, rest_until = -1.0, block + 1.2 * per_s
            aim_db = gain_db - hand.back_db
            if pulls == 0:
                rest_until, end_at = np.inf, block + 1.5 * per_s
    return heard[:stop].astype(np.float32), gains_db[:stop:480].astype(np.float32)


class _Ear:
    """The loudest of a few frequencies, each heard through a filter some 8 Hz wide."""

    def __init__(self, frequencies_hz: tuple[float, ...], size: int, rate: int) -> None:
        pole = np.exp(2j * np.pi * np.array(frequencies_hz) / rate - 25.0 / rate)
        self._weights = pole[:, None] ** np.arange(size - 1, -1, -1)
        self._turn = pole**size
        self._scale = 2 * (1 - np.exp(-25.0 / rate))
        self._state = np.zeros(pole.size, np.complex128)

    def level_dbfs(self, samples: Real) -> float:
        """Take in a block; return the level of the loudest now."""
        self._state = self._state * self._turn + self._weights @ samples
        return float(20 * np.log10(max(np.abs(self._state).max() * self._scale, 1e-12)))


def _loudest(samples: NDArray[np.float32], frequencies_hz: tuple[float, ...]) -> float:
    """Return the frequency that stood loudest for half a second, as a howl does."""
    if not frequencies_hz:
        return float("nan")
    n = RATE_HZ // 4
    window = np.hanning(n)[:, None]
    turns = np.exp(-2j * np.pi * np.outer(np.arange(n), frequencies_hz) / RATE_HZ)
    frames = np.lib.stride_tricks.sliding_window_view(samples, n)[:: n // 2]
    level = np.abs(frames @ (window * turns))
    stood = np.lib.stride_tricks.sliding_window_view(level, 4, axis=0).min(axis=2)
    return frequencies_hz[int(stood.max(axis=0).argmax())]
