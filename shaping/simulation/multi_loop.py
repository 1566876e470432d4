"""Several wedges and mics in one closed loop in the time domain, and what is true of it.

As `shaping.simulation.closed_loop`, without converters and limiters: what counts here is where
the whole turns unstable. ``paths[m][w]`` leads from wedge w to mic m, ``sends[w, m]`` from mic m
into wedge w, linear::

    mic[m] = excitation[m] + sum over w of paths[m][w] * wedge[w]
    wedge[w] = eq[w](sum over m of sends[w, m] mic[m])

The excitation is a short burst of noise into every mic; the level of what goes round then rises or
falls, in the end at the rate of the fastest mode.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from shaping.simulation.closed_loop import DelayedConvolver
from shaping.simulation.colour import Complexes, Floats

_BURST_S = 0.25
_FRAME_S = 0.05
_OVERSAMPLING = 4
_CLOSER = 65


@dataclass(frozen=True, eq=False)
class MultiStage:
    """A stage of W wedges and M mics.

    Attributes
    ----------
    sample_rate_hz : int
        Sample rate in Hz.
    paths : ndarray, shape (M, W, n)
        Impulse responses, latency included: each is silent at first.
    sends : ndarray, shape (W, M)
        Linear gains; 0 is muted.
    sos : tuple of ndarray
        One equaliser for each wedge, shape (sections, 6); empty for flat ones.
    """

    sample_rate_hz: int
    paths: Floats
    sends: Floats
    sos: tuple[Floats, ...] = ()


def growth_db_per_s(
    stage: MultiStage, gain_db: float, *, duration_s: float, seed: int = 0
) -> float:
    """Return how fast the sound grows with all sends up by `gain_db`; negative where it dies away.

    The slope of the level over the last half of the time, by when the slowest to die alone is
    left.
    """
    rate = stage.sample_rate_hz
    mics, wedges, _ = stage.paths.shape
    rng = np.random.default_rng([seed, 0x6D756C74])
    delays = [int(np.flatnonzero(p)[0]) for row in stage.paths for p in row if np.any(p)]
    block = DelayedConvolver(_click(min(delays)), max_block=1024).block
    convolvers = [
        [DelayedConvolver(stage.paths[m, w], max_block=block) for w in range(wedges)]
        for m in range(mics)
    ]
    states = [np.zeros((len(sos), 2)) for sos in stage.sos]
    sends = stage.sends * 10 ** (gain_db / 20)
    blocks = round(duration_s * rate / block)
    level = np.empty(blocks)
    for at in range(blocks):
        heard = np.array([sum(path.arriving() for path in row) for row in convolvers])
        level[at] = float(np.mean(heard**2))
        if not 1e-250 < level[at] < 1e250 and at * block > _BURST_S * rate:
            return np.inf if level[at] > 1 else -np.inf
        if at * block < _BURST_S * rate:
            heard = heard + rng.standard_normal(heard.shape)
        driven = sends @ heard
        for w, sos in enumerate(stage.sos):
            if len(sos):
                driven[w], states[w] = signal.sosfilt(sos, driven[w], zi=states[w])
        for row in convolvers:
            for w, path in enumerate(row):
                path.push(driven[w])
    frame = max(1, round(_FRAME_S * rate / block))
    kept = level[blocks // 2 :][: (blocks - blocks // 2) // frame * frame]
    level_db = 10 * np.log10(kept.reshape(-1, frame).mean(axis=1) + 1e-300)
    time_s = np.arange(level_db.size) * frame * block / rate
    return float(np.polyfit(time_s, level_db, 1)[0])


def turning_gain_db(
    stage: MultiStage, expected_db: float, *, duration_s: float, within_db: float = 0.05
) -> float:
    """Return the gain of all sends at which decay turns into growth, found by running it.

    Parameters
    ----------
    stage : MultiStage
        The stage.
    expected_db : float
        Where to start looking; the search widens until it has decay and growth.
    duration_s : float
        Length of each run in seconds.
    within_db : float
        Width of the last bracket.
    """

    def grows(gain_db: float) -> bool:
        return growth_db_per_s(stage, gain_db, duration_s=duration_s) > 0

    low, high, reach = expected_db, expected_db, 0.4
    up = not grows(expected_db)
    for _ in range(12):
        if up:
            low, high = high, high + reach
            if grows(high):
                break
        else:
            low, high = low - reach, low
            if not grows(low):
                break
        reach *= 2
    while high - low > within_db:
        middle = (low + high) / 2
        low, high = (low, middle) if grows(middle) else (middle, high)
    return (low + high) / 2


def loop_responses(
    stage: MultiStage, *, oversampling: int = _OVERSAMPLING
) -> tuple[Floats, Complexes]:
    """Return ``P E S`` on a fine grid from 0 Hz to half the sample rate, shape (n, M, M)."""
    size = fft.next_fast_len(oversampling * stage.paths.shape[2], real=True)
    frequency_hz = fft.rfftfreq(size, 1 / stage.sample_rate_hz)
    return frequency_hz, _loops_at(
        stage, np.moveaxis(fft.rfft(stage.paths, size), 2, 0), frequency_hz
    )


def encirclements(stage: MultiStage, gain_db: float) -> int:
    """Count the unstable modes (a conjugate pair once) by the turns of ``det(I - P E S)``.

    Where the determinant turns fast, paths are summed anew on a finer grid.
    """
    frequency_hz, loops = loop_responses(stage)
    gain = 10 ** (gain_db / 20)
    turns = _turns(loops, gain)
    for at in np.flatnonzero(np.abs(turns) > 0.5):
        fine_hz = np.linspace(frequency_hz[at], frequency_hz[at + 1], _CLOSER)
        samples = np.arange(stage.paths.shape[2])
        wave = np.exp(-2j * np.pi / stage.sample_rate_hz * np.outer(fine_hz, samples))
        paths = np.einsum("fn,mwn->fmw", wave, stage.paths)
        turns[at] = _turns(_loops_at(stage, paths, fine_hz), gain).sum()
    return round(float(-turns.sum() / (2 * np.pi)))


def _turns(loops: Complexes, gain: float) -> NDArray[np.float64]:
    value = np.linalg.det(np.eye(loops.shape[1]) - gain * loops)
    return np.asarray(np.angle(value[1:] / value[:-1]))


def _loops_at(stage: MultiStage, paths: Complexes, frequency_hz: Floats) -> Complexes:
    if stage.sos:
        paths = paths * _equalisers(stage.sos, frequency_hz, stage.sample_rate_hz)[:, None, :]
    return np.asarray(paths @ stage.sends)


def _equalisers(sos: Sequence[Floats], frequency_hz: Floats, rate: int) -> Complexes:
    flat = np.ones(frequency_hz.size, np.complex128)
    found = [
        signal.sosfreqz(one, 2 * np.pi * frequency_hz / rate)[1] if len(one) else flat
        for one in sos
    ]
    return np.stack(found, axis=1)


def _click(delay: int) -> Floats:
    click = np.zeros(delay + 1)
    click[delay] = 1.0
    return click
