"""An engineer rings out a wedge: the send goes up until it rings, comes back, a cut goes in, again.

The engineer listens to the microphone channel at the frequencies that can ring and acts as people
do: a moment late, easing the send back rather than slamming it shut, cutting as deep as it takes
for another frequency to ring first. Nothing of the truth reaches the samples but through the
loop.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from shaping.filters.cookbook import peaking
from shaping.filters.kinds import Filter, FilterKind
from shaping.simulation.closed_loop import ClosedLoop, Stage, room_noise
from shaping.simulation.colour import Complexes, Floats
from shaping.simulation.truth import Mode, in_phase_points, modes, open_loop

_REGION_OCTAVES = 0.25  # modes this near to the loudest belong to the same ringing place
_NOTICED_DB = 20.0  # a ring that has grown less is not yet told from the programme
_UNMISSABLE_DB = 70.0  # a ring that has grown more is noticed however the limiter holds it down
_MAX_EXCESS_DB = 2.5  # nobody pushes further into a ringing stage
_LINGERING_DB_PER_S = -60.0  # modes that ring on for a second or more after a sound


@dataclass(frozen=True, slots=True)
class Engineer:
    """How a ring-out is done.

    Attributes
    ----------
    rings : int
        How many places to ring before stopping; 0 stops short of the first.
    ramp_db_per_s : float
        How fast the send goes up near the ringing point.
    step_db : float
        Size of the steps it goes up in; 0 for a smooth ramp.
    heard_dbfs : float
        Level at which a ring is noticed; from then on the send is not pushed further.
    reaction_s : float
        From noticing to acting.
    hold_s : float
        How long the ring is left to grow or stand after that.
    back_db : float
        How far the send comes back.
    rest_s : float
        Pause after coming back, while the cut is dialled in.
    cut_q : float
        Quality factor of the cuts.
    cut_step_db : float
        The first cut's depth; it is deepened by as much again while the place still rings first.
    approach_db : float
        The send starts this far below the first ring.
    stop_short_db : float
        Without rings to find, the send stops this far below the first one.
    """

    rings: int = 3
    ramp_db_per_s: float = 1.5
    step_db: float = 0.0
    heard_dbfs: float = -40.0
    reaction_s: float = 0.25
    hold_s: float = 0.0
    back_db: float = 5.0
    rest_s: float = 1.2
    cut_q: float = 8.0
    cut_step_db: float = 3.0
    approach_db: float = 6.0
    stop_short_db: float = 2.0


@dataclass(frozen=True, slots=True)
class PlantedRing:
    """The truth about one mode that was unstable for a while.

    Attributes
    ----------
    frequency_hz : float
        The mode's frequency at the highest gain of its episode, from the loop's poles.
    onset_s : float
        When the gain crossed the mode's threshold.
    end_s : float
        When the send came back.
    growth_db_per_s : float
        Growth at the highest gain of its episode, from the loop's poles.
    gain_db : float
        Highest send gain of its episode.
    excess_db : float
        How far that is above the mode's own threshold.
    grown_db : float
        Growth summed over the time the mode was unstable, from the loop's poles: what its level
        rose by unless something limited it.
    prominence_db : float
        How far it stood above its neighbourhood when loudest, measured in the samples.
    peak_dbfs : float
        Its highest level, measured in the samples.
    episode : int
        Counts the times the send was pushed up and pulled back, from 0.
    clear : bool
        Whether anybody would call it a ring: it grew by 15 dB or more, stood out by as much, was
        the loudest within a sixth of an octave and not 20 dB below the loudest anywhere. What is
        not clear may be found but need not.
    """

    frequency_hz: float
    onset_s: float
    end_s: float
    growth_db_per_s: float
    gain_db: float
    excess_db: float
    grown_db: float
    prominence_db: float
    peak_dbfs: float
    episode: int
    clear: bool


@dataclass(frozen=True, eq=False)
class RingOut:
    """A recorded ring-out and the truth behind it.

    Attributes
    ----------
    samples : ndarray, shape (n,)
        The microphone channel.
    gain_db : ndarray, shape (n,)
        The send.
    rings : tuple of PlantedRing
        Modes that were unstable at some time, in order of onset, audible or not.
    lingering : tuple of Mode
        Stable modes that rang on for a second or more at the highest gain of some episode.
    cuts : tuple of Filter
        What the engineer had dialled in by the end.
    howl_gain_db : float
        The highest send gain at which it rang clearly; None where it never did.
    clipped : bool
        Whether the microphone channel clipped.
    """

    samples: Floats
    gain_db: Floats
    rings: tuple[PlantedRing, ...]
    lingering: tuple[Mode, ...]
    cuts: tuple[Filter, ...]
    howl_gain_db: float | None
    clipped: bool

    @property
    def clear_rings(self) -> tuple[PlantedRing, ...]:
        """Rings that anybody would call one; once each, however often one rang."""
        return _distinct([ring for ring in self.rings if ring.clear])


@dataclass(frozen=True, slots=True)
class _Episode:
    """Samples from `start` to `stop` with these cuts, the send rising to `top_gain_db`."""

    start: int
    stop: int
    top_gain_db: float
    cuts: tuple[Filter, ...]


def cuts_sos(cuts: tuple[Filter, ...], *, sample_rate_hz: float) -> Floats:
    """Sections of peaking cuts, shape (len(cuts), 6)."""
    sections = [
        peaking(c.frequency_hz, c.gain_db or 0.0, c.q, sample_rate_hz=sample_rate_hz) for c in cuts
    ]
    return np.concatenate(sections) if sections else np.zeros((0, 6))


def ring_out(stage: Stage, programme: Floats, engineer: Engineer, *, seed: int = 0) -> RingOut:
    """Ring out a stage over a programme.

    Parameters
    ----------
    stage : Stage
        What rings.
    programme : ndarray, shape (n,)
        Sound at the microphone; its length sets the length of the capture.
    engineer : Engineer
        How it is done.
    seed : int
        Seed of the room's noise.

    Returns
    -------
    RingOut
    """
    loop = ClosedLoop(stage, sections=max(engineer.rings, 1))
    rate, size = stage.sample_rate_hz, loop.block
    blocks = -(-programme.size // size)
    entering = np.zeros(blocks * size)
    entering[: programme.size] = programme + room_noise(stage, programme.size, seed=seed)
    heard = np.empty_like(entering)
    gains_db = np.empty_like(entering)

    cuts: tuple[Filter, ...] = ()
    episodes: list[_Episode] = []
    ear = _Ear(stage, None, size, engineer.heard_dbfs)
    threshold_db = ear.threshold_db
    gain_db = target_db = threshold_db - engineer.approach_db
    start = 0
    glide = np.arange(size) / size
    act_at = rest_until = -1  # blocks; -1 while nothing is due
    for block in range(blocks):
        at = slice(block * size, (block + 1) * size)
        if block >= rest_until and act_at < 0 and len(episodes) < max(engineer.rings, 1):
            target_db += engineer.ramp_db_per_s * size / rate
            target_db = min(target_db, threshold_db + _MAX_EXCESS_DB)
            if engineer.rings == 0:
                target_db = min(target_db, threshold_db - engineer.stop_short_db)
        aim_db = target_db
        if engineer.step_db > 0 and act_at < 0 and block >= rest_until:
            aim_db = np.floor(target_db / engineer.step_db) * engineer.step_db
        slew = (60.0 if aim_db < gain_db else 30.0) * size / rate
        next_db = gain_db + float(np.clip(aim_db - gain_db, -slew, slew))
        gains_db[at] = gain_db + (next_db - gain_db) * glide
        gain_db = next_db
        heard[at] = loop.advance(entering[at], 10 ** (gains_db[at] / 20))
        ear.listen(heard[at], gain_db)
        if act_at < 0 and block >= rest_until and ear.notices():
            act_at = block + round((engineer.reaction_s + engineer.hold_s) * rate / size)
        if act_at >= 0 and block >= act_at:
            top_db = float(gains_db[start : at.stop].max())
            episodes.append(_Episode(start, at.stop, top_db, cuts))
            act_at, rest_until = -1, block + round(engineer.rest_s * rate / size)
            target_db = gain_db - engineer.back_db
            if len(episodes) < engineer.rings:
                cuts = _cut_more(stage, cuts, ear.loudest_hz(), engineer)
                sos = cuts_sos(cuts, sample_rate_hz=rate)
                loop.set_eq(sos)
                ear = _Ear(stage, sos, size, engineer.heard_dbfs)
                threshold_db = ear.threshold_db
                target_db = max(target_db, threshold_db - engineer.approach_db)
            start = at.stop + round(engineer.rest_s * rate / size) * size
    if len(episodes) < max(engineer.rings, 1) and start < programme.size:
        top_db = float(gains_db[start : programme.size].max())
        episodes.append(_Episode(start, programme.size, top_db, cuts))
    samples = heard[: programme.size]
    rings: list[PlantedRing] = []
    lingering: list[Mode] = []
    for number, episode in enumerate(episodes):
        grew, rang_on = _episode_truth(stage, samples, gains_db, number, episode)
        rings += grew
        lingering += rang_on
    howled_db = [ring.gain_db for ring in rings if ring.clear]
    return RingOut(
        samples=samples,
        gain_db=gains_db[: programme.size],
        rings=tuple(sorted(rings, key=lambda ring: ring.onset_s)),
        lingering=tuple(lingering),
        cuts=cuts,
        howl_gain_db=max(howled_db) if howled_db else None,
        clipped=bool(np.any(np.abs(samples) > 1 - 2.0**-20)),
    )


class _Ear:
    """Follows the few modes that can grow, each some 6 Hz wide, block by block.

    A person tells a ring from a voice or a note by its growing; here the loop's own poles say how
    far each mode has grown since the gain passed its threshold.
    """

    def __init__(self, stage: Stage, sos: Floats | None, size: int, heard_dbfs: float) -> None:
        rate = stage.sample_rate_hz
        found_hz, level_db = in_phase_points(*open_loop(stage, eq_sos=sos))
        self.threshold_db = float(-level_db.max())
        probe_db = self.threshold_db + 2.0
        found = modes(stage, probe_db, eq_sos=sos, margin_db=0.5, min_growth_db_per_s=0.0)[:12]
        self._frequency_hz = np.array([mode.frequency_hz for mode in found])
        growth = np.array([mode.growth_db_per_s for mode in found])
        own = np.abs(found_hz[None, :] - self._frequency_hz[:, None]).argmin(axis=1)
        self._thresholds_db = -level_db[own]
        excess_db = np.maximum(probe_db - self._thresholds_db, 0.1)
        self._growth_per_block = growth / excess_db * size / rate
        self._grown_db = np.zeros(len(found))
        pole = np.exp(2j * np.pi * self._frequency_hz / rate - 20.0 / rate)
        weights = pole[:, None] ** np.arange(size - 1, -1, -1)
        self._weights = np.concatenate([weights.real, weights.imag])
        self._turn = pole**size
        self._scale = 2 * (1 - np.exp(-20.0 / rate))
        self._state: Complexes = np.zeros(len(found), dtype=np.complex128)
        self._heard = 10 ** (heard_dbfs / 20)

    def listen(self, samples: Floats, gain_db: float) -> None:
        """Take in a block that was heard at this send gain."""
        parts = self._weights @ samples
        count = self._state.size
        self._state = self._state * self._turn + (parts[:count] + 1j * parts[count:])
        grown_db = self._grown_db + self._growth_per_block * (gain_db - self._thresholds_db)
        self._grown_db = np.maximum(grown_db, 0.0)

    def notices(self) -> bool:
        """Tell whether a mode has grown loud enough to notice."""
        loud = np.abs(self._state) * self._scale > self._heard
        grown = self._grown_db
        return bool(np.any(loud & (grown > _NOTICED_DB) | (grown > _UNMISSABLE_DB)))

    def loudest_hz(self) -> float:
        """Return the frequency that is loudest now among those that have grown."""
        grown = self._grown_db >= min(_NOTICED_DB, self._grown_db.max())
        return float(self._frequency_hz[np.where(grown, np.abs(self._state), -1.0).argmax()])


def _cut_more(
    stage: Stage, cuts: tuple[Filter, ...], ring_hz: float, engineer: Engineer
) -> tuple[Filter, ...]:
    """Cut where it rang, deeper by the step until another place would ring first."""
    same = [c for c in cuts if abs(np.log2(c.frequency_hz / ring_hz)) < _REGION_OCTAVES]
    kept = tuple(c for c in cuts if c not in same)
    centre_hz = same[0].frequency_hz if same else ring_hz
    depth_db = same[0].gain_db or 0.0 if same else 0.0
    while depth_db > -12.0:
        depth_db -= engineer.cut_step_db
        tried = (*kept, Filter(FilterKind.PEAKING, centre_hz, engineer.cut_q, depth_db))
        sos = cuts_sos(tried, sample_rate_hz=stage.sample_rate_hz)
        found_hz, level_db = in_phase_points(*open_loop(stage, eq_sos=sos))
        octaves = np.abs(np.log2(np.maximum(found_hz, 1.0) / centre_hz))
        inside = octaves < _REGION_OCTAVES
        if level_db[inside].max() < level_db[~inside].max() - 2.0:
            break
    return tried


def _episode_truth(
    stage: Stage, samples: Floats, gain_db: Floats, number: int, episode: _Episode
) -> tuple[list[PlantedRing], list[Mode]]:
    rate = stage.sample_rate_hz
    sos = cuts_sos(episode.cuts, sample_rate_hz=rate) if episode.cuts else None
    found_hz, level_db = in_phase_points(*open_loop(stage, eq_sos=sos))
    found = modes(
        stage,
        episode.top_gain_db,
        eq_sos=sos,
        margin_db=2.0,
        min_growth_db_per_s=_LINGERING_DB_PER_S,
    )
    growing = [mode for mode in found if mode.growth_db_per_s > 0]
    gain_db = gain_db[episode.start : min(episode.stop, samples.size)]
    rings: list[PlantedRing] = []
    for mode in growing:
        own_db = level_db[np.argmin(np.abs(found_hz - mode.frequency_hz))]
        excess_db = max(episode.top_gain_db + own_db, 1e-3)
        over_db = np.maximum(gain_db + own_db, 0.0)
        onset = episode.start + int(np.argmax(over_db > 0))
        level_dbfs = _level_trace(samples, mode.frequency_hz, rate, onset, episode.stop)
        rings.append(
            PlantedRing(
                frequency_hz=mode.frequency_hz,
                onset_s=onset / rate,
                end_s=min(episode.stop, samples.size) / rate,
                growth_db_per_s=mode.growth_db_per_s,
                gain_db=episode.top_gain_db,
                excess_db=float(excess_db),
                grown_db=float(mode.growth_db_per_s * over_db.sum() / excess_db / rate),
                prominence_db=_prominence_db(samples, growing, mode, rate, episode.stop),
                peak_dbfs=float(level_dbfs.max()),
                episode=number,
                clear=False,
            )
        )
    clear = [replace(ring, clear=_is_clear(ring, rings)) for ring in rings]
    return clear, [mode for mode in found if mode.growth_db_per_s <= 0]


def _is_clear(ring: PlantedRing, rings: list[PlantedRing]) -> bool:
    louder = [r for r in rings if r.peak_dbfs > ring.peak_dbfs]
    alone = all(abs(np.log2(r.frequency_hz / ring.frequency_hz)) > 1 / 6 for r in louder)
    drowned = any(r.peak_dbfs > ring.peak_dbfs + 20.0 for r in louder)
    return ring.grown_db >= 15.0 and ring.prominence_db >= 15.0 and alone and not drowned


def _level_trace(samples: Floats, frequency_hz: float, rate: int, start: int, stop: int) -> Floats:
    """Level in dBFS at one frequency, in 100 ms Hann windows every 20 ms up to `stop`."""
    n, hop = rate // 10, rate // 50
    window = np.hanning(n) * np.exp(-2j * np.pi * frequency_hz / rate * np.arange(n))
    window *= 2 / np.hanning(n).sum()
    ends = np.arange(max(start, n), max(stop, start, n) + 1, hop)
    ends = np.append(ends, max(stop, n))
    level = [abs(np.dot(window, samples[end - n : end])) for end in ends if end <= samples.size]
    return np.asarray(20 * np.log10(np.maximum(level, 1e-9)))


def _prominence_db(samples: Floats, growing: list[Mode], mode: Mode, rate: int, stop: int) -> float:
    """Level of the mode over the median of its surroundings, in the last 0.25 s of the ring."""
    n = min(rate // 4, stop)
    spectrum = np.abs(np.fft.rfft(samples[stop - n : stop] * np.hanning(n)))
    bin_hz = rate / n
    frequency_hz: Floats = np.asarray(np.arange(spectrum.size) * bin_hz, dtype=np.float64)
    own = np.abs(frequency_hz - mode.frequency_hz) <= 1.5 * bin_hz
    around = np.abs(frequency_hz - mode.frequency_hz) < max(60.0, 0.12 * mode.frequency_hz)
    for other in growing:
        around &= np.abs(frequency_hz - other.frequency_hz) > 3.5 * bin_hz
    surroundings = np.median(spectrum[around]) if around.any() else np.median(spectrum)
    return float(20 * np.log10(max(spectrum[own].max(), 1e-12) / max(surroundings, 1e-12)))


def _distinct(rings: list[PlantedRing]) -> tuple[PlantedRing, ...]:
    kept: list[PlantedRing] = []
    for ring in sorted(rings, key=lambda r: -r.peak_dbfs):
        if all(abs(ring.frequency_hz / k.frequency_hz - 1) > 0.005 for k in kept):
            kept.append(ring)
    return tuple(sorted(kept, key=lambda r: r.onset_s))
