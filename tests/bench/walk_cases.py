"""Walks between measured positions: a mic that is carried from place to place.

The places of a walk are those of a measured grid that share wedge, mic and desk
(`measured_rooms.position_sets`). Between two of them the path fades from one response to the other,
direct sounds lined up, while the arrival shifts by the way that was walked: the true path is known
at every moment.

Conventions: 48 kHz; the truth of a moment is the send gain that the path of that moment allows,
worst case over phase.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from measured_data import RATE_HZ, Part, Real
from measured_rooms import MeasuredPath, position_sets
from quiet_cases import pink
from scipy import fft, signal

from shaping.simulation.closed_loop import Stage, room_noise
from shaping.simulation.recorder import recorded

SPEED_OF_SOUND_M_S = 343.0
_TRUTH_EVERY_S = 0.1
_EARLY = 120  # samples of direct sound, 2.5 ms
_AIR = 700  # samples from wedge to room, about as far as the direct sound goes


@dataclass(frozen=True, eq=False)
class WalkCase:
    """One walk.

    Attributes
    ----------
    name : str
        Grid and number.
    capture, reference : ndarray of float32
        At 48 kHz.
    moment_s : ndarray, shape (m,)
        Moments of the capture at which the truth is known.
    stable_db : ndarray, shape (m,)
        The truth: send gain that the path of each moment allows, worst case over phase.
    levels_db : ndarray of float32, shape (m, n)
        Level of the path of each moment at `frequency_hz`.
    frequency_hz : ndarray, shape (n,)
        Frequencies from 100 Hz to 16 kHz.
    """

    name: str
    capture: np.ndarray
    reference: np.ndarray
    moment_s: Real
    stable_db: Real
    levels_db: np.ndarray
    frequency_hz: Real


def walks(part: Part, n: int, *, seed: int = 0) -> Iterator[WalkCase]:
    """Yield `n` walks, the same ones on every run."""
    for index, places in enumerate(position_sets(part, n, positions=8, seed=seed + 70)):
        rng = np.random.default_rng([list(Part).index(part), 0x77616C6B, seed, index])
        yield _walk(places, rng, f"{places[0].name} walk {index}")


def _walk(places: tuple[MeasuredPath, ...], rng: np.random.Generator, name: str) -> WalkCase:
    stay_s, go_s = (0.0, 2.0) if rng.random() < 0.5 else (rng.uniform(0.5, 3.0), 2.0)
    legs = max(int(rng.integers(5, 9)), len(places))
    order = [int(rng.integers(len(places)))]
    while len(order) < legs:
        step = int(rng.integers(len(places)))
        if step != order[-1]:
            order.append(step)
    times = [0.0]
    stops = []
    for _ in order:
        stops.append((times[-1], times[-1] + stay_s))
        times.append(times[-1] + stay_s + go_s * rng.uniform(1.0, 3.0))
    duration_s = stops[-1][1] + 1.0
    reference = pink(round(duration_s * RATE_HZ), rng)
    shares, arrival_s = _shares(order, stops, places, rng, round((duration_s + 1) * RATE_HZ))
    aligned = [_from_direct(place) for place in places]
    count = shares.shape[1]
    size = fft.next_fast_len(count + _AIR + max(tail.size for tail in aligned), real=True)
    sent = fft.rfft(reference, size)
    direct, heard = np.zeros(count), np.zeros(count)
    for at, tail in enumerate(aligned):
        if shares[at].any():
            direct += shares[at] * fft.irfft(sent * fft.rfft(tail[:_EARLY], size), size)[:count]
            room = np.concatenate([np.zeros(_EARLY + _AIR), tail[_EARLY:]])
            heard += shares[at] * fft.irfft(sent * fft.rfft(room, size), size)[:count]
    # The way walked: the direct sound arrives earlier or later, and so bends in pitch.
    finer = signal.resample_poly(direct, 4, 1)
    n = np.arange(heard.size)
    heard += np.interp(4 * (n - arrival_s * RATE_HZ), np.arange(finer.size), finer, left=0.0)
    snr_db = float(rng.uniform(15, 30))
    level = 10 * np.log10(np.mean(heard[RATE_HZ:-RATE_HZ] ** 2)) - snr_db
    quiet = Stage(RATE_HZ, aligned[0], noise_dbfs=float(level))
    heard = heard + room_noise(quiet, heard.size, seed=int(rng.integers(2**31)))
    start_s = -float(rng.uniform(0.2, 2.0))
    ppm = float(rng.uniform(-100, 100))
    capture = recorded(
        heard, sample_rate_hz=RATE_HZ, start_s=start_s, duration_s=duration_s - start_s,
        clock_ppm=ppm,
    )  # fmt: skip
    moment_s, stable_db, levels_db, frequency_hz = _truth(shares, aligned, arrival_s, duration_s)
    return WalkCase(
        name,
        capture.astype(np.float32),
        reference.astype(np.float32),
        moment_s - start_s,
        stable_db,
        levels_db,
        frequency_hz,
    )


def _from_direct(place: MeasuredPath) -> Real:
    """Return a path from its direct sound on."""
    return place.path[int(np.flatnonzero(place.path)[0]) :]


def _shares(
    order: list[int],
    stops: list[tuple[float, float]],
    places: tuple[MeasuredPath, ...],
    rng: np.random.Generator,
    count: int,
) -> tuple[Real, Real]:
    """Return each place's share and the arrival in s, sample by sample."""
    at_s = np.arange(count) / RATE_HZ
    shares = np.zeros((len(places), count))
    knots_s, knots_delay = [], []
    for number, ((begin, end), place) in enumerate(zip(stops, order, strict=True)):
        before = stops[number - 1][1] if number else begin - 1.0
        after = stops[number + 1][0] if number + 1 < len(stops) else at_s[-1] + 1.0
        rise = np.ones(count) if number == 0 else (at_s - before) / max(begin - before, 1e-3)
        fall = (
            np.ones(count) if number + 1 == len(stops) else (after - at_s) / max(after - end, 1e-3)
        )
        shares[place] += np.clip(np.minimum(rise, fall), 0.0, 1.0)
        delay_s = 0.008 + float(rng.uniform(0.7, 3.0)) / SPEED_OF_SOUND_M_S
        knots_s += [begin, max(end, begin + 1e-3)]
        knots_delay += [delay_s, delay_s]
    arrival = np.interp(at_s, knots_s, knots_delay)
    smooth = np.ones(RATE_HZ // 4) / (RATE_HZ // 4)
    return shares, signal.oaconvolve(np.pad(arrival, RATE_HZ, mode="edge"), smooth, mode="same")[
        RATE_HZ:-RATE_HZ
    ]


def _truth(
    shares: Real, aligned: list[Real], arrival_s: Real, duration_s: float
) -> tuple[Real, Real, np.ndarray, Real]:
    """Return moments as heard, stable gains and levels."""
    size = fft.next_fast_len(2 * _AIR + 2 * max(tail.size for tail in aligned), real=True)
    frequency_hz = fft.rfftfreq(size, 1 / RATE_HZ)
    kept = (frequency_hz > 60) & (frequency_hz < 20_000)
    rooms = [np.concatenate([np.zeros(_EARLY + _AIR), tail[_EARLY:]]) for tail in aligned]
    direct, room = (
        np.array([fft.rfft(part, size)[kept] for part in parts], np.complex64)
        for parts in ([tail[:_EARLY] for tail in aligned], rooms)
    )
    moments = np.arange(0.0, duration_s, _TRUTH_EVERY_S)
    at = np.minimum((moments * RATE_HZ).astype(int), shares.shape[1] - 1)
    share = shares[:, at].T.astype(np.float32)
    turn = np.exp(-2j * np.pi * np.outer(arrival_s[at], frequency_hz[kept]))
    paths = (share @ direct) * turn + share @ room
    levels = (20 * np.log10(np.maximum(np.abs(paths), 1e-9))).astype(np.float32)
    return moments + arrival_s[at], -levels.max(axis=1).astype(float), levels, frequency_hz[kept]
