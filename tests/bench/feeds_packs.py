"""Simulated in-ear packs, sound and faulty: what the benches of feeds are made of.

Two makers, so that what was tuned on one is reported on another: ``tuning`` packs have static
bends by clipping, hum of a falling comb, white hiss, block-wise gain riding, mutes; ``report``
packs have other bends (tangent, cubic, asymmetric), hum with a rectifier's even comb, pink or
rising hiss, sample-wise peak riding with attack and release, fades and noise bursts, radio
response (roll-offs, ripple, all-pass phase), music from an open mic. The clock of a recorder is
made by cutting its spectrum to another length, which the project's resampling does not do.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from shaping.analysis.feeds.played import PERIOD, feeds_signal, stretches

Floats = NDArray[Any]
Rng = np.random.Generator

RATE_HZ = 48_000
LEVEL_DBFS = -24.0
CODES = (
    *("silent", "low", "high", "left-dead", "right-dead", "swapped", "inverted", "mono"),
    *("crosstalk", "late", "dropouts", "hum", "noisy", "limited", "compressed", "distorted"),
    "uneven",
)

NEVER_TOGETHER = [
    {"low", "high"},
    {"left-dead", "right-dead"},
    {"limited", "compressed"},  # two gains ridden at once are one
    {"mono", "swapped"},  # both ears the same: nobody can tell a swap
    {"mono", "crosstalk"},
    *({"silent", code} for code in CODES if code != "silent"),
    *({side, code} for side in ("left-dead", "right-dead") for code in ("mono", "crosstalk")),
]
"""Faults of which one hides the other by nature."""


def pairs() -> list[tuple[str, str]]:
    """Return the pairs of faults that can be told together."""
    both = itertools.combinations(CODES, 2)
    return [one for one in both if set(one) not in NEVER_TOGETHER]


@dataclass
class Made:
    """A simulated pack, and what is true of it."""

    faults: tuple[str, ...]
    stereo: bool
    level_db: float
    samples: Floats = field(repr=False, default_factory=lambda: np.zeros((0, 2)))
    severity: dict[str, float] = field(default_factory=dict)
    response: Callable[[Floats], Floats] = field(repr=False, default=np.ones_like)


@lru_cache(maxsize=1)
def played() -> Floats:
    """Return the test signal."""
    return feeds_signal(sample_rate_hz=RATE_HZ, level_dbfs=LEVEL_DBFS)


# Severities -----------------------------------------------------------------------------------
# What counts as faulty begins a little beyond the threshold, what counts as sound ends a little
# before it: level 3 dB (sound to 2.5, faulty from 3.5), crosstalk -30 (-33, -27), late 3 ms (2.7,
# 3.3), hum -60 (-64, -57), noise -50 (-53, -47), limiter -6 (-4.5, -7.5), compressor's loss 1.5
# (0.7, 2.2), distortion -30 (-33, -27), third octaves 3 dB (2, 4).


def draw_severity(rng: Rng, code: str) -> float:
    """Return how bad a fault is, over the range that is honest, near the threshold too."""
    between: dict[str, tuple[float, float]] = {
        "late": (3.3, 40.0),
        "crosstalk": (-27.0, -8.0),
        "hum": (-57.0, -25.0),
        "noisy": (-47.0, -22.0),
        "limited": (-22.0, -7.5),
        "compressed": (2.2, 9.0),
        "distorted": (-27.0, -10.0),
        "uneven": (4.0, 14.0),
    }
    if code in ("low", "high"):
        most = 55.0 if code == "low" else 20.0
        size = float(rng.choice([48.0, math.exp(rng.uniform(math.log(3.5), math.log(most)))]))
        return -size if code == "low" else min(size, most)
    if code == "dropouts":
        return float(rng.integers(2, 12))
    if code in between:
        return float(rng.uniform(*between[code]))
    return 1.0


# Making ---------------------------------------------------------------------------------------


def make_pack(
    rng: Rng, faults: tuple[str, ...], *, maker: str, stereo: bool, music: Floats | None
) -> Made:
    """Return what comes out of a pack, shape (n, 2 or 1), before the recorder."""
    severity = {code: draw_severity(rng, code) for code in faults}
    balance_db = float(rng.uniform(-0.8, 0.8))
    (ll, lr), (rl, rr) = _matrix(rng, severity, balance_db)
    left, right = played().T
    out = np.stack([ll * left + lr * right, rl * left + rr * right], axis=1).astype(np.float32)
    response = _response(rng, maker)
    if "uneven" in severity:
        out = _through(out, _uneven(rng, severity["uneven"], maker))
    gain = float(rng.uniform(-1.2, 1.2)) + severity.get("low", 0.0) + severity.get("high", 0.0)
    out = _dynamics(rng, out, severity, maker)
    if "distorted" in severity:
        out = _bent(rng, out, severity["distorted"], maker)
    elif rng.random() < 0.3:
        out = _bent(rng, out, float(rng.uniform(-50, -34)), maker)
    out *= _ears(rng, severity, stereo=stereo) * 10 ** (gain / 20)
    if "late" in severity:
        out = _shifted(out, 1e-3 * severity["late"])
    # Radio noise, hum and dropouts come after all gains; they are held against packs at their
    # usual level, or against this one where it is louder.
    loud = 10 ** ((LEVEL_DBFS + (gain if gain > 2 else 0.0)) / 20)
    out = out + _noise(rng, severity.get("noisy", float(rng.uniform(-85, -54))), loud, maker)
    if "hum" in severity or rng.random() < 0.3:
        out = out + _hum(rng, severity.get("hum", float(rng.uniform(-85, -65))), loud, maker)
    if music is not None:
        open_mic = 10 ** ((LEVEL_DBFS + float(rng.uniform(-75, -58))) / 20)
        out = out + music[: len(out), None].astype(np.float32) * np.float32(open_mic)
    if "dropouts" in severity:
        out = _dropouts(rng, out, int(severity["dropouts"]), maker)
    if not stereo:
        out = out[:, :1]
    sides = [] if "left-dead" in severity else [gain + balance_db / 2]
    if stereo and "right-dead" not in severity:
        sides.append(gain - balance_db / 2)
    level = 10 * math.log10(float(np.mean([10 ** (one / 10) for one in sides])))
    return Made(faults, stereo, level, out, severity, response)


def _ears(rng: Rng, severity: dict[str, float], *, stereo: bool) -> Floats:
    """Return gains of the two ears: turned, dead or silent."""
    gains = np.array([-1.0 if turn else 1.0 for turn in _turned(rng, severity)])
    if not stereo and "inverted" in severity:
        gains[0] = -1.0  # the one that is recorded
    if "silent" in severity:
        gains *= 0.0 if rng.random() < 0.5 else 10 ** (-float(rng.uniform(75, 100)) / 20)
    for ear, code in enumerate(("left-dead", "right-dead")):
        if code in severity:
            gains[ear] *= 10 ** (-float(rng.choice([400.0, rng.uniform(40, 60)])) / 20)
    return gains.astype(np.float32)


def _matrix(rng: Rng, severity: dict[str, float], balance_db: float) -> Floats:
    """Return gains from the signal's sides (columns) to the outputs (rows)."""
    leak = severity.get("crosstalk", float(rng.uniform(-80, -36)))
    across = 10 ** (leak / 20)
    matrix = np.array([[1.0, across], [across * 10 ** (-float(rng.uniform(0, 0.2))), 1.0]])
    if "mono" in severity:
        kind = rng.integers(3)
        matrix = np.full((2, 2), 0.5) if kind < 2 else np.array([[1.0, 0.0], [1.0, 0.0]])
    matrix = matrix[::-1] if "swapped" in severity else matrix
    return matrix * 10 ** (np.array([[balance_db], [-balance_db]]) / 40)


def _turned(rng: Rng, severity: dict[str, float]) -> tuple[bool, bool]:
    if "inverted" not in severity:
        return False, False
    if "left-dead" in severity:
        return False, True
    if "right-dead" in severity:
        return True, False
    return [(True, False), (False, True), (True, True)][rng.integers(3)]


Response = Callable[[Floats], Floats]
"""Complex response at frequencies in Hz."""


def _through(out: Floats, response: Response) -> Floats:
    size = fft.next_fast_len(len(out), real=True)
    frequency = np.arange(size // 2 + 1) * RATE_HZ / size
    spectra = fft.rfft(out, size, axis=0) * response(frequency)[:, None].astype(np.complex64)
    return fft.irfft(spectra, size, axis=0)[: len(out)]


def _response(rng: Rng, maker: str) -> Response:
    """Return what the radio does to the spectrum, noise included."""
    parts: list[Response] = [_pass(float(rng.uniform(15, 40)), 1, high=True)]
    if maker == "report":
        parts.append(_pass(float(rng.uniform(14_500, 19_000)), 5, high=False))
        if rng.random() < 0.5:  # phase of its own
            turn = float(rng.uniform(1_000, 9_000))
            parts.append(lambda f: (turn - 1j * f) / (turn + 1j * f))
        parts.append(_bell(float(rng.uniform(200, 8_000)), float(rng.uniform(-1, 1)), 1.0))

    def response(frequency_hz: Floats) -> Floats:
        whole = np.ones(frequency_hz.size, complex)
        for part in parts:
            whole *= part(np.maximum(frequency_hz, 1.0))
        return whole

    return response


def _pass(corner_hz: float, order: int, *, high: bool) -> Response:
    """Return an analogue Butterworth high-pass or low-pass."""
    b, a = signal.butter(order, 1.0, "high" if high else "low", analog=True)
    return lambda f: np.polyval(b, 1j * f / corner_hz) / np.polyval(a, 1j * f / corner_hz)


def _bell(centre_hz: float, gain_db: float, q: float) -> Response:
    """Return an analogue bell."""
    root = 10 ** (gain_db / 40)

    def response(f: Floats) -> Floats:
        s = 1j * f / centre_hz
        return (s * s + s * root / q + 1) / (s * s + s / (root * q) + 1)

    return response


def _uneven(rng: Rng, size_db: float, maker: str) -> Response:
    kind = rng.integers(3)
    if kind == 0:
        return _bell(float(rng.uniform(150, 1_500)), -size_db, float(rng.uniform(0.8, 2)))
    if kind == 1:
        return _bell(float(rng.uniform(3_000, 9_000)), size_db, float(rng.uniform(0.8, 2)))
    # A high-pass or a low-pass that takes so much off a third octave well inside.
    order = 2 if maker == "tuning" else 1
    ratio = (10 ** (size_db / 10) - 1) ** (0.5 / order)
    if rng.random() < 0.5:
        return _pass(min(125 * ratio, 700.0), order, high=True)
    return _pass(max(9_000 / ratio, 2_000.0), order, high=False)


def _dynamics(rng: Rng, out: Floats, severity: dict[str, float], maker: str) -> Floats:
    hold_rms = float(np.sqrt(np.mean(out[_hold()] ** 2)))
    if "limited" in severity:
        return _ridden(rng, out, severity["limited"], math.inf, hold_rms, maker)
    if "compressed" in severity:
        loss = severity["compressed"]
        ratio = float(rng.uniform(1.5, 5.0))
        knee = -loss / (1 - 1 / ratio)
        if knee < -26:
            ratio = 1 / (1 - loss / 26)
            knee = -26.0
        return _ridden(rng, out, knee, ratio, hold_rms, maker)
    if rng.random() < 0.3:  # what protects hearing
        return _ridden(rng, out, float(rng.uniform(-4.5, 2.0)), math.inf, hold_rms, maker)
    return out


def _ridden(
    rng: Rng, out: Floats, knee_db: float, ratio: float, hold_rms: float, maker: str
) -> Floats:
    """Return a signal whose gain is ridden: above the knee, in dB of the hold's level.

    The detector of ``tuning`` takes the rms of 50 ms, that of ``report`` the peak of both sides,
    with attack and release; the knee is set so that the steady hold loses what it should.
    """
    frame = 48
    count = len(out) // frame
    blocks = out[: count * frame].reshape(count, frame, -1)
    if maker == "tuning":
        power = (blocks**2).mean(axis=(1, 2))
        width = 50
        level = np.sqrt(np.convolve(power, np.ones(width) / width)[:count])
        reference = hold_rms
        attack_s, release_s = 0.02, 0.2
    else:
        level = np.abs(blocks).max(axis=(1, 2))
        reference = _steady_peak(level, out)
        attack_s, release_s = float(rng.uniform(0.002, 0.02)), float(rng.uniform(0.15, 0.6))
    over = 20 * np.log10(np.maximum(level, 1e-12) / reference) - knee_db
    wanted = -np.maximum(over, 0.0) * (1 - 1 / ratio)
    up, down = math.exp(-frame / RATE_HZ / attack_s), math.exp(-frame / RATE_HZ / release_s)
    now, gains = 0.0, np.empty(count)
    for i, value in enumerate(wanted.tolist()):
        keep = up if value < now else down
        now = keep * now + (1 - keep) * value
        gains[i] = now
    at = np.arange(len(out)) / frame
    smooth = np.interp(at, np.arange(count) + 0.5, gains)
    return out * (10 ** (smooth[:, None] / 20)).astype(np.float32)


def _steady_peak(level: Floats, out: Floats) -> float:
    """Return what a detector of peaks with a slow release holds during the hold."""
    hold = _hold()
    return float(np.quantile(level[hold.start // 48 : hold.stop // 48], 0.97))


def _hold() -> slice:
    (one,) = (one for one in stretches() if one.kind == "hold")
    return one.settled


def _bent(rng: Rng, out: Floats, wanted_db: float, maker: str) -> Floats:
    rms = float(np.sqrt(np.mean(out[_hold()] ** 2)))
    kind = "clip" if maker == "tuning" else str(rng.choice(["tanh", "cubic", "uneven", "clip"]))

    def bend(x: Floats, at: float) -> Floats:  # soft sound passes as it is
        if kind == "clip":
            return np.clip(x, -at * rms, at * rms)
        if kind == "tanh":
            return at * rms * np.tanh(x / (at * rms))
        if kind == "cubic":
            y = np.clip(x / (at * rms), -1, 1)
            return at * rms * (y - y**3 / 3)
        soft = np.tanh(x / (at * rms) + 0.35) - math.tanh(0.35)
        return at * rms * soft / (1 - math.tanh(0.35) ** 2)

    clean = out[_hold()][:PERIOD].astype(np.float64).ravel()
    low, high = 0.05, 30.0
    for _ in range(16):
        middle = math.sqrt(low * high)
        bent = bend(clean, middle)
        gain = float(bent @ clean / (clean @ clean))
        rest = bent - gain * clean
        power = float(rest @ rest) / (gain**2 * float(clean @ clean)) + 1e-15
        if 10 * math.log10(power) > wanted_db:
            low = middle
        else:
            high = middle
    return bend(out, high) if rms > 0 else out


def _shifted(out: Floats, delay_s: float) -> Floats:
    whole = round(delay_s * RATE_HZ)
    return np.concatenate([np.zeros((whole, out.shape[1])), out[: len(out) - whole]])


@lru_cache(maxsize=4)
def _hiss(slope: float) -> Floats:
    """Return hiss of A-weighted level 0 dB whose amplitude goes with a power of frequency."""
    from shaping.analysis.weighting import a_weighting_db

    size = 2**21
    spectrum = np.fft.rfft(np.random.default_rng(int(slope * 10) + 50).standard_normal(size))
    frequency = np.fft.rfftfreq(size, 1 / RATE_HZ)
    spectrum[1:] *= (frequency[1:] / 1_000) ** slope
    spectrum[frequency < 30] = 0.0
    weight = 10 ** (a_weighting_db(np.maximum(frequency, 1.0)) / 10)
    power = 2 * float(np.sum(np.abs(spectrum) ** 2 * weight)) / size**2
    return np.fft.irfft(spectrum / math.sqrt(power), size).astype(np.float32)


def _noise(rng: Rng, level_db: float, loud: float, maker: str) -> Floats:
    """Return hiss whose A-weighted level, against the hold's, is as wanted."""
    slope = 0.0 if maker == "tuning" else float(rng.choice([-0.5, 0.0, 0.5]))  # pink, white, radio
    hiss, size = _hiss(slope), len(played())
    starts = rng.integers(0, hiss.size - size, 2)
    made = np.stack([hiss[at : at + size] for at in starts], axis=1)
    return made * np.float32(loud * 10 ** (level_db / 20))


def _hum(rng: Rng, level_db: float, loud: float, maker: str) -> Floats:
    base = float(rng.choice([50.0, 60.0])) * (1 + float(rng.uniform(-2e-3, 2e-3)))
    phase = np.arange(4_096) / 4_096
    wave = np.zeros(phase.size)
    for k in range(1, 11):
        size = 1 / k if maker == "tuning" else (1.0 if k % 2 == 0 else 0.3) / k**0.7
        size *= float(rng.uniform(0.5, 1.0))
        wave += size * np.sin(2 * np.pi * (k * phase + float(rng.random())))
    wave *= loud * 10 ** (level_db / 20) / math.sqrt(float(np.mean(wave**2)))
    at = (np.arange(len(played())) * (base / RATE_HZ)) % 1.0
    return np.interp(at, phase, wave, period=1.0).astype(np.float32)[:, None]


def _dropouts(rng: Rng, out: Floats, count: int, maker: str) -> Floats:
    out = out.copy()
    sounding = [one for one in stretches() if one.kind in ("left", "right", "step", "hold")]
    first, last = sounding[0].start, sounding[-1].start + sounding[-1].size
    loud = float(np.sqrt(np.mean(out[_hold()] ** 2)))
    for _ in range(count):
        at = int(rng.integers(first, last - 10_000))
        size = int(RATE_HZ * math.exp(rng.uniform(math.log(0.008), math.log(0.25))))
        window = np.ones(size)
        edge = min(size // 4, 96)
        ramp = np.linspace(1, 0, edge)
        window[:edge], window[size - edge :] = 1 - ramp, ramp
        part = slice(at, at + size)
        if maker == "tuning" or rng.random() < 0.5:
            out[part] *= 1 - window[: len(out[part]), None]
        elif rng.random() < 0.5:  # a fade
            out[part] *= 1 - 0.9 * window[: len(out[part]), None]
        else:  # what an analogue radio makes of a lost carrier
            burst = rng.standard_normal((size, out.shape[1])) * loud
            out[part] = out[part] * 0.1 + burst[: len(out[part])] * window[: len(out[part]), None]
    return out


# Recording ------------------------------------------------------------------------------------


@lru_cache(maxsize=4)
def _ratios(ratio: float, least: int) -> list[tuple[int, int]]:
    """Return pairs of lengths that transform fast and lie so far apart."""
    sizes = sorted(
        2**a * 3**b * 5**c * 7**d * 11**e
        for a in range(22)
        for b in range(14)
        for c in range(9)
        for d in range(8)
        for e in range(6)
        if 700_000 <= 2**a * 3**b * 5**c * 7**d * 11**e <= 1_600_000
    )
    wide = np.array(sizes)
    found = []
    for long in sizes:
        if least <= long <= 1.12 * least:
            near = wide[np.abs(wide / long / ratio - 1) < 250e-6]
            found += [(long, int(other)) for other in near]
    return found


def record(
    rng: Rng,
    packs: list[Made],
    *,
    gain: float,
    rate_hz: int,
    noise_dbfs: float,
    latency_s: list[float],
) -> Floats:
    """Return one recording of several packs, channel beside channel.

    Parameters
    ----------
    rng : Generator
        Draws the start and the clock.
    packs : list of Made
        The packs, at 48 kHz.
    gain : float
        Of the recorder's input.
    rate_hz : int
        Rate of the recorder.
    noise_dbfs : float
        Its own noise, A-weighted.
    latency_s : list of float
        Delay of each pack.

    Returns
    -------
    ndarray, shape (m, channels)
    """
    lead_s = float(rng.uniform(0.2, 1.5))
    least = round(1.75 * RATE_HZ) + len(packs[0].samples)
    ratios = _ratios(rate_hz / RATE_HZ, least)
    long, short = ratios[int(rng.integers(len(ratios)))]
    if rng.random() < 1 / 3 and rate_hz == RATE_HZ:  # player and recorder share a clock
        short = long
    made = np.empty((short, sum(one.samples.shape[1] for one in packs)), np.float32)
    column = 0
    frequency = np.arange(min(long, short) // 2 + 1) * RATE_HZ / long
    for one, delay_s in zip(packs, latency_s, strict=True):
        shaped = one.response(frequency) * np.exp(-2j * np.pi * frequency * (lead_s + delay_s))
        shaped = (shaped * gain * short / long).astype(np.complex64)
        for channel in one.samples.T:
            spectrum = fft.rfft(np.ascontiguousarray(channel, np.float32), long)
            # Cut off or filled up with zeros: the same sound at another rate.
            made[:, column] = fft.irfft(spectrum[: frequency.size] * shaped, short)
            column += 1
    hiss = _hiss(0.0)
    for channel in made.T:
        at = int(rng.integers(hiss.size - short))
        channel += hiss[at : at + short] * np.float32(10 ** (noise_dbfs / 20))
    return made
