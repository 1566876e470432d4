"""Quiet measurements on measured rooms, sound ones and ones with one thing wrong.

Every case is a capture with its reference and the truth: the send gain that the true path allows.
Captures are kept in the folder that the environment variable SHAPING_BENCH_CACHE names, where
there is one, since making them takes longer than judging them.

Conventions: 48 kHz; the truth of a path that changed is that of the worst path it passed through.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
from measured_data import Part, Real, programme, programme_files
from measured_rooms import MeasuredPath, measured_paths
from numpy.typing import NDArray
from scipy import fft, signal

from shaping.simulation.closed_loop import Stage, room_noise
from shaping.simulation.recorder import recorded
from shaping.simulation.truth import stable_gain_db, worst_case_stable_gain_db

RATE_HZ = 48_000
LEVEL = 0.1
NO_CAUSE: frozenset[str] = frozenset()

Samples = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Case:
    """One measurement.

    Attributes
    ----------
    fault : str
        What is wrong with it, `sound` where nothing is.
    name : str
        Fault, room and number.
    causes : frozenset of str
        Codes of notes or refusals that name the cause rightly; empty where it is sound.
    capture, reference : ndarray of float32
        At 48 kHz.
    sweep : bool
        Whether the test signal is a sweep.
    worst_db, in_phase_db : float
        Stable gain of the true path, whatever the phase and in phase.
    """

    fault: str
    name: str
    causes: frozenset[str]
    capture: Samples
    reference: Samples
    sweep: bool
    worst_db: float
    in_phase_db: float


@dataclass(frozen=True, eq=False)
class _Draft:
    """What a fault is done to, before the recorder."""

    path: MeasuredPath
    rng: np.random.Generator
    reference: Real
    snr_db: float
    clock_ppm: float
    part: Part

    @property
    def truth(self) -> tuple[float, float]:
        return self.path.worst_case_stable_gain_db, self.path.stable_gain_db


@dataclass(frozen=True, eq=False)
class _Made:
    """A mic channel and the reference that goes with it."""

    heard: Real
    reference: Real
    truth: tuple[float, float]
    clock_ppm: float
    sweep: bool = False
    swapped: bool = False


def pink(count: int, rng: np.random.Generator, *, low_hz: float = 40.0) -> Real:
    """Return pink noise up to 18 kHz at -20 dBFS, faded at both ends, shape (count,)."""
    frequency_hz = fft.rfftfreq(count, 1 / RATE_HZ)
    weight = np.zeros_like(frequency_hz)
    band = (frequency_hz > low_hz) & (frequency_hz < 18_000)
    weight[band] = 1 / np.sqrt(frequency_hz[band])
    noise = fft.irfft(fft.rfft(rng.standard_normal(count)) * weight, count)
    fade = np.minimum(np.arange(count) / (0.05 * RATE_HZ), 1.0)
    return np.asarray(LEVEL * noise / noise.std() * fade * fade[::-1])


def _heard(draft: _Draft, played: Real, path: Real | None = None) -> Real:
    """Return the mic channel in a quiet room, a second longer than what was played."""
    response = draft.path.path if path is None else path
    return np.asarray(signal.oaconvolve(np.append(played, np.zeros(RATE_HZ)), response))[
        : played.size + RATE_HZ
    ]


def _noisy(draft: _Draft, heard: Real, *, snr_db: float | None = None) -> Real:
    """Add the room's noise, so many dB below the rms of what was heard of the test signal."""
    level = 10 * np.log10(np.mean(heard[RATE_HZ:-RATE_HZ] ** 2))
    level -= draft.snr_db if snr_db is None else snr_db
    stage = Stage(RATE_HZ, draft.path.path, noise_dbfs=float(level))
    return np.asarray(heard + room_noise(stage, heard.size, seed=int(draft.rng.integers(2**31))))


def _plain(draft: _Draft, played: Real | None = None) -> _Made:
    sent = draft.reference if played is None else played
    heard = _noisy(draft, _heard(draft, sent))
    return _Made(heard, draft.reference, draft.truth, draft.clock_ppm)


def _sound(draft: _Draft) -> _Made:
    return _plain(draft)


def _swept(draft: _Draft) -> _Draft:
    """Play a sweep of 12 s in place of the noise; clocks differ less over so short a time."""
    time_s = np.arange(int(12.0 * RATE_HZ)) / RATE_HZ
    octaves = np.log2(18_000 / 40)
    turns = 40 * 12.0 / (octaves * np.log(2)) * (2 ** (octaves * time_s / 12.0) - 1)
    fade = np.minimum(np.minimum(time_s, time_s[::-1]) / 0.05, 1.0)
    swept = LEVEL * np.sqrt(2) * np.sin(2 * np.pi * turns) * fade
    return replace(draft, reference=swept, clock_ppm=draft.clock_ppm / 20)


def _sweep_of(make: Callable[[_Draft], _Made]) -> Callable[[_Draft], _Made]:
    """Do to a sweep what is done to noise."""
    return lambda draft: replace(make(_swept(draft)), sweep=True)


def _filtered(draft: _Draft) -> _Made:
    rng = draft.rng
    if rng.random() < 0.6:
        edge = float(np.exp(rng.uniform(np.log(300), np.log(700))))
        sos = signal.butter(int(rng.integers(6, 13)), edge, "highpass", fs=RATE_HZ, output="sos")
    else:
        edge = float(np.exp(rng.uniform(np.log(1500), np.log(4500))))
        sos = signal.butter(int(rng.integers(6, 13)), edge, "lowpass", fs=RATE_HZ, output="sos")
    played = signal.sosfilt(sos, draft.reference)
    # The file that was played holds the filter or, played through something small, it does not.
    return replace(
        _plain(draft, played), reference=played if rng.random() < 0.5 else draft.reference
    )


def _small_speaker(draft: _Draft) -> _Made:
    edge = float(np.exp(draft.rng.uniform(np.log(300), np.log(550))))
    sos = signal.butter(int(draft.rng.integers(6, 9)), edge, "highpass", fs=RATE_HZ, output="sos")
    return _plain(draft, signal.sosfilt(sos, draft.reference))


def _clipped(draft: _Draft) -> _Made:
    limit = LEVEL * float(draft.rng.uniform(0.5, 1.3))
    ratio = draft.reference / limit
    return _plain(draft, draft.reference / (1 + ratio**6) ** (1 / 6))


def _limited(draft: _Draft) -> _Made:
    rng = draft.rng
    attack_s, release_s = rng.uniform(0.002, 0.02), rng.uniform(0.05, 0.4)
    over_db, ratio = rng.uniform(3, 10), rng.uniform(3, 20)
    step = 48
    power = draft.reference**2
    fast = signal.lfilter([1 / (0.005 * RATE_HZ)], [1, -1 + 1 / (0.005 * RATE_HZ)], power)[::step]
    envelope = np.empty_like(fast)
    state = 0.0
    up, down = 1 - np.exp(-0.001 / attack_s), 1 - np.exp(-0.001 / release_s)
    for i, value in enumerate(fast):
        state += (up if value > state else down) * (value - state)
        envelope[i] = state
    level_db = 10 * np.log10(np.maximum(envelope, 1e-12)) - 20 * np.log10(LEVEL) + over_db
    gain_db = -np.maximum(level_db, 0) * (1 - 1 / ratio)
    gain_db = np.interp(np.arange(power.size), np.arange(fast.size) * step, gain_db)
    return _plain(draft, draft.reference * 10 ** (gain_db / 20))


def _moved(draft: _Draft) -> _Made:
    """Cross-fade through four paths: mic and people move, so direct sound and room change."""
    rng, path = draft.rng, draft.path.path
    start = int(np.flatnonzero(path)[0])
    snapshots = [path]
    far = rng.uniform(0.3, 1.0)
    for _ in range(3):
        tail = path[start:]
        # A longer or shorter way for every reflection, more so for late ones.
        stretch = 1 + far * rng.uniform(0.002, 0.02) * rng.choice([-1, 1])
        at = np.arange(tail.size) / stretch
        moved = np.interp(at, np.arange(tail.size), tail, right=0.0)
        shift = int(rng.integers(-12, 13) * far)
        gain = 10 ** (rng.normal(0, far) / 20)
        snapshots.append(np.concatenate([np.zeros(start + shift), gain * moved])[: path.size + 100])
    heard = np.zeros(draft.reference.size + RATE_HZ)
    place = np.linspace(0, len(snapshots) - 1, heard.size)
    for index, snapshot in enumerate(snapshots):
        share = np.clip(1 - np.abs(place - index), 0, 1)
        heard += share * _heard(draft, draft.reference, snapshot)
    stages = [Stage(RATE_HZ, snapshot) for snapshot in snapshots]
    truth = (
        min(worst_case_stable_gain_db(stage) for stage in stages),
        min(stable_gain_db(stage) for stage in stages),
    )
    return _Made(_noisy(draft, heard), draft.reference, truth, draft.clock_ppm)


def _slips(draft: _Draft) -> _Made:
    made = _plain(draft)
    heard, rng = made.heard, draft.rng
    for place in sorted(rng.uniform(0.1, 0.9, int(rng.integers(1, 6))), reverse=True):
        at, lost = int(place * heard.size), int(np.exp(rng.uniform(np.log(16), np.log(1000))))
        heard = np.delete(heard, slice(at, at + lost))
    return replace(made, heard=heard)


def _swapped(draft: _Draft) -> _Made:
    return replace(_plain(draft), swapped=True)


def _live(draft: _Draft) -> _Made:
    """Play with the send open: ``(P r + n) / (1 - g P)``, 2 to 8 dB under the howl."""
    return _closed(draft, snr_db=float(draft.rng.uniform(40, 55)))


def _live_noisy(draft: _Draft) -> _Made:
    return _closed(draft, snr_db=draft.snr_db)


def _closed(draft: _Draft, *, snr_db: float) -> _Made:
    sos = signal.butter(2, float(draft.rng.uniform(60, 120)), "highpass", fs=RATE_HZ, output="sos")
    stage = draft.path.stage
    gain_db = stable_gain_db(stage, eq_sos=sos) - float(draft.rng.uniform(2, 8))
    heard = _noisy(draft, _heard(draft, draft.reference), snr_db=snr_db)
    size = fft.next_fast_len(heard.size + 8 * RATE_HZ, real=True)
    _, equaliser = signal.freqz_sos(sos, fft.rfftfreq(size, 1 / RATE_HZ), fs=RATE_HZ)
    loop = 10 ** (gain_db / 20) * equaliser * fft.rfft(draft.path.path, size)
    closed = fft.irfft(fft.rfft(heard, size) / (1 - loop), size)[: heard.size]
    return _Made(closed, draft.reference, draft.truth, draft.clock_ppm)


def _short(draft: _Draft) -> _Made:
    short = replace(draft, reference=draft.reference[: int(draft.rng.uniform(4, 6) * RATE_HZ)])
    return _plain(short)


def _automatic(draft: _Draft) -> _Made:
    made = _plain(draft)
    rng = draft.rng
    knots = int(made.heard.size / RATE_HZ / rng.uniform(1.5, 4)) + 2
    gain_db = np.cumsum(rng.normal(0, 1.5, knots))
    gain_db *= rng.uniform(2, 6) / np.ptp(gain_db)
    curve = np.interp(np.linspace(0, knots - 1, made.heard.size), np.arange(knots), gain_db)
    # The truth is that of the highest gain it went through.
    loudest = float(curve[RATE_HZ:-RATE_HZ].max())
    truth = (made.truth[0] - loudest, made.truth[1] - loudest)
    return replace(made, heard=made.heard * 10 ** (curve / 20), truth=truth)


def _gated(draft: _Draft) -> _Made:
    made = _plain(draft)
    gate = np.ones(made.heard.size)
    for _ in range(int(draft.rng.integers(3, 9))):
        at = int(draft.rng.integers(gate.size))
        gate[at : at + int(draft.rng.uniform(0.2, 0.8) * RATE_HZ)] = 0.02
    gate = signal.lfilter([1 / 480], [1, -1 + 1 / 480], gate)
    return replace(made, heard=made.heard * gate)


def _other_file(draft: _Draft) -> _Made:
    return replace(_plain(draft), reference=pink(draft.reference.size, draft.rng))


def _clock(draft: _Draft) -> _Made:
    made = _plain(draft)
    kind = draft.rng.integers(3)
    if kind == 0:  # a rate that is not the one in the file
        up, down = (147, 160) if draft.rng.random() < 0.5 else (160, 147)
        return replace(made, heard=signal.resample_poly(made.heard, up, down), clock_ppm=0.0)
    ppm = float(np.exp(draft.rng.uniform(np.log(600), np.log(5000)))) * draft.rng.choice([-1, 1])
    return replace(made, clock_ppm=ppm)


def _quiet(draft: _Draft) -> _Made:
    heard = _noisy(draft, _heard(draft, draft.reference), snr_db=float(draft.rng.uniform(-8, 2)))
    return _Made(heard, draft.reference, draft.truth, draft.clock_ppm)


def _programme(draft: _Draft) -> _Made:
    files = programme_files("music" if draft.rng.random() < 0.6 else "speech", draft.part)
    file = files[int(draft.rng.integers(len(files)))]
    sound = programme(file, draft.reference.size, draft.rng, level_dbfs=-20)
    return _plain(replace(draft, reference=sound))


FAULTS: dict[str, tuple[Callable[[_Draft], _Made], frozenset[str]]] = {
    "sound": (_sound, NO_CAUSE),
    "sound sweep": (_sweep_of(_plain), NO_CAUSE),
    "noise that leaves a band out": (_filtered, frozenset({"not-reached"})),
    "played through something small": (_small_speaker, frozenset({"not-reached"})),
    "loudspeaker clips": (_clipped, frozenset({"compressed"})),
    "limiter or compressor": (_limited, frozenset({"compressed"})),
    "somebody moves": (_moved, frozenset({"moved"})),
    "samples lost": (_slips, frozenset({"slips"})),
    "files swapped": (_swapped, frozenset({"swapped"})),
    "mic live, quiet room": (_live, frozenset({"mic-live"})),
    "mic live, noisy room": (_live_noisy, frozenset({"mic-live"})),
    "too short for the room": (_short, frozenset({"too-short"})),
    "automatic gain": (_automatic, frozenset({"gain-moved", "gated"})),
    "gate": (_gated, frozenset({"gated"})),
    "another file": (_other_file, frozenset({"other-file"})),
    "clocks too far apart": (_clock, frozenset({"clock"})),
    "drowned in noise": (_quiet, frozenset({"low-snr"})),
    "music or speech played": (_programme, frozenset({"not-noise"})),
    "sweep, loudspeaker clips": (_sweep_of(_clipped), frozenset({"compressed"})),
    "sweep, something small": (_sweep_of(_small_speaker), frozenset({"not-reached"})),
    "sweep, samples lost": (_sweep_of(_slips), frozenset({"slips"})),
    "sweep, files swapped": (_sweep_of(_swapped), frozenset({"swapped"})),
    "sweep, mic live": (_sweep_of(_live), frozenset({"mic-live"})),
    "sweep, drowned in noise": (_sweep_of(_quiet), frozenset({"low-snr"})),
}
"""What is done to a measurement, and the codes that name it rightly."""

_REVERBERANT_S = 1.3


def case(fault: str, number: int, part: Part) -> Case:
    """Return one case, the same on every run."""
    index = list(FAULTS).index(fault)
    folder = os.environ.get("SHAPING_BENCH_CACHE")
    kept = Path(folder, f"{part.value}_{index}_{number}.npz") if folder else None
    make, causes = FAULTS[fault]
    if kept is not None and kept.exists():
        with np.load(kept) as stored:
            return Case(
                fault,
                str(stored["name"]),
                causes,
                stored["capture"],
                stored["reference"],
                bool(stored["sweep"]),
                float(stored["worst_db"]),
                float(stored["in_phase_db"]),
            )
    rng = np.random.default_rng([index, number, list(Part).index(part), 0x71756965])
    path = path_of(fault, number, part)
    seconds = float(rng.uniform(15, 30))
    draft = _Draft(
        path,
        rng,
        pink(int(seconds * RATE_HZ), rng),
        snr_db=float(rng.uniform(10, 30)),
        clock_ppm=float(rng.uniform(-200, 200)),
        part=part,
    )
    made = make(draft)
    capture = recorded(
        made.heard,
        sample_rate_hz=RATE_HZ,
        start_s=-float(rng.uniform(0.2, 2.0)),
        duration_s=made.heard.size / RATE_HZ + 1.0,
        clock_ppm=made.clock_ppm,
    )
    # The recorder's own noise where nothing else is.
    capture += 1e-5 * rng.standard_normal(capture.size)
    files = (capture.astype(np.float32), made.reference.astype(np.float32))
    if made.swapped:
        files = files[::-1]
    found = Case(fault, f"{fault} {number}: {path.name}", causes, *files, made.sweep, *made.truth)
    if kept is not None:
        kept.parent.mkdir(parents=True, exist_ok=True)
        np.savez(
            kept,
            name=found.name,
            capture=found.capture,
            reference=found.reference,
            sweep=found.sweep,
            worst_db=found.worst_db,
            in_phase_db=found.in_phase_db,
        )
    return found


_BATCH = 40


@cache
def _batch(part: Part, seed: int) -> tuple[MeasuredPath, ...]:
    return tuple(measured_paths(part, _BATCH, seed=seed))


def path_of(fault: str, number: int, part: Part) -> MeasuredPath:
    """Return the true loop of a case; a measurement that is too short has a lively room."""
    seed = 100 + list(FAULTS).index(fault)
    paths = _batch(part, seed + 1000 * (number // _BATCH))
    if fault == "too short for the room":
        paths = tuple(path for path in paths if path.path.size > _REVERBERANT_S * RATE_HZ)
    return paths[number % len(paths)]
