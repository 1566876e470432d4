"""One wedge, measured: listen, find the level, play, and again where blocks were lost.

The steps say what they do through a callback, and leave devices to whatever runs a player: a real
device (`shaping.live.duplex`) or a made one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from shaping.capture.signals import SignalKind, exponential_sweep, pink_noise
from shaping.errors import DeviceError, ParameterError
from shaping.live import level
from shaping.live.guard import Guard
from shaping.live.player import SILENCE_BEFORE_S, Player, Taken
from shaping.live.stopping import Cause, Stop
from shaping.live.watch.watcher import Watcher
from shaping.text.sentences import listing

TRIES: Final = 3
"""So often a take is made again before the buffers are to blame."""

DELAY_NOT_KNOWN: Final = (
    "The delay in these files holds the way through this computer and back, which the loop in use "
    "has not: figures in phase are for loop delays from 2 to 20 ms. Settings and safe sends hold "
    "whatever the delay."
)
"""One device is one clock, so all mics of a take share one delay. But what its buffers and
converters add is known to nobody: what drivers report is rounded to blocks, and no measure."""

_LISTEN_S = 2.0
_RISE_SEED = 1
_STEP_24 = np.float32(2.0**-23)

Say = Callable[[str], None]


class Runs(Protocol):
    """Whatever can run a player."""

    sample_rate_hz: int

    def run(self, player: Player, *, tick: Callable[[Player], None] | None = None) -> Taken:
        """Play to the end or to a stop, and return what came of it."""


class SoundStopped(Exception):  # noqa: N818 - it is no error
    """The sound was stopped: `cause`, and a sentence for people."""

    def __init__(self, cause: Cause, told: str) -> None:
        super().__init__(told)
        self.cause = cause


@dataclass(frozen=True, slots=True)
class Asked:
    """What is to be measured.

    Attributes
    ----------
    output : int
        Output that feeds the wedge, counted from 0.
    inputs : tuple of int
        Inputs of the mics, counted from 0.
    names : tuple of str
        What the mics are called.
    kind : SignalKind
        Noise or a sweep.
    duration_s : float
        Length of the sound.
    level_dbfs : float
        Most that is played, rms.
    seed : int
        Chooses the noise.
    """

    output: int
    inputs: tuple[int, ...]
    names: tuple[str, ...]
    kind: SignalKind = SignalKind.PINK_NOISE
    duration_s: float = 20.0
    level_dbfs: float = -30.0
    seed: int = 0

    def __post_init__(self) -> None:
        """Refuse what is too loud, and mics that share an input."""
        if self.level_dbfs > level.HIGHEST_LEVEL_DBFS:
            raise ParameterError(
                f"nothing louder than {level.HIGHEST_LEVEL_DBFS:g} dBFS is played, not "
                f"{self.level_dbfs:g}; turn up at the desk, slowly, where that is not enough"
            )
        if len(set(self.inputs)) < len(self.inputs):
            raise ParameterError("two mics cannot be on one input; check --mics")


@dataclass(frozen=True, eq=False)
class WedgeTake:
    """A sound measurement of one wedge.

    Attributes
    ----------
    reference : ndarray of float32, shape (n,)
        What was played.
    recorded : ndarray of float32, shape (m, inputs)
        What the mics heard, from `shaping.live.player.SILENCE_BEFORE_S` before it.
    level_dbfs : float
        Rms level played.
    snr_db : ndarray, shape (inputs,)
        How far the noise stood over the room.
    again : int
        How often it was taken again because blocks were lost.
    notes : tuple of str
        What a person should know.
    """

    reference: NDArray[np.float32]
    recorded: NDArray[np.float32]
    level_dbfs: float
    snr_db: NDArray[np.float64]
    again: int
    notes: tuple[str, ...]


def listen(device: Runs, asked: Asked, stop: Stop) -> level.Quiet:
    """Record the inputs with nothing playing.

    Raises
    ------
    SoundStopped
        If somebody stopped it, or the device died.
    DeviceError
        As `shaping.live.duplex.Duplex.run`.
    """
    silence = np.zeros(round(_LISTEN_S * device.sample_rate_hz), np.float32)
    taken = device.run(_player(silence, device, asked, None, stop))
    _refuse_stopped(taken, asked)
    start = round(SILENCE_BEFORE_S * device.sample_rate_hz)
    return level.quiet_of(taken.recorded[start:], device.sample_rate_hz)


def measure_wedge(
    device: Runs, asked: Asked, quiet: level.Quiet, stop: Stop, *, say: Say
) -> WedgeTake:
    """Find the level and make the take.

    Parameters
    ----------
    device : Runs
        What plays and records.
    asked : Asked
        What is to be measured.
    quiet : Quiet
        What the inputs hold with nothing playing (`listen`).
    stop : Stop
        Anybody may ask for a stop.
    say : callable
        Is told what happens.

    Raises
    ------
    SoundStopped
        If the sound was stopped, whatever the cause.
    DeviceError
        If nothing arrives at the mics, or every take loses blocks.
    """
    found = _find_level(device, asked, quiet, stop, say)
    sound = _sound(asked, found.level_dbfs, device.sample_rate_hz)
    say(f"Playing at {found.level_dbfs:g} dBFS for {sound.size / device.sample_rate_hz:.0f} s")
    for again in range(TRIES):
        taken = _run(device, asked, sound, Guard(*found.guard, device.sample_rate_hz), stop)
        _refuse_stopped(taken, asked)
        if not taken.lost:
            start = round(SILENCE_BEFORE_S * device.sample_rate_hz)
            heard = taken.recorded[start : start + sound.size]
            snr = level.snr_db(heard, quiet, device.sample_rate_hz)
            return WedgeTake(
                sound, taken.recorded, found.level_dbfs, snr, again, _weak(snr, asked, found)
            )
        left = "again" if again + 1 < TRIES else "given up"
        say(f"Blocks were lost in {taken.lost} places: this take does not count, {left}")
    raise DeviceError(
        f"blocks were lost in every one of {TRIES} takes; close other programs, or set longer "
        "buffers at the device or its sound server"
    )


@dataclass(frozen=True, eq=False)
class _Found:
    """The level to play at, and what a guard needs to know."""

    level_dbfs: float
    quiet: level.Quiet
    path_db: NDArray[np.float64]

    @property
    def guard(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        return self.quiet.loudest_db, self.path_db


def _find_level(device: Runs, asked: Asked, quiet: level.Quiet, stop: Stop, say: Say) -> _Found:
    rate = device.sample_rate_hz
    sound, levels = level.rising_noise(asked.level_dbfs, rate, seed=asked.seed + _RISE_SEED)
    window = round(level.LOOKED_AT_S * rate)
    looked = _Looked(window)

    def look(player: Player) -> None:
        at = player.position - round(SILENCE_BEFORE_S * rate)
        if not window <= at <= levels.size or at - looked.at < window // 3:
            return
        looked.at = at
        heard = level.snr_db(player.recorded[-window:], quiet, rate)
        looked.heard_db = heard
        looked.played_dbfs = float(levels[at - 1 - window // 2])
        if heard.min() >= level.WANTED_SNR_DB:
            stop.ask(Cause.LEVEL_FOUND)

    say("Rising from silence; any key stops")
    taken = _run(device, asked, sound, Guard(quiet.loudest_db, None, rate), stop, look)
    if taken.cause is Cause.LEVEL_FOUND:
        stop.cause = None
    else:
        _refuse_stopped(taken, asked)
    if looked.heard_db is None or looked.heard_db.max() < level.LEAST_HEARD_DB:
        raise DeviceError(
            f"nothing of the noise arrived at {listing(asked.names)}: output {asked.output + 1} "
            "may feed something else, or the wedge or its amplifier is off; check with the level "
            "down, then try again"
        )
    wanted = level.level_for(float(looked.heard_db.min()), looked.played_dbfs, asked.level_dbfs)
    path = np.where(looked.heard_db >= level.LEAST_HEARD_DB, taken.path_db, -np.inf)
    return _Found(wanted, quiet, path)


@dataclass
class _Looked:
    at: int
    heard_db: NDArray[np.float64] | None = None
    played_dbfs: float = level.FROM_DBFS


def _run(
    device: Runs,
    asked: Asked,
    sound: NDArray[np.float32],
    guard: Guard,
    stop: Stop,
    look: Callable[[Player], None] | None = None,
) -> Taken:
    """Run a sound, and stop it at the first certain ring."""
    watcher = Watcher(device.sample_rate_hz, len(asked.inputs))
    seen = 0

    def tick(player: Player) -> None:
        nonlocal seen
        recorded = player.recorded
        for ring in watcher.feed(recorded[seen:]):
            if ring.certain:
                stop.ask(Cause.RING, ring.channel)
        seen = len(recorded)
        if look is not None:
            look(player)

    return device.run(_player(sound, device, asked, guard, stop), tick=tick)


def _player(
    sound: NDArray[np.float32], device: Runs, asked: Asked, guard: Guard | None, stop: Stop
) -> Player:
    return Player(
        sound,
        device.sample_rate_hz,
        output=asked.output,
        inputs=asked.inputs,
        guard=guard,
        stop=stop,
    )


def _sound(asked: Asked, level_dbfs: float, rate: int) -> NDArray[np.float32]:
    """Return what is played, in the steps of the file that keeps it."""
    if asked.kind is SignalKind.SWEEP:
        made = exponential_sweep(asked.duration_s, sample_rate_hz=rate, level_dbfs=level_dbfs)
    else:
        made = pink_noise(
            asked.duration_s,
            sample_rate_hz=rate,
            level_dbfs=level_dbfs,
            seed=asked.seed,
            fade_s=min(1.0, asked.duration_s / 8),
        )
    return np.asarray(np.rint(made / _STEP_24) * _STEP_24, np.float32)


def _weak(snr: NDArray[np.float64], asked: Asked, found: _Found) -> tuple[str, ...]:
    deaf = [n for n, db in zip(asked.names, snr, strict=True) if db < level.LEAST_HEARD_DB]
    if deaf:
        return (
            f"nothing of the noise arrived at {listing(deaf)}: check patch and mute before you "
            "trust what is said of it",
        )
    weak = [
        f"{name} ({db:.0f} dB)"
        for name, db in zip(asked.names, snr, strict=True)
        if db < level.WANTED_SNR_DB - 3
    ]
    if not weak:
        return ()
    return (
        f"{listing(weak)} heard the noise less than {level.WANTED_SNR_DB:g} dB over the room at "
        f"{found.level_dbfs:g} dBFS: what is promised for it is weaker",
    )


def _refuse_stopped(taken: Taken, asked: Asked) -> None:
    cause = taken.cause
    if cause is None:
        return
    name = asked.names[taken.channel] if taken.channel is not None else "a mic"
    told = {
        Cause.KEY: "stopped by a key",
        Cause.SIGNAL: "stopped",
        Cause.CLIMBING: f"{name} climbed as a howl does, so the sound was stopped: mute its sends, "
        "keep away from the mic, then try again",
        Cause.RING: f"{name} heard a ring grow, so the sound was stopped: mute its sends to the "
        "wedge, then try again",
        Cause.CLIPPED: f"{name} clipped, so the sound was stopped: turn its preamp down, then try "
        "again",
        Cause.GONE: f"{name} fell silent while the sound played, so it was stopped: check its "
        "cable, preamp and phantom power, then try again",
        Cause.DEVICE_LOST: "the sound device went away, and the sound with it: check cable, power "
        "and sound server, then try again",
        Cause.LEVEL_FOUND: "stopped",
    }[cause]
    raise SoundStopped(cause, told)
