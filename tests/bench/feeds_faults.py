"""In-ear feeds: faults found and named right among simulated packs, sound ones left alone.

    python tests/bench/feeds_faults.py [--part tuning|report] [--packs N] [--seed N] [--quick]

Mixes of 2 to 16 packs go through recorders at 44.1 and 48 kHz with a start and a clock of their
own, together in one file or each in its own, and are judged as ``shaping feeds`` judges them. Packs
carry no fault, one, or two that can be told together; how bad, is drawn over the ranges in
`feeds_packs.draw_severity`, near the threshold too. Right is a pack whose failing codes are exactly
those put in. The two parts have makers and seeds of their own. Beside it the plainest method: the
rms of each channel against the median of all.

A level is held against the gain that was put in, and against that and the median of the pack's
response over the octaves: a pack that is not flat has no one level, and the median is what
`shaping.analysis.feeds.outputs` says the level is.

What is left out because nobody could tell it: of two packs, which is too high; lateness of packs
that were recorded apart; the sides of a pack of which one channel was recorded.
"""

from __future__ import annotations

import argparse
import collections
import json
import math
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from feeds_packs import CODES, LEVEL_DBFS, RATE_HZ, Floats, Made, make_pack, pairs, record
from measured_data import DataMissingError, data_folder
from scipy import signal as dsp

from shaping.analysis.feeds.findings import Feed, Pack, PackMeasure
from shaping.analysis.feeds.measure import Signal, measure_pack, place_of_take
from shaping.analysis.feeds.played import GAP_HZ
from shaping.analysis.feeds.thresholds import Thresholds
from shaping.analysis.feeds.verdict.judge import judge

SEEDS = {"tuning": 5_000_000, "report": 9_000_000}
SIGNAL = Signal(RATE_HZ, LEVEL_DBFS)
TWO_SIDED = {"left-dead", "right-dead", "swapped", "mono", "crosstalk"}
NO_LEVEL = {"uneven", "silent"}
"""Faults that leave a pack without one level."""

WITHIN_DB = 0.2

EVEN_HZ = (111.0, 8_980.0)
"""Where the level of a response that is not flat is told: third octaves of 125 Hz to 8 kHz."""

MUSIC = {"tuning": "music/folk_vocal", "report": "music/jazz"}


@dataclass(frozen=True)
class Case:
    """One pack judged."""

    made: Made
    feed: Feed
    gain_db: float
    packs: int
    rate_hz: int
    plain: frozenset[str]

    @property
    def told(self) -> set[str]:
        return {str(one.code) for one in self.feed.failing}

    @property
    def level_error_db(self) -> float:
        gain = self.feed.gain_db
        if set(self.made.faults) & NO_LEVEL or gain is None:
            return math.nan
        return abs(gain - self.gain_db)

    @property
    def median_error_db(self) -> float:
        """The same against what the response makes of the level."""
        gain = self.feed.gain_db
        if set(self.made.faults) & NO_LEVEL or gain is None:
            return math.nan
        return abs(gain - self.gain_db - response_db(self.made.response))

    @property
    def right(self) -> bool:
        return self.told == set(self.made.faults)


def response_db(response: Callable[[Floats], Floats]) -> float:
    """Return the median gain over the octaves, outside the signal's gap."""
    frequency = np.geomspace(*EVEN_HZ, 500)
    heard = (frequency < GAP_HZ[0]) | (frequency > GAP_HZ[1])
    return float(np.median(20 * np.log10(np.abs(response(frequency[heard])))))


def music_of(part: str) -> list[Floats]:
    """Return recorded programme for open mics, rms 1; none where the data are not there."""
    try:
        folder = data_folder()
    except DataMissingError as missing:
        print(missing, file=sys.stderr)
        return []
    import soundfile

    found = []
    for path in sorted(folder.glob(f"{MUSIC[part]}*"))[:4]:
        samples, rate = soundfile.read(path, always_2d=True)
        mono = dsp.resample_poly(samples[: 40 * rate, 0], RATE_HZ, rate)
        mono = np.resize(mono, 40 * RATE_HZ)
        found.append(mono / max(float(np.sqrt(np.mean(mono**2))), 1e-9))
    return found


def draw_faults(
    rng: np.random.Generator, *, stereo: bool, together: bool, count: int
) -> tuple[str, ...]:
    """Return one fault, or two in a third of the packs, that can be told in such a mix."""
    barred: set[str] = set() if stereo else set(TWO_SIDED)
    if not together:
        barred.add("late")
    if count == 2:
        barred.add("high")
    if rng.random() < 1 / 3:
        possible = [one for one in pairs() if not set(one) & barred]
        return possible[int(rng.integers(len(possible)))]
    single = [code for code in CODES if code not in barred]
    return (single[int(rng.integers(len(single)))],)


def mix(seed: int, part: str, music: list[Floats]) -> list[Case]:
    """Make one mix of packs, record it, judge it."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(2, 17))
    together = bool(rng.random() < 0.6)
    rate_hz = int(rng.choice([44_100, 48_000]))
    most = max(1, (count - 1) // 2)
    faulty = int(rng.integers((most + 1) // 2, most + 1))
    made, latency = [], []
    for i in range(count):
        stereo = bool(rng.random() > 0.15)
        faults: tuple[str, ...] = ()
        if i < faulty:
            faults = draw_faults(rng, stereo=stereo, together=together, count=count)
        bleed = music[int(rng.integers(len(music)))] if music and rng.random() < 0.3 else None
        made.append(make_pack(rng, faults, maker=part, stereo=stereo, music=bleed))
        latency.append(float(rng.uniform(0.003, 0.0045)))
    peak = max(float(np.abs(one.samples).max()) for one in made)
    # Whoever records sets the input so that nothing clips.
    gain = min(10 ** (float(rng.uniform(-6, 10)) / 20), 0.7 / max(peak, 1e-6))
    turned = -1.0 if count > 3 and rng.random() < 0.2 else 1.0
    noise_dbfs = float(rng.uniform(-114, -98))
    groups = [list(range(count))] if together else [[i] for i in range(count)]
    measures: dict[int, PackMeasure] = {}
    rms, heard = {}, {}
    for group in groups:
        recording = record(
            rng,
            [made[i] for i in group],
            gain=gain * turned,
            rate_hz=rate_hz,
            noise_dbfs=noise_dbfs,
            latency_s=[latency[i] for i in group],
        )
        bits = 2.0 ** (15 if rng.random() < 0.3 and gain > 0.5 else 23)
        np.clip(np.rint(recording * np.float32(bits)) / np.float32(bits), -1, 1, out=recording)
        column = 0
        for i in group:
            width = made[i].samples.shape[1]
            own = recording[:, column : column + width]
            column += width
            pack = Pack(f"pack {i}", f"{group[0]}.wav", tuple(range(1, width + 1)), False, "t")
            if not together:
                pack = Pack(pack.name, f"{i}.wav", pack.channels, False, f"t{i}")
            measures[i] = measure_pack(pack, own, rate_hz, SIGNAL)
            if measures[i].place is None:
                heard[i] = own
            rms[i] = 10 * np.log10(np.mean(own.astype(np.float64) ** 2, axis=0) + 1e-20)
    for i, own in heard.items():  # as `measure_packs` does
        place = place_of_take(list(measures.values()), measures[i])
        if place is not None:
            measures[i] = measure_pack(measures[i].pack, own, rate_hz, SIGNAL, place=place)
    feeds = {one.name: one for one in judge([measures[i] for i in range(count)], Thresholds())}
    levels = np.array([one.level_db for one in made])
    plain = plain_method([rms[i] for i in range(count)])
    return [
        Case(
            made=made[i],
            feed=feeds[f"pack {i}"],
            gain_db=float(levels[i] + 20 * np.log10(gain)),
            packs=count,
            rate_hz=rate_hz,
            plain=plain[i],
        )
        for i in range(count)
    ]


def plain_method(rms: list[Floats]) -> list[frozenset[str]]:
    """Judge by the rms of every channel against the median of all."""
    usual = float(np.median(np.concatenate(rms)))
    found = []
    for levels in rms:
        off = levels - usual
        told = set()
        if np.all(off < -40):
            told.add("silent")
        elif len(off) == 2 and off[0] < off[1] - 30:
            told.add("left-dead")
        elif len(off) == 2 and off[1] < off[0] - 30:
            told.add("right-dead")
        elif off.mean() < -3:
            told.add("low")
        elif off.mean() > 3:
            told.add("high")
        found.append(frozenset(told))
    return found


def campaign(part: str, packs: int, seed: int, *, minutes: float = math.inf) -> list[Case]:
    """Judge mixes until so many packs are done, or so many minutes are over."""
    music = music_of(part)
    cases: list[Case] = []
    number = 0
    began = time.monotonic()
    while len(cases) < packs and time.monotonic() - began < 60 * minutes:
        cases += mix(SEEDS[part] + 100_000 * seed + number, part, music)
        number += 1
        for one in cases:
            one.made.samples = np.zeros((0, 2))  # or memory would fill up
        if number % 20 == 0:
            right = sum(one.right for one in cases)
            print(f"{len(cases)} packs, {right} right", file=sys.stderr, flush=True)
    return cases


def numbers(cases: list[Case]) -> dict[str, float]:
    """Return the figures."""
    single = [one for one in cases if len(one.made.faults) == 1]
    double = [one for one in cases if len(one.made.faults) == 2]
    sound = [one for one in cases if not one.made.faults]
    errors = np.array([one.level_error_db for one in cases if not set(one.made.faults) & NO_LEVEL])
    medians = np.array([one.median_error_db for one in cases if math.isfinite(one.level_error_db)])
    quiet = [
        one
        for one in cases
        if "silent" in one.made.faults or one.made.severity.get("low", 0.0) <= -47.9
    ]
    found_quiet = [one for one in quiet if one.told & {"silent", "low"}]
    return {
        "packs": len(cases),
        "single": len(single),
        "single_right": sum(one.right for one in single),
        "double": len(double),
        "double_right": sum(one.right for one in double),
        "faults": sum(len(one.made.faults) for one in cases),
        "faults_named": sum(len(set(one.made.faults) & one.told) for one in cases),
        "sound": len(sound),
        "sound_called": sum(bool(one.told) for one in sound),
        "levels": int(np.isfinite(errors).sum()),
        "level_within": int((errors <= WITHIN_DB).sum()),
        "level_not_told": int(np.isnan(errors).sum()),
        "level_p99_db": float(np.nanquantile(errors, 0.99)) if errors.size else 0.0,
        "level_worst_db": float(np.nanmax(errors)) if errors.size else 0.0,
        "median_within": int((medians <= WITHIN_DB).sum()),
        "median_p99_db": float(np.quantile(medians, 0.99)) if medians.size else 0.0,
        "median_worst_db": float(medians.max(initial=0.0)),
        "quiet": len(quiet),
        "quiet_found": len(found_quiet),
        "plain_right": sum(one.plain == set(one.made.faults) for one in single),
        "plain_called": sum(bool(one.plain) for one in sound),
    }


def tell(cases: list[Case]) -> None:
    """Print what went wrong, code by code."""
    table: dict[str, list[int]] = collections.defaultdict(lambda: [0, 0, 0])
    for one in cases:
        for code in one.made.faults:
            table[code][0] += 1
            table[code][1] += code in one.told
        for code in one.told - set(one.made.faults):
            table[code][2] += 1
    print(f"{'code':12} {'put in':>7} {'named':>7} {'wrongly':>8}")
    for code in CODES:
        print(f"{code:12} {table[code][0]:7} {table[code][1]:7} {table[code][2]:8}")
    for one in cases:
        off = one.level_error_db
        if max(off, one.median_error_db) > WITHIN_DB:
            print(
                f"  {'+'.join(one.made.faults) or 'sound':24} level off by {off:.2f} dB, "
                f"{one.median_error_db:.2f} with its response, of "
                f"{one.packs} at {one.rate_hz} {'stereo' if one.made.stereo else 'mono'}"
            )
        if not one.right:
            print(
                f"  {'+'.join(one.made.faults) or 'sound':24} ->"
                f" {'+'.join(sorted(one.told)) or '-':28}"
                f" { ({k: round(v, 1) for k, v in one.made.severity.items()}) }"
                f" of {one.packs} at {one.rate_hz} {'stereo' if one.made.stereo else 'mono'}"
            )


def measure(*, quick: bool = False) -> dict[str, float]:
    """Return the figures of the report part."""
    return numbers(campaign("report", 150 if quick else 2_200, 1))


def main() -> None:
    """Run one part and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--part", choices=list(SEEDS), default="tuning")
    parser.add_argument("--packs", type=int, default=2_200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="150 packs")
    parser.add_argument("--json", type=Path, help="write the figures there")
    parser.add_argument("--minutes", type=float, default=math.inf, help="stop after so many")
    options = parser.parse_args()
    began = time.monotonic()
    packs = 150 if options.quick else options.packs
    cases = campaign(options.part, packs, options.seed, minutes=options.minutes)
    tell(cases)
    found = numbers(cases)
    print(json.dumps(found, indent=1))
    print(f"{time.monotonic() - began:.0f} s")
    if options.json:
        options.json.write_text(json.dumps(found), encoding="utf-8")


if __name__ == "__main__":
    main()
