"""The closed loop with what happens to it while it howls: a moving mic, a limiter, a hand.

As `shaping.simulation.closed_loop`, block by block, with differences: the wedge's sound goes
through a delay that changes slowly (the mic moves; by 7 cm within seconds the loop's in-phase
point moves by some cents), and the amplifier may hold a level by a gain that falls within
milliseconds and comes back within tenths of a second, instead of saturating; or a hand
rides the fader so that the ring stays where it is, under the programme.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from measured_data import Real
from scipy import signal

from shaping.simulation.closed_loop import DelayedConvolver, Stage, converted, limited, room_noise


@dataclass(frozen=True, slots=True)
class Limiter:
    """A limiter that pumps: seconds to fall by 10 dB and to come back."""

    attack_s: float
    release_s: float


@dataclass(frozen=True, slots=True)
class Rider:
    """A hand that holds a ring of `frequency_hz` near an amplitude of `limit` at the mic."""

    frequency_hz: float
    limit: float


def run_moving(
    stage: Stage,
    programme: Real,
    *,
    gain_db: Real,
    moved_s: Real | None = None,
    limiter: Limiter | None = None,
    rider: Rider | None = None,
    seed: int = 0,
) -> tuple[Real, Real]:
    """Close the loop over a programme.

    Parameters
    ----------
    stage : Stage
        Wedge, microphone and room.
    programme, gain_db : ndarray, shape (n,)
        Sound at the mic other than the wedge's, and the send gain.
    moved_s : ndarray, shape (n,), or None
        Delay added by the mic's movement, never negative.
    limiter : Limiter or None
        None saturates.
    rider : Rider or None
        None leaves the fader alone.
    seed : int
        Seed of the room's noise.

    Returns
    -------
    channel, wedge : ndarray, shape (n,)
        Samples of the mic channel, and of what arrives from the wedge alone.
    """
    entering = programme + room_noise(stage, programme.size, seed=seed)
    gain = 10 ** (gain_db / 20)
    path = DelayedConvolver(stage.path)
    size = path.block
    n = programme.size
    most = 0 if moved_s is None else int(np.ceil(moved_s.max() * stage.sample_rate_hz)) + 4
    sent = np.zeros(n + size + most)  # what the amplifier put out, after `most` of silence
    channel, heard = np.empty(n), np.empty(n)
    held, cut_db = 1.0, 0.0
    if rider is not None:
        band = (rider.frequency_hz / 1.06, rider.frequency_hz * 1.06)
        sos = signal.butter(2, band, "bandpass", fs=stage.sample_rate_hz, output="sos")
        state = np.zeros((sos.shape[0], 2))
    for start in range(0, n, size):
        stop = min(start + size, n)
        arriving = path.arriving()[: stop - start]
        channel[start:stop] = converted(entering[start:stop] + arriving)
        heard[start:stop] = arriving
        send = channel[start:stop] * gain[start:stop]
        if rider is not None:
            ringing, state = signal.sosfilt(sos, arriving, zi=state)
            level = float(np.sqrt(2 * np.mean(ringing**2)))
            wanted = float(np.clip(20 * np.log10(max(level, 1e-12) / rider.limit), 0, 15))
            cut_db += (wanted - cut_db) * (size / stage.sample_rate_hz / 0.03)
            send = send * 10 ** (-cut_db / 20)
        if limiter is None:
            send = limited(send, stage.wedge_limit)
        else:
            level = float(np.sqrt(2 * np.mean(send**2)))
            wanted = min(stage.wedge_limit / max(level, 1e-12), 1.0)
            time_s = limiter.attack_s if wanted < held else limiter.release_s
            fresh = wanted + (held - wanted) * np.exp(-size / stage.sample_rate_hz / time_s)
            send = limited(send * np.linspace(held, fresh, stop - start), 4 * stage.wedge_limit)
            held = fresh
        sent[most + start : most + stop] = send
        played = send
        if moved_s is not None:
            played = _late(sent, most, start, moved_s[start:stop] * stage.sample_rate_hz)
        if stop - start < size:
            played = np.pad(played, (0, size - (stop - start)))
        path.push(played)
    return channel, heard


def _late(sent: Real, offset: int, start: int, delay: Real) -> Real:
    """Read a delay line between its samples, by cubic interpolation."""
    place = offset + start + np.arange(delay.size) - delay - 2.0
    whole = np.floor(place).astype(np.int64)
    x = place - whole
    a, b, c, d = (sent[np.maximum(whole + k, 0)] for k in (-1, 0, 1, 2))
    return np.asarray(
        b + 0.5 * x * (c - a + x * (2 * a - 5 * b + 4 * c - d + x * (3 * (b - c) + d - a)))
    )
