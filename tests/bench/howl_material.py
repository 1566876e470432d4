"""Recordings with howls to tune and judge the rehearsal scan on.

Real programme plays inside closed loops on measured rooms that are pushed over their stable gain,
so that howl and music share the loop. Each scene is of one class:

========== ==============================================================================
single     one howl, growing by 12 to 350 dB/s, -6 to 25 dB over the programme
two        two howls at once: two loops, each with its own wedge, on one channel
drifting   the mic moves and the howl drifts, by 4 to 12 cents and sometimes more
strong     20 to 36 dB over the programme
weak       4 to 12 dB under the programme, where a hand on the fader holds it
pumped     held by a limiter that falls fast and comes back slowly
ratio      within 1 % of 1/2, 2/3, 3/2, 2 or 3 times a strong partial of the programme
========== ==============================================================================

What is true is measured against the same programme without the loop. Howls are told from the
loop's mere ringing by the send gain: a howl stands while the loop is unstable and for two seconds
after.
"""

from __future__ import annotations

import hashlib
import os
import pickle
import tempfile
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import general_midi
import howl_loops
import howl_sources
import made_tones
import measured_data
import measured_rooms
import numpy as np
from howl_loops import Limiter, Rider, run_moving
from measured_data import RATE_HZ, Part, Real
from measured_rooms import measured_path
from numpy.typing import NDArray
from scipy import ndimage, signal

from shaping.simulation.closed_loop import Stage, converted, room_noise
from shaping.simulation.colour import Peak, coloured
from shaping.simulation.truth import stable_gain_db, unstable_modes

DURATION_S = 26.0
STANDING_DB = 10.0
"""A howl counts where it stands this far over the programme in the third octave around it ..."""
LASTING_S = 0.5
"""... for at least this long."""

CLASSES = ("single", "two", "drifting", "strong", "weak", "pumped", "ratio")
_SHARES = (0.20, 0.22, 0.18, 0.08, 0.15, 0.08, 0.09)
_HARD_SHARES = (0.15, 0.34, 0.26, 0.05, 0.10, 0.04, 0.06)
_HARD_FROM = 320
"""From this scene on, which only tuning reaches, more are of the classes that are hard to find."""

SIZE, HOP = 4096, 1024


@dataclass(frozen=True, slots=True)
class Howl:
    """One howl in a recording, as it is known from the stage.

    Attributes
    ----------
    start_s, stop_s : float
        When it stands `STANDING_DB` over the programme.
    frequency_hz, growth_db_per_s, standing_db : float
        Where it is strongest, how fast it grew, how far it stands out at most.
    drift_cents : float
        How far its frequency moves.
    under_db : float
        Its highest level relative to the programme's mean level, as sines.
    """

    start_s: float
    stop_s: float
    frequency_hz: float
    growth_db_per_s: float
    standing_db: float
    drift_cents: float
    under_db: float


@dataclass(frozen=True, eq=False)
class Scene:
    """A recording and what is true of it.

    Attributes
    ----------
    name, kind, room, source : str
        What it is made of.
    samples : ndarray of float32, shape (n,)
        At 48 kHz.
    howls : tuple of Howl
        All that count.
    excited : tuple of (float, float)
        Stretches in which the loop was unstable, in seconds, from a second before to two after.
    clipped : bool
        Whether the converter clipped.
    """

    name: str
    kind: str
    room: str
    source: str
    samples: NDArray[np.float32]
    howls: tuple[Howl, ...]
    excited: tuple[tuple[float, float], ...]
    clipped: bool


def kind_of(index: int) -> str:
    """Return the class of a scene, in fixed shares."""
    rng = np.random.default_rng([index, 3])
    shares = _SHARES if index < _HARD_FROM else _HARD_SHARES
    return CLASSES[int(rng.choice(len(CLASSES), p=np.array(shares)))]


def kept_scene(part: Part, index: int) -> Scene:
    """Return a scene, made once and kept in the temporary folder until its makers change."""
    place = keeping_folder() / f"{part.value}-{index}.pickle"
    if place.exists():
        kept: Scene = pickle.loads(place.read_bytes())  # our own file
        return kept
    made = scene(part, index)
    fresh = place.with_suffix(f".{os.getpid()}")
    fresh.write_bytes(pickle.dumps(made))
    fresh.rename(place)
    return made


@lru_cache(maxsize=1)
def keeping_folder() -> Path:
    """Where scenes are kept until what makes them changes."""
    makers = [
        Path(module.__file__ or "")
        for module in (
            howl_sources,
            howl_loops,
            made_tones,
            measured_rooms,
            measured_data,
            general_midi,
        )
    ]
    text = b"".join(path.read_bytes() for path in (Path(__file__), *makers))
    name = f"howls-{hashlib.sha256(text).hexdigest()[:12]}"
    folder = Path(os.environ.get("SHAPING_BENCH", tempfile.gettempdir())) / "shaping-bench" / name
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def scene(part: Part, index: int) -> Scene:
    """Make one scene of a part; the same on every run."""
    rng = np.random.default_rng([list(Part).index(part), index, 77])
    kind = kind_of(index)
    wanted = ("music", "music", "speech", "speech", "notes")[int(rng.integers(5))]
    programme, piece = _programme(part, wanted, rng)
    loud = float(np.sqrt(np.mean(programme**2)))
    path = measured_path(part, index, seed=1)
    near_hz = _near_ratio(programme, rng) if kind == "ratio" else None
    stage, stable_db, excess_db, growth = _pushed(path.stage, rng, near_hz)
    over_db = {
        "strong": rng.uniform(20, 36),
        "weak": rng.uniform(-12, -4),
    }.get(kind, rng.uniform(-6, 25))
    gain_db, unstable = _hand(stable_db, excess_db, growth, rng)
    stage = _limited(stage, loud, over_db, stable_db + excess_db)
    moved = _movement(rng) if kind == "drifting" else None
    limiter = (
        Limiter(rng.uniform(0.002, 0.02), rng.uniform(0.08, 0.5)) if kind == "pumped" else None
    )
    rider = None
    if kind == "weak":
        (mode, *_) = unstable_modes(stage, stable_db + excess_db)
        rider = Rider(mode.frequency_hz, loud * 10 ** (over_db / 20) * np.sqrt(2))
        stage = _limited(stage, loud, 20.0, stable_db + excess_db)
    modes_hz = [m.frequency_hz for m in unstable_modes(stage, stable_db + excess_db)]
    noise = room_noise(stage, programme.size, seed=index)
    alone = converted(programme + noise)
    if kind == "two":
        beside = measured_path(part, index // 3 + 1, seed=2)
        other, its_stable_db, its_excess_db, _ = _pushed(
            beside.stage, rng, None, growth_db_per_s=growth * rng.uniform(0.6, 1.6)
        )
        other = _limited(other, loud, over_db + rng.uniform(-6, 6), its_stable_db + its_excess_db)
        growing = unstable_modes(other, its_stable_db + its_excess_db)
        modes_hz += [mode.frequency_hz for mode in growing]
        late = round(rng.uniform(-0.3, 0.5) * RATE_HZ)
        its_gain = np.roll(gain_db - stable_db, late) / excess_db * its_excess_db + its_stable_db
        _, second = run_moving(other, 0.2 * programme, gain_db=its_gain, seed=index + 1)
        programme = programme + second
    recorded, _ = run_moving(
        stage, programme, gain_db=gain_db, moved_s=moved, limiter=limiter, rider=rider, seed=index
    )
    howls = true_howls(recorded, alone, unstable, modes_hz)
    return Scene(
        f"{kind} {index}",
        kind,
        path.room,
        piece.source,
        recorded.astype(np.float32),
        howls,
        tuple((start - 1.0, stop + 2.0) for start, stop in unstable),
        bool(np.max(np.abs(recorded)) >= 0.999),
    )


def _programme(part: Part, kind: str, rng: np.random.Generator) -> tuple[Real, howl_sources.Piece]:
    """Draw a source, then a piece of it, then a stretch that is not silent."""
    found = howl_sources.pieces(part, kind)
    sources = sorted({piece.source for piece in found})
    while True:
        source = sources[int(rng.integers(len(sources)))]
        own = [piece for piece in found if piece.source == source]
        piece = own[int(rng.integers(len(own)))]
        sound = howl_sources.stretch(piece, DURATION_S, rng)
        level = float(np.sqrt(np.mean(sound**2)))
        if level > 1e-4:
            return sound * 10 ** (rng.uniform(-36, -20) / 20) / level, piece


def _pushed(
    stage: Stage,
    rng: np.random.Generator,
    near_hz: float | None,
    *,
    growth_db_per_s: float | None = None,
) -> tuple[Stage, float, float, float]:
    """Set where a loop howls; return it, its stable gain, and how far over it to go."""
    path = stage.path
    if near_hz is not None or rng.random() < 0.6:
        centre = near_hz or float(np.exp(rng.uniform(np.log(160), np.log(7000))))
        bumps = [Peak(centre, rng.uniform(6, 12), 0.7), Peak(centre, rng.uniform(2, 6), 6.0)]
        path = coloured(path, tuple(bumps), sample_rate_hz=RATE_HZ)
    stage = Stage(RATE_HZ, path, noise_dbfs=rng.uniform(-80, -60))
    stable_db = stable_gain_db(stage)
    growth = growth_db_per_s or float(np.exp(rng.uniform(np.log(12), np.log(350))))
    excess_db = float(np.clip(growth * 0.03, 0.2, 6.0))
    reached = 1.0
    for _ in range(3):
        modes = unstable_modes(stage, stable_db + excess_db)
        reached = modes[0].growth_db_per_s if modes else 1.0
        if 0.8 < growth / reached < 1.25:
            break
        excess_db = float(np.clip(excess_db * np.clip(growth / reached, 0.3, 4), 0.1, 8.0))
    return stage, stable_db, excess_db, reached


def _limited(stage: Stage, loud: float, over_db: float, gain_db: float) -> Stage:
    """Set the wedge's limit so that the howl stands `over_db` over the programme."""
    plateau = min(loud * 10 ** (over_db / 20) * np.sqrt(2), 4.0)
    return Stage(
        RATE_HZ,
        stage.path,
        wedge_limit=plateau * 10 ** (gain_db / 20),
        noise_dbfs=stage.noise_dbfs,
    )


def _hand(
    stable_db: float, excess_db: float, growth: float, rng: np.random.Generator
) -> tuple[Real, tuple[tuple[float, float], ...]]:
    """Return the send gain over time, and when it is over the stable gain."""
    gain_db = np.full(round(DURATION_S * RATE_HZ), stable_db - rng.uniform(2, 9))
    pushes = (DURATION_S * 0.12, DURATION_S * 0.58)
    for begin_s in pushes if rng.random() < 0.6 else (pushes[int(rng.integers(2))],):
        begin = round((begin_s + rng.uniform(0, 3)) * RATE_HZ)
        length_s = min(45 / max(growth, 10) + rng.uniform(0.6, 4.0), 0.36 * DURATION_S)
        gain_db[begin : begin + round(length_s * RATE_HZ)] = stable_db + excess_db
    ramp = round(rng.uniform(0.02, 0.4) * RATE_HZ)
    gain_db = ndimage.uniform_filter1d(gain_db, ramp, mode="nearest")
    over = np.concatenate([[False], gain_db > stable_db, [False]])
    edges = np.flatnonzero(np.diff(over.astype(np.int8))) / RATE_HZ
    return gain_db, tuple((float(a), float(b)) for a, b in edges.reshape(-1, 2))


def _movement(rng: np.random.Generator) -> Real:
    """Extra delay of a mic that is moved slowly to and fro, by 5 to 30 cm."""
    t = np.arange(round(DURATION_S * RATE_HZ)) / RATE_HZ
    reach_s = rng.uniform(0.05, 0.3) / 343.0
    turn = 2 * np.pi * (t / rng.uniform(3, 9) + rng.uniform())
    return np.asarray(reach_s * (0.5 + 0.5 * np.sin(turn)))


def _near_ratio(programme: Real, rng: np.random.Generator) -> float:
    """A frequency within 1 % of a simple ratio of a strong partial of the programme."""
    frequency_hz, power = signal.welch(programme, RATE_HZ, nperseg=16_384)
    band = (frequency_hz > 150) & (frequency_hz < 2_500)
    strongest = float(frequency_hz[band][np.argmax(power[band])])
    ratio = float(rng.choice([1 / 2, 2 / 3, 3 / 2, 2.0, 3.0]))
    return max(strongest * ratio * (1 + rng.uniform(-0.01, 0.01)), 120.0)


def true_howls(
    recorded: Real, alone: Real, unstable: tuple[tuple[float, float], ...], modes_hz: list[float]
) -> tuple[Howl, ...]:
    """Measure each howl against the programme without the loop.

    Frames of 85 ms every 21 ms, the programme's level held over 0.1 s on either side. In every
    stretch in which the loop is unstable the strongest line that stands out is a howl; then the
    next, if it is no multiple of one before, and not more than 15 dB below the strongest. Each is
    within 2 % of a mode that grows: a line that merely rings is none.
    """
    _, _, with_loop = signal.stft(recorded, RATE_HZ, nperseg=SIZE, noverlap=SIZE - HOP)
    _, _, without = signal.stft(alone, RATE_HZ, nperseg=SIZE, noverlap=SIZE - HOP)
    power, base = np.abs(with_loop) ** 2, np.abs(without) ** 2
    bins = np.arange(power.shape[0])
    low = np.maximum((bins * 2 ** (-1 / 6)).astype(int), 0)
    high = np.minimum((bins * 2 ** (1 / 6)).astype(int) + 1, bins[-1])
    total = np.vstack([np.zeros(base.shape[1]), np.cumsum(base, axis=0)])
    held = ndimage.maximum_filter1d((total[high + 1] - total[low]) / 1.5, 11, axis=1)
    whole = float(base.sum(axis=0).mean() / 1.5)
    over = 10 * np.log10((power + 1e-14) / (held + 1e-14))
    over[: round(100 * SIZE / RATE_HZ)] = -99
    over[round(10_000 * SIZE / RATE_HZ) :] = -99
    result: list[Howl] = []
    for begin, end in unstable:
        frames = np.arange(
            max(int(begin * RATE_HZ / HOP), 0),
            min(int((end + 2.0) * RATE_HZ / HOP), power.shape[1] - 1),
        )
        outstanding = np.where(over[:, frames] >= STANDING_DB, power[:, frames], 0.0)
        strength = outstanding.sum(axis=1)
        found: list[int] = []
        strongest = 0.0
        for _ in range(3):
            place = int(strength.argmax())
            if strength[place] <= strongest * 10 ** (-1.5):
                break
            howl = _howl(recorded, power, over, whole, place, frames)
            family = any(_related(place, known) for known in found)
            strength[max(place - 8, 0) : place + 9] = 0.0
            if howl is not None and not family and _grows(howl, modes_hz):
                strongest = max(strongest, float(outstanding[place].sum()))
                result.append(howl)
            found.append(place)
    return tuple(sorted(result, key=lambda howl: howl.start_s))


def _grows(howl: Howl, modes_hz: list[float]) -> bool:
    return any(abs(howl.frequency_hz / mode_hz - 1) < 0.02 for mode_hz in modes_hz)


def _related(place: int, known: int) -> bool:
    ratio = max(place, known) / min(place, known)
    return ratio > 1.5 and abs(ratio / round(ratio) - 1) < 0.01


def _howl(
    recorded: Real, power: Real, over: Real, whole: float, place: int, frames: NDArray[np.int64]
) -> Howl | None:
    line = over[place - 2 : place + 3].max(axis=0)
    up = frames[line[frames] >= STANDING_DB]
    if up.size == 0:
        return None
    runs = np.split(up, np.flatnonzero(np.diff(up) > 12) + 1)
    stands = max(runs, key=len)
    if stands.size * HOP / RATE_HZ < LASTING_S:
        return None
    first, last = int(stands[0]), int(stands[-1])
    near = 10 * np.log10(power[place - 2 : place + 3].max(axis=0) + 1e-14)
    rise = near[max(first - 6, 0) : first + 3]
    top = int(stands[np.argmax(near[stands])])
    thirds = [_exact_hz(recorded, place, int(f)) for f in np.percentile(stands, (15, 50, 85))]
    return Howl(
        first * HOP / RATE_HZ,
        last * HOP / RATE_HZ,
        _exact_hz(recorded, place, top),
        float(np.median(np.diff(rise))) * RATE_HZ / HOP,
        float(line[stands].max()),
        float(1200 * np.log2(max(thirds) / min(thirds))),
        float(near[top] - 10 * np.log10(whole + 1e-14)),
    )


def _exact_hz(samples: Real, place: int, frame: int) -> float:
    start = max(0, frame * HOP - SIZE // 2)
    piece = samples[start : start + SIZE]
    spectrum = np.abs(np.fft.rfft(piece * np.hanning(piece.size), 8 * SIZE))
    around = slice(max(8 * (place - 3), 0), 8 * (place + 3))
    return float((around.start + int(np.argmax(spectrum[around]))) * RATE_HZ / (8 * SIZE))
