"""Rings: the feedback frequencies that a ring-out capture shows.

A howl rises by excess gain over loop delay: its level is a straight line in dB at one fixed
frequency until something limits it. Music and speech rise too, but in a curve, for a tenth of a
second, with a pitch that wavers and partials that rise along. Each rise is weighed by these
measures (`shaping.analysis.ring_out.likelihood`) and the rises of one frequency are merged into a
ring. What a clipped howl brings along, its harmonics and the sums and differences of several howls,
is left out.

References
----------
.. [1] T. van Waterschoot and M. Moonen, "Comparative evaluation of howling detection criteria in
   notch-filter-based howling suppression", J. Audio Eng. Soc. 58(11), 923-940, 2010: peak to
   neighbours, peak to harmonics and slope deviation as features.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from shaping.analysis.findings import CERTAIN, Ring
from shaping.analysis.ring_out.growth import find_slopes
from shaping.analysis.ring_out.likelihood import CONSIDERED, howl_likelihood
from shaping.analysis.ring_out.ringing_on import ringing_on
from shaping.analysis.ring_out.slopes import Growth

REPORTED = 0.3
"""Rings less likely than this are not reported at all."""

NOTE_AT_MOST = 0.7
"""What rises together with its own partials, or as a partial of what rises along, is a note: at
most a possible ring, however straight it rises. No howl of 120 ring-outs in measured rooms had
either."""

_MOST_HUM_RISE_DB = 14.0  # nobody turns a mic up by more without a stop
_MOST_HUM = 24  # harmonics of mains further up are weak
_STEADY_HZ = 1.0  # a pitch that wavers by less has no width worth telling
_MOST_WANDER_HZ = 4.0  # a loop holds its pitch; a voice or a glide does not
_PLAIN = 0.97  # a rise this likely tells the ring's growth
_LEAST_SHARE_DB = -55.0  # what stays further below a howl cannot be told from its distortion
_LOW_ORDERS = np.array([(a, b) for a in (1, 2, 3) for b in (-3, -2, -1, 1, 2, 3)])
"""Sums and differences strong enough to be taken for howls, up to a cube each."""
_HIGH_ORDERS = np.array(
    [(a, b) for a in range(1, 13) for b in range(-12, 13) if b and (a + b) % 2 and a + abs(b) <= 13]
    + _LOW_ORDERS.tolist()
)
"""Odd orders up to 13, as a symmetric limiter makes them, weaker the higher."""
_BLOCK_S = 60.0  # of capture at a time, about 1 MB each second
_OVERLAP_S = 5.0  # longer than nearly every rise


def find_rings(samples: NDArray[np.float32], sample_rate_hz: int) -> tuple[Ring, ...]:
    """Find the feedback rings in a ring-out capture.

    Parameters
    ----------
    samples : ndarray of float32, shape (n,)
        One channel, full scale +-1, finite.
    sample_rate_hz : int
        Sample rate in Hz.

    Returns
    -------
    tuple of Ring
        Most urgent first: the certain before the possible, and among them the fastest growing.
        Empty where nothing rang.

    Notes
    -----
    The capture is searched in blocks of a minute with some overlap, so that memory does not grow
    with its length. Rings below 40 Hz and above 12 kHz are not looked for.
    """
    growths: list[Growth] = []
    falls: list[Growth] = []
    for start, block in _blocks(samples, sample_rate_hz):
        slopes = find_slopes(block, sample_rate_hz)
        growths.extend(g.later(start / sample_rate_hz) for g in slopes.growths)
        falls.extend(g.later(start / sample_rate_hz) for g in slopes.falls)
    return rings_of(growths, falls)


def rings_of(growths: Sequence[Growth], falls: Sequence[Growth]) -> tuple[Ring, ...]:
    """Weigh and merge the rises and falls of a whole capture into its rings."""
    growths = [
        g
        for g in growths
        if g.wander_hz <= _MOST_WANDER_HZ and g.share_db >= _LEAST_SHARE_DB and not _is_hum(g)
    ]
    falls = [f for f in falls if f.wander_hz <= _MOST_WANDER_HZ]
    groups = [_group(rises) for rises in _same_frequency(growths)]
    groups = [g for g in groups if g.confidence >= REPORTED]
    groups = [g for g in groups if not _is_product(g, groups)]
    rings = [_ring(g, falls) for g in sorted(groups, key=_urgency)]
    return (*rings, *ringing_on(falls, rings))


@dataclass(frozen=True, slots=True)
class _Group:
    """The convincing rises of one frequency, in order of time."""

    growths: tuple[Growth, ...]
    best: Growth
    confidence: float
    frequency_hz: float
    peak_db: float
    steepest_db_per_s: float


def _group(rises: Sequence[tuple[float, Growth]]) -> _Group:
    confidence, best = max(rises, key=lambda r: r[0])
    growths = sorted(
        (g for likelihood, g in rises if likelihood >= min(0.5 * confidence, 0.4)),
        key=lambda g: g.start_s,
    )
    weights = [1 / (g.frequency_error_hz**2 + 1e-4) for g in growths]
    return _Group(
        growths=tuple(growths),
        best=best,
        confidence=confidence,
        frequency_hz=float(np.average([g.frequency_hz for g in growths], weights=weights)),
        peak_db=max(g.peak_db for g in growths),
        steepest_db_per_s=max(
            g.steepest_db_per_s for likelihood, g in rises if likelihood >= min(confidence, _PLAIN)
        ),
    )


def _blocks(
    samples: NDArray[np.float32], sample_rate_hz: int
) -> Iterator[tuple[int, NDArray[np.float32]]]:
    size, step = (round(s * sample_rate_hz) for s in (_BLOCK_S, _BLOCK_S - _OVERLAP_S))
    last = max(samples.size - round(_OVERLAP_S * sample_rate_hz), 1)
    for start in range(0, last, step):
        yield start, samples[start : start + size]


def _same_frequency(growths: Sequence[Growth]) -> Iterator[list[tuple[float, Growth]]]:
    """Group the rises whose frequencies cannot be told apart, each with its likelihood."""
    group: list[tuple[float, Growth]] = []
    for growth in sorted(growths, key=lambda g: g.frequency_hz):
        likelihood = howl_likelihood(growth)
        if growth.undertones or growth.partials:
            likelihood = min(likelihood, NOTE_AT_MOST)
        if likelihood < CONSIDERED:
            continue
        if group and not group[-1][1].same_pitch(growth):
            yield group
            group = []
        group.append((likelihood, growth))
    if group:
        yield group


def _is_hum(growth: Growth) -> bool:
    """Tell whether this is mains hum that merely got louder: it stood out before it rose."""
    if growth.contrast_before_db < 10 or growth.rise_db > _MOST_HUM_RISE_DB:
        return False
    for mains_hz in (50.0, 60.0):
        number = max(round(growth.frequency_hz / mains_hz), 1)
        apart_hz = abs(growth.frequency_hz - number * mains_hz)
        if number <= _MOST_HUM and apart_hz <= 0.1 + 0.001 * growth.frequency_hz:
            return True
    return False


def _is_product(group: _Group, groups: Sequence[_Group]) -> bool:
    """Tell whether a group is a harmonic, sum or difference of louder howls."""
    louder = [g for g in groups if g is not group and _may_cause(g, group)]
    return any(_is_harmonic(group, g) for g in louder) or any(
        _is_mixture(group, one, other) for one, other in combinations(louder, 2)
    )


def _is_mixture(group: _Group, one: _Group, other: _Group) -> bool:
    """Tell whether a group lies on a sum or difference of multiples of two howls.

    High orders lie so close together that they count only for what is weak and grows faster than
    either howl, as mixtures do where clipping begins.
    """
    slope = group.best.slope_db_per_s
    faster = all(slope > 1.2 * g.best.slope_db_per_s for g in (one, other))
    weaker = all(g.peak_db > group.peak_db + 20 for g in (one, other))
    orders = _HIGH_ORDERS if faster and weaker else _LOW_ORDERS
    mixed_hz = np.abs(orders @ np.array([one.frequency_hz, other.frequency_hz]))
    apart_hz = np.abs(mixed_hz - group.frequency_hz).min()
    return bool(apart_hz <= 0.5 + 0.0005 * group.frequency_hz)


def _is_harmonic(group: _Group, cause: _Group) -> bool:
    """Tell whether a group is a harmonic: an exact one, or a near one that grows much faster.

    The n-th harmonic of a howl that begins to clip grows n times as fast as the howl, while
    clipping may pull the howl's frequency a little.
    """
    number = round(group.frequency_hz / cause.frequency_hz)
    apart_hz = abs(number * cause.frequency_hz - group.frequency_hz)
    times = max(1.5, 0.5 * number)
    faster = number <= 5 and group.best.slope_db_per_s > times * cause.best.slope_db_per_s
    allowed_hz = max(0.5 + 0.0005 * group.frequency_hz, 0.003 * group.frequency_hz * faster)
    return number >= 2 and apart_hz <= allowed_hz


def _may_cause(cause: _Group, effect: _Group) -> bool:
    """Tell whether `cause` was loud while `effect` rose, and is the stronger of the two."""
    if cause.peak_db < effect.peak_db + 6:
        return False
    rise = effect.best
    return any(
        g.start_s + 0.3 * (g.stop_s - g.start_s) <= rise.start_s <= g.stood_until_s
        for g in cause.growths
    )


def _urgency(group: _Group) -> tuple[bool, float]:
    return group.confidence < CERTAIN, -group.steepest_db_per_s


def _ring(group: _Group, falls: Sequence[Growth]) -> Ring:
    spells: list[list[float]] = []
    for growth in group.growths:
        if spells and growth.start_s <= spells[-1][1] + 0.1:
            spells[-1][1] = max(spells[-1][1], growth.stood_until_s)
        else:
            spells.append([growth.start_s, growth.stood_until_s])
    decays = [
        f.slope_db_per_s
        for f in falls
        if f.same_pitch(group.best) and any(a < f.start_s < b + 1.0 for a, b in spells)
    ]
    frequencies = [g.frequency_hz for g in group.growths]
    width_hz = max(frequencies) - min(frequencies)
    if group.best.wander_hz > _STEADY_HZ:
        width_hz = max(width_hz, 2 * group.best.wander_hz)
    clipped = any(g.overtones > 0 for g in group.growths)
    return Ring(
        frequency_hz=group.frequency_hz,
        frequency_error_hz=group.best.frequency_error_hz,
        width_hz=width_hz if width_hz > _STEADY_HZ else 0.0,
        onset_s=group.growths[0].start_s,
        duration_s=sum(stop - start for start, stop in spells),
        growth_db_per_s=group.steepest_db_per_s,
        decay_db_per_s=max(decays) if decays else None,
        peak_dbfs=group.peak_db,
        occurrences=len(spells),
        clipped=clipped,
        confidence=group.confidence,
        evidence=_evidence(group, len(spells), clipped),
        spells=tuple((start, stop) for start, stop in spells),
    )


def _evidence(group: _Group, occurrences: int, clipped: bool) -> str:
    """Say in plain words what speaks for the ring, and what against it."""
    best = group.best
    duration_s = best.stop_s - best.start_s
    rate = f"{best.slope_db_per_s:.0f}"
    if group.steepest_db_per_s > 1.15 * best.slope_db_per_s:
        rate += f", at its steepest {group.steepest_db_per_s:.0f},"
    parts = [f"grew at {rate} dB/s in a straight line for {duration_s:.1f} s"]
    pitch = f"its pitch within {max(best.wander_hz, 0.1):.1f} Hz"
    if best.stood_until_s > best.stop_s + 0.3 and best.held_db > -6:
        parts.append(f"then held {pitch}")
    else:
        parts.append(f"and kept {pitch}")
    text = ", ".join(parts) if parts[1].startswith("then") else " ".join(parts)
    if occurrences > 1:
        text += f"; came up {occurrences} times"
    if clipped:
        text += "; loud enough to clip, its harmonics showed"
    if group.confidence < CERTAIN:
        doubts = []
        if duration_s < 0.2:
            doubts.append("the rise was short")
        if best.wander_hz > _STEADY_HZ:
            doubts.append("its pitch wavered")
        if best.family > 0:
            doubts.append("other partials rose along, as in a note")
        if best.rise_db < 15:
            doubts.append(f"it rose by {best.rise_db:.0f} dB only")
        if doubts:
            text += "; in doubt because " + " and ".join(doubts)
    return text[0].upper() + text[1:] + "."
