"""The closed loop in the time domain, block by block.

Samples are full scale at +-1. The microphone channel's samples are what a recorder on that
channel keeps: programme, room noise and the wedge, clipped and rounded to 24 bits by the
converter. They pass the send gain, the equaliser and the amplifier's limiter and come out of the
wedge; the path brings them back one loop delay later::

    mic[n] = adc(programme[n] + noise[n] + (path * wedge)[n])
    wedge[n] = limit(eq(10^(gain_db[n] / 20) mic[n]))

No block is longer than the silence at the start of the path, so the loop is exact.
Rounding to 24 bits also makes the result independent of the last bits of the arithmetic, and so
the same on every machine.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import fft, signal

from shaping.errors import ParameterError
from shaping.simulation.colour import Floats, bin_frequencies

ADC_STEP = 2.0**-23
_MAX_BLOCK = 1024
_PARTITIONS = 16  # short partitions before the long ones take over


@dataclass(frozen=True, eq=False)
class Stage:
    """One wedge and one microphone, everything but the programme and the hand on the fader.

    Attributes
    ----------
    sample_rate_hz : int
        Sample rate in Hz.
    path : ndarray, shape (n,)
        Impulse response from the wedge's input samples to the microphone channel's samples,
        latency included: zeros up to the first arrival.
    spill : ndarray or None
        Impulse response from the wedge's input samples to a listener in the first row.
    wedge_limit : float
        Largest sample the wedge's amplifier passes.
    noise_dbfs : float
        Level (root mean square) of the room's noise on the microphone channel.
    """

    sample_rate_hz: int
    path: Floats
    spill: Floats | None = None
    wedge_limit: float = 1.0
    noise_dbfs: float = -70.0

    @property
    def delay_samples(self) -> int:
        """Samples of silence before the path's first arrival."""
        return int(np.flatnonzero(self.path)[0])

    @property
    def delay_s(self) -> float:
        """Time from the wedge's input to the strongest arrival at the microphone, in seconds."""
        return int(np.argmax(np.abs(self.path))) / self.sample_rate_hz


@dataclass(frozen=True, eq=False)
class EqChange:
    """From `start_s` on the send's equaliser is `sos`, shape (sections, 6)."""

    start_s: float
    sos: Floats


class _Partitions:
    """Uniformly partitioned convolution: a ring of past spectra times the path's spectra."""

    def __init__(self, taps: Floats, size: int) -> None:
        self._n = 2 * size
        self._count = -(-taps.size // size)
        parts = np.zeros((self._count, size))
        parts.ravel()[: taps.size] = taps
        spectra = fft.rfft(parts, self._n, axis=1)
        self._spectra = np.concatenate([spectra, spectra])  # twice, so that any turn is a slice
        self._history = np.zeros_like(spectra)
        self._newest = 0

    def convolve(self, samples: Floats) -> Floats:
        """Take in one partition; return what the path makes of all so far, shape (2 * size,)."""
        if self._count == 0:
            return np.zeros(self._n)
        self._newest = (self._newest - 1) % self._count
        self._history[self._newest] = fft.rfft(samples, self._n)
        turned = self._spectra[self._count - self._newest : 2 * self._count - self._newest]
        product = np.einsum("ij,ij->j", self._history, turned)
        return np.asarray(fft.irfft(product, self._n))


class DelayedConvolver:
    """Streaming convolution with a path that starts with silence.

    Two sizes of partition: short ones as long as the block, and from `_PARTITIONS` blocks on long
    ones, so that a second of reverberation costs little more than its early part.
    """

    def __init__(self, path: Floats, *, max_block: int = _MAX_BLOCK) -> None:
        delay = int(np.flatnonzero(path)[0]) if np.any(path) else path.size
        if delay < 1:
            raise ParameterError("a path needs at least one sample of delay to close the loop")
        self.block = _fast_block(min(delay, max_block))
        long = self.block * _PARTITIONS
        self._delay = delay
        self._short = _Partitions(path[delay : delay + long], self.block)
        self._long = _Partitions(path[delay + long :], long)
        self._gathered = np.zeros(long)
        self._slot = 0
        self._ready = np.zeros(delay + self.block + 2 * long)  # wedge's sound still to arrive

    def arriving(self) -> Floats:
        """Return the next block at the far end of the path, shape (block,)."""
        return self._ready[: self.block]

    def push(self, samples: Floats) -> None:
        """Send the block that starts now, shape (block,), and move on by one block."""
        size, delay = self.block, self._delay
        self._ready[delay : delay + 2 * size] += self._short.convolve(samples)
        self._gathered[self._slot * size : (self._slot + 1) * size] = samples
        self._slot += 1
        if self._slot == _PARTITIONS:
            # Gathered since `long - size` samples ago, due through taps from `delay + long` on.
            self._ready[delay + size :] += self._long.convolve(self._gathered)
            self._slot = 0
        self._ready[:-size] = self._ready[size:]
        self._ready[-size:] = 0.0


class ClosedLoop:
    """The running loop: `advance` moves it on by one block of `block` samples."""

    def __init__(self, stage: Stage, *, sections: int = 0) -> None:
        self._stage = stage
        self._path = DelayedConvolver(stage.path)
        self.block = self._path.block
        self._sos = _flat(max(sections, 1))
        self._state = np.zeros((self._sos.shape[0], 2))
        self._equalised = False

    def set_eq(self, sos: Floats) -> None:
        """Change the equaliser while the sound goes on; missing sections are flat."""
        full = _flat(self._sos.shape[0])
        full[: sos.shape[0]] = sos
        self._sos = full
        self._equalised = True

    def advance(self, programme: Floats, gain: Floats) -> Floats:
        """Move on by one block and return it as it sounds on the microphone channel.

        Parameters
        ----------
        programme : ndarray, shape (block,)
            Everything at the microphone but the wedge.
        gain : ndarray, shape (block,), or float
            Linear send gain.

        Returns
        -------
        ndarray, shape (block,)
        """
        channel = converted(programme + self._path.arriving())
        send = channel * gain
        if self._equalised:
            send, self._state = signal.sosfilt(self._sos, send, zi=self._state)
        self._path.push(limited(send, self._stage.wedge_limit))
        return channel


def run(
    stage: Stage,
    programme: Floats,
    *,
    gain_db: float | Floats,
    eq: Sequence[EqChange] | Floats | None = None,
    seed: int = 0,
) -> Floats:
    """Close the loop over a programme and record the microphone channel.

    Parameters
    ----------
    stage : Stage
        Wedge, microphone and room.
    programme : ndarray, shape (n,)
        Sound at the microphone other than the wedge's and the room's noise.
    gain_db : float or ndarray, shape (n,)
        Send gain in dB from channel samples to the wedge's input samples.
    eq : sequence of EqChange, or ndarray of shape (sections, 6), or None
        The send's equaliser: as it changes over time, or fixed.
    seed : int
        Seed of the room's noise.

    Returns
    -------
    ndarray, shape (n,)
        Samples of the microphone channel.
    """
    changes = _eq_changes(eq)
    loop = ClosedLoop(stage, sections=max((c.sos.shape[0] for c in changes), default=0))
    entering = programme + room_noise(stage, programme.size, seed=seed)
    gain = np.broadcast_to(10 ** (np.asarray(gain_db) / 20), entering.shape)
    result = np.empty(entering.size)
    padded = np.zeros(loop.block)
    for start in range(0, entering.size, loop.block):
        while changes and changes[0].start_s * stage.sample_rate_hz <= start:
            loop.set_eq(changes.pop(0).sos)
        stop = min(start + loop.block, entering.size)
        block, level = entering[start:stop], gain[start:stop]
        if block.size < loop.block:
            padded[: block.size] = block
            block, level = padded, np.resize(level, loop.block)
        result[start:stop] = loop.advance(block, level)[: stop - start]
    return result


def measure(
    stage: Stage, excitation: Floats, *, programme: Floats | None = None, seed: int = 0
) -> Floats:
    """Record the microphone channel with its send muted while the wedge plays `excitation`.

    Returns the channel's samples, shape of `excitation`; nothing is fed back.
    """
    played = limited(excitation, stage.wedge_limit)
    heard = signal.oaconvolve(played, stage.path)[: excitation.size]
    heard += room_noise(stage, excitation.size, seed=seed)
    return converted(heard if programme is None else heard + programme)


def room_noise(stage: Stage, n: int, *, seed: int) -> Floats:
    """Make the room's own noise, pink above 60 Hz, at `noise_dbfs`; shape (n,)."""
    rng = np.random.default_rng([seed, 0x6E6F6973])
    size = fft.next_fast_len(n + 8192, real=True)
    spectrum = fft.rfft(rng.standard_normal(size))
    frequency_hz = bin_frequencies(size, sample_rate_hz=stage.sample_rate_hz)
    weight = np.sqrt(60.0 / np.maximum(frequency_hz, 60.0))
    weight *= np.minimum(frequency_hz / 30.0, 1.0)
    power = 2 * np.sum(weight[1:] ** 2) / size
    noise = fft.irfft(spectrum * weight, size)[:n]
    return np.asarray(noise * 10 ** (stage.noise_dbfs / 20) / np.sqrt(power))


def limited(samples: Floats, limit: float) -> Floats:
    """Limit as an amplifier does: straight at low level, never beyond `limit`."""
    ratio = samples / limit
    squared = ratio * ratio
    return np.asarray(samples * (1 + squared * squared * squared) ** (-1 / 6))


def converted(samples: Floats) -> Floats:
    """Convert to digital: clipped at full scale, rounded to 24 bits."""
    return np.asarray(np.clip(np.rint(samples / ADC_STEP) * ADC_STEP, -1.0, 1.0 - ADC_STEP))


def _eq_changes(eq: Sequence[EqChange] | Floats | None) -> list[EqChange]:
    if eq is None:
        return []
    if isinstance(eq, np.ndarray):
        return [EqChange(0.0, eq)]
    return sorted(eq, key=lambda change: change.start_s)


def _flat(sections: int) -> Floats:
    return np.tile([1.0, 0.0, 0.0, 1.0, 0.0, 0.0], (sections, 1))


def _fast_block(limit: int) -> int:
    """Largest size up to `limit` with no prime factor above 5."""
    return next(n for n in range(limit, 0, -1) if fft.next_fast_len(n, real=True) == n)
