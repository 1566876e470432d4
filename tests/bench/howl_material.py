"""Recordings to tune and judge the rehearsal scan on: programme without howls, and with.

Programme is real music and speech from Debian packages, fetched with ``apt-get download`` and
unpacked in a temporary folder; nothing of it is kept in the tree. It plays inside the closed
loop of `shaping.simulation`, so that howl and music share the loop, and what is true of each howl
is measured against the same programme without the loop.

Pieces are split by name into a part for tuning and a part that no tuning has seen.

========================= ================================================================
package                   licence (from its copyright file)
========================= ================================================================
wesnoth-1.16-music        GPL-2+ (music of the game's contributors)
supertuxkart-data         CC-BY-SA, CC-BY, GPL-3+ and public domain, per track
fillets-ng-data           GPL-2+ (music and spoken English)
========================= ================================================================
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import ndimage, signal

from shaping.simulation.closed_loop import Stage, converted, room_noise, run
from shaping.simulation.colour import Peak, coloured
from shaping.simulation.microphone import Microphone, Pattern
from shaping.simulation.planting import plant_peaks, planted
from shaping.simulation.room import Room, Surface, path_response
from shaping.simulation.truth import stable_gain_db, unstable_modes
from shaping.simulation.wedge import Wedge

RATE_HZ = 48_000
PACKAGES = ("wesnoth-1.16-music", "supertuxkart-data", "fillets-ng-data")
STANDING_DB = 10.0
"""A howl counts where it stands this far over the programme in the third octave around it ..."""
LASTING_S = 0.5
"""... for at least this long."""


@dataclass(frozen=True, slots=True)
class Howl:
    """One howl in a recording, as it is known from the stage."""

    start_s: float
    stop_s: float
    frequency_hz: float
    growth_db_per_s: float
    standing_db: float


@dataclass(frozen=True, eq=False)
class Scene:
    """A recording and what is true of it."""

    name: str
    samples: NDArray[np.float32]
    howls: tuple[Howl, ...]
    clipped: bool


def packages_folder() -> Path:
    """Where packages are unpacked; kept between runs until the machine clears it."""
    return Path(os.environ.get("SHAPING_BENCH", tempfile.gettempdir())) / "shaping-bench"


def fetch(package: str) -> Path:
    """Download and unpack a Debian package, once; return the folder."""
    folder = packages_folder() / package
    if not (folder / "complete").exists():
        folder.mkdir(parents=True, exist_ok=True)
        subprocess.run(["apt-get", "download", package], cwd=folder, check=True)
        (archive,) = folder.glob("*.deb")
        subprocess.run(["dpkg-deb", "-x", archive, folder / "tree"], check=True)
        archive.unlink()
        (folder / "complete").touch()
    return folder / "tree"


def pieces(*, held_out: bool, packages: tuple[str, ...] = PACKAGES) -> list[Path]:
    """Return the music and speech files of at least 10 s of one part of the split."""
    found = []
    for package in packages:
        for path in sorted(fetch(package).rglob("*.ogg")):
            if is_held_out(path.name) == held_out and soundfile.info(path).duration >= 10:
                found.append(path)
    return found


def is_held_out(name: str) -> bool:
    """Whether a piece belongs to the part that no tuning has seen: about four in ten."""
    return hashlib.sha256(name.encode()).digest()[0] < 100


def excerpt(path: Path, *, start_s: float, duration_s: float) -> NDArray[np.float64]:
    """Read a stretch of a piece, first channel, at `RATE_HZ`."""
    with soundfile.SoundFile(path) as file:
        start = min(round(start_s * file.samplerate), max(file.frames - 1, 0))
        file.seek(start)
        samples = file.read(round(duration_s * file.samplerate), always_2d=True)[:, 0]
        rate = file.samplerate
    if rate != RATE_HZ:
        samples = signal.resample_poly(samples, RATE_HZ, rate)
    return np.asarray(samples, np.float64)


def random_stage(rng: np.random.Generator, frequency_hz: float) -> Stage:
    """Draw a wedge, a mic and a room whose loop is most likely to howl near `frequency_hz`."""
    size = (rng.uniform(7, 18), rng.uniform(6, 14), rng.uniform(3, 7))
    soft, hard = Surface(rng.uniform(0.1, 0.3), rng.uniform(0.3, 0.6)), Surface(0.08, 0.2)
    room = Room(size, (soft, soft, soft, soft, hard, soft))
    x, y = size[0] * rng.uniform(0.35, 0.65), size[1] * rng.uniform(0.35, 0.65)
    mouth = (x, y, 1.65)
    back = rng.uniform(0.7, 1.8)
    wedge = Wedge((x - back, y + rng.uniform(-0.4, 0.4), 0.3), mouth)
    pattern = list(Pattern)[int(rng.integers(1, 4))]
    mic = Microphone((x - 0.1, y, 1.55), mouth, pattern)
    path = path_response(
        room,
        wedge,
        mic,
        sample_rate_hz=RATE_HZ,
        length_s=0.25,
        latency_s=rng.uniform(0.001, 0.006),
        seed=int(rng.integers(2**31)),
    )
    # A tilt and a bump gather the ring where it was drawn; without them every room howls at 500 Hz.
    bump = Peak(frequency_hz, rng.uniform(6, 12), 0.7)
    path = coloured(path, (bump,), sample_rate_hz=RATE_HZ)
    q = float(np.exp(rng.uniform(np.log(2), np.log(9))))
    peaks = plant_peaks(
        path,
        sample_rate_hz=RATE_HZ,
        spacing_db=(0.0,),
        q=(q,),
        clearance_db=rng.uniform(1, 4),
        band_hz=(frequency_hz / 1.3, frequency_hz * 1.3),
        rng=rng,
    )
    path = planted(path, peaks, sample_rate_hz=RATE_HZ)
    return Stage(RATE_HZ, path, noise_dbfs=rng.uniform(-80, -60))


@dataclass(frozen=True, eq=False)
class Script:
    """What happens in a scene: who plays, through which loop, and the hand on the fader."""

    stage: Stage
    programme: NDArray[np.float64]
    gain_db: NDArray[np.float64]


def howling_scene(path: Path, seed: int) -> Scene:
    """Play an excerpt through a loop that is pushed over its stable gain twice."""
    script = howling_script(path, seed)
    recorded = run(script.stage, script.programme, gain_db=script.gain_db, seed=seed)
    howls = true_howls(recorded, alone(script, seed))
    clipped = bool(np.max(np.abs(recorded)) >= 0.999)
    return Scene(f"{path.stem} #{seed}", recorded.astype(np.float32), howls, clipped)


def alone(script: Script, seed: int) -> NDArray[np.float64]:
    """The programme as the channel would hold it without the wedge."""
    noise = room_noise(script.stage, script.programme.size, seed=seed)
    return converted(script.programme + noise)


def howling_script(path: Path, seed: int, *, duration_s: float = 30.0) -> Script:
    """Draw everything about a scene."""
    rng = np.random.default_rng([seed, 77])
    length = soundfile.info(path).duration
    programme = excerpt(
        path, start_s=rng.uniform(0, max(length - duration_s, 0)), duration_s=duration_s
    )
    level = float(np.sqrt(np.mean(programme**2))) + 1e-9
    programme = programme * 10 ** (rng.uniform(-36, -20) / 20) / level
    frequency_hz = float(np.exp(rng.uniform(np.log(160), np.log(7000))))
    stage = random_stage(rng, frequency_hz)
    stable_db = stable_gain_db(stage)
    growth = float(np.exp(rng.uniform(np.log(12), np.log(350))))
    excess_db = min(growth * stage.delay_s, 6.0)
    for _ in range(3):  # bumps delay the loop further: aim again
        modes = unstable_modes(stage, stable_db + excess_db)
        reached = modes[0].growth_db_per_s if modes else 1.0
        excess_db = float(np.clip(excess_db * np.clip(growth / reached, 0.3, 5), 0.05, 8.0))
    growth = unstable_modes(stage, stable_db + excess_db)[0].growth_db_per_s
    loud = float(np.sqrt(np.mean(programme**2)))
    plateau = min(loud * 10 ** (rng.uniform(-8, 30) / 20) * np.sqrt(2), 4.0)
    stage = Stage(
        RATE_HZ,
        stage.path,
        wedge_limit=plateau * 10 ** ((stable_db + excess_db) / 20),
        noise_dbfs=stage.noise_dbfs,
    )
    gain_db = np.full(programme.size, stable_db - rng.uniform(3, 9))
    for begin_s in (duration_s * 0.15, duration_s * 0.6):
        begin = round((begin_s + rng.uniform(0, 4)) * RATE_HZ)
        reach_s = 45 / max(growth, 10)
        end = begin + round((reach_s + rng.uniform(0.3, 3.5)) * RATE_HZ)
        gain_db[begin:end] = stable_db + excess_db
    ramp = round(rng.uniform(0.02, 0.4) * RATE_HZ)
    gain_db = ndimage.uniform_filter1d(gain_db, ramp, mode="nearest")
    return Script(stage, programme, gain_db)


def true_howls(recorded: NDArray[np.float64], alone: NDArray[np.float64]) -> tuple[Howl, ...]:
    """Measure each howl against the programme without the loop.

    The strongest of the bins that stand out decides frequency and time; frames of 85 ms
    every 21 ms, the programme's level held over 0.1 s on either side.
    """
    size, hop = 4096, 1024
    _, _, with_loop = signal.stft(recorded, RATE_HZ, nperseg=size, noverlap=size - hop)
    _, _, without = signal.stft(alone, RATE_HZ, nperseg=size, noverlap=size - hop)
    power, base = np.abs(with_loop) ** 2, np.abs(without) ** 2
    bins = np.arange(power.shape[0])
    low = np.maximum((bins * 2 ** (-1 / 6)).astype(int), 0)
    high = np.minimum((bins * 2 ** (1 / 6)).astype(int) + 1, bins[-1])
    total = np.vstack([np.zeros(base.shape[1]), np.cumsum(base, axis=0)])
    third = (total[high + 1] - total[low]) / 1.5
    held = ndimage.maximum_filter1d(third, 11, axis=1)
    over = 10 * np.log10((power + 1e-14) / (held + 1e-14))
    over[: round(100 * size / RATE_HZ)] = -99
    over[round(10_000 * size / RATE_HZ) :] = -99
    # Of all that stands out, the strongest is the howl; the rest are its harmonics.
    outstanding, standing = np.where(over >= STANDING_DB, power, 0), over.max(axis=0)
    howls: list[Howl] = []
    up = np.flatnonzero(standing >= STANDING_DB)
    if up.size == 0:
        return ()
    for run_ in np.split(up, np.flatnonzero(np.diff(up) > 12) + 1):
        place = int(outstanding[:, run_].sum(axis=1).argmax())
        line = over[place - 1 : place + 2].max(axis=0)
        stands = run_[line[run_] >= STANDING_DB]
        if stands.size * hop / RATE_HZ < LASTING_S:
            continue
        first, last = int(stands[0]), int(stands[-1])
        near = 10 * np.log10(power[place - 1 : place + 2].max(axis=0) + 1e-14)
        rise = near[max(first - 6, 0) : first + 3]
        growth = float(np.median(np.diff(rise))) * RATE_HZ / hop
        top = int(np.argmax(np.where(np.isin(np.arange(line.size), stands), line, -99)))
        exact = _exact_hz(recorded, place, top, size, hop)
        howls.append(
            Howl(first * hop / RATE_HZ, last * hop / RATE_HZ, exact, growth, float(line[top]))
        )
    return tuple(howls)


def _exact_hz(samples: NDArray[np.float64], place: int, frame: int, size: int, hop: int) -> float:
    start = max(0, frame * hop - size // 2)
    piece = samples[start : start + size]
    spectrum = np.abs(np.fft.rfft(piece * np.hanning(piece.size), 8 * size))
    around = slice(max(8 * (place - 2), 0), 8 * (place + 2))
    return float((around.start + int(np.argmax(spectrum[around]))) * RATE_HZ / (8 * size))


def clean_stretches(path: Path, *, block_s: float = 600.0) -> Iterator[NDArray[np.float32]]:
    """Stream a piece without howls as float32, first channel."""
    length = soundfile.info(path).duration
    start = 0.0
    while start < length:
        yield excerpt(path, start_s=start, duration_s=block_s).astype(np.float32)
        start += block_s
