"""How well the rehearsal scan tells howls from music, on material that no tuning has seen.

Run ``python tests/bench/rehearsals_detection.py`` (``--quick`` for a fifth of the scenes). It
fetches the Debian packages named in `howl_material` once, plays held-out pieces through virtual
stages that are pushed over their stable gain, scans those and the same pieces without feedback,
and prints: howls found at the stated confidence, false events per hour, the area under the
precision-recall curve beside that of the published criteria on the same material, the delay from
onset to detection, and false events per hour where 95 % are found.

A howl counts where it stands 10 dB over the programme in the third octave around it for 0.5 s. It
is found where an event overlaps it within 2 % of its frequency. The published criteria get every
advantage: each single feature and AND combination with every combination of thresholds on a
grid, joined to events with any of three minimum lengths, and of all that the best envelope.
"""

from __future__ import annotations

import argparse
import itertools
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import held_notes
import howl_material as material
import numpy as np
import published_criteria as published
import soundfile
from numpy.typing import NDArray

from shaping.rehearsals.detector import Detector
from shaping.rehearsals.events import Event
from shaping.rehearsals.frame_peaks import Peaks
from shaping.rehearsals.judging import events_of
from shaping.rehearsals.linking import link
from shaping.rehearsals.model import CERTAIN, LISTED

SCENES = 60
SAME_RATIO = 1.02
DELAYS_S = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.5, 2.0, 3.0)
LEAST = 0.001
"""Events down to this confidence make up the curve."""


@dataclass(frozen=True, eq=False)
class Scanned:
    """One recording as the scan and the published features saw it."""

    name: str
    duration_s: float
    howls: tuple[material.Howl, ...]
    events: tuple[Event, ...]
    peaks: published.PeakFeatures
    delays_s: tuple[float | None, ...]


def scan(samples: NDArray[np.float32], rate_hz: int) -> list[Event]:
    """Return all events of one channel, the unlikely ones included."""
    detector = Detector(rate_hz)
    return events_of([*detector.feed(samples), *detector.finish()], channel=1, listed=LEAST)


def matches(event: Event, howl: material.Howl) -> bool:
    """Whether an event is this howl."""
    ratio = event.frequency_hz / howl.frequency_hz
    overlap = min(event.stop_s, howl.stop_s) - max(event.start_s, howl.start_s)
    return 1 / SAME_RATIO < ratio < SAME_RATIO and overlap > 0


def delay_s(samples: NDArray[np.float32], howl: material.Howl) -> float | None:
    """How long after its onset a recording may end for the howl to be found."""
    begin = max(0, round((howl.start_s - 8) * material.RATE_HZ))
    for delay in DELAYS_S:
        end = round((howl.start_s + delay) * material.RATE_HZ)
        events = scan(samples[begin:end], material.RATE_HZ)
        if any(
            e.confidence >= CERTAIN
            and 1 / SAME_RATIO < e.frequency_hz / howl.frequency_hz < SAME_RATIO
            and e.stop_s > howl.start_s - begin / material.RATE_HZ - 0.5
            for e in events
        ):
            return delay
    return None


def scan_scene(task: tuple[Path, int]) -> Scanned:
    """Make a scene, scan it, and measure its delays."""
    scene = material.howling_scene(*task)
    samples = scene.samples
    return Scanned(
        scene.name,
        samples.size / material.RATE_HZ,
        scene.howls,
        tuple(scan(samples, material.RATE_HZ)),
        published.peak_features(samples, material.RATE_HZ),
        tuple(delay_s(samples, howl) for howl in scene.howls),
    )


def scan_clean(path: Path) -> Scanned:
    """Scan a piece as it is."""
    samples, rate_hz = soundfile.read(path, dtype="float32", always_2d=True)
    return _clean(path.name, np.ascontiguousarray(samples[:, 0]), rate_hz)


def scan_held_notes(program: int) -> Scanned:
    """Scan held notes of one instrument."""
    return _clean(held_notes.PROGRAMS[program], held_notes.render(program, seed=2), 48_000)


def _clean(name: str, samples: NDArray[np.float32], rate_hz: int) -> Scanned:
    events = tuple(scan(samples, rate_hz))
    peaks = published.peak_features(samples, rate_hz)
    return Scanned(name, samples.size / rate_hz, (), events, peaks, ())


def found_with(scenes: Sequence[Scanned]) -> NDArray[np.float64]:
    """Return the confidence with which each howl is found; 0 where it is not."""
    return np.array(
        [
            max((e.confidence for e in scene.events if matches(e, howl)), default=0.0)
            for scene in scenes
            for howl in scene.howls
        ]
    )


def false_with(recordings: Sequence[Scanned]) -> NDArray[np.float64]:
    """Return the confidence of every event that is no howl; what belongs to one is left out."""
    return np.array([e.confidence for r in recordings for e in r.events if not _beside(e, r.howls)])


def _beside(event: Event, howls: Sequence[material.Howl]) -> bool:
    """Whether an event happens while the loop howls: a second mode, or a product of clipping."""
    return any(
        min(event.stop_s, howl.stop_s + 1) > max(event.start_s, howl.start_s - 2) for howl in howls
    )


def area(recall: NDArray[np.float64], precision: NDArray[np.float64]) -> float:
    """Area under the upper envelope of precision over recall."""
    order = np.argsort(recall, kind="stable")
    recall, precision = recall[order], precision[order]
    best = np.maximum.accumulate(precision[::-1])[::-1]  # the best at this recall or more
    return float(np.sum(np.diff(np.concatenate([[0.0], recall])) * best))


@dataclass(frozen=True, slots=True)
class Published:
    """What one combination of published criteria reaches."""

    name: str
    area: float
    false_per_hour_at_95: float | None
    found_at_one_per_hour: float


def score_published(
    scenes: Sequence[Scanned], clean: Sequence[Scanned], hours: float
) -> list[Published]:
    """Sweep every combination of criteria."""
    everything = [*scenes, *clean]
    values = np.concatenate([r.peaks.values for r in everything])
    frame, place, truth = [], [], []
    first, numbered = 0, 0
    for r in everything:
        peaks = r.peaks
        at = np.repeat(np.arange(peaks.time_s.size // published.CANDIDATES), published.CANDIDATES)
        frame.append(at + first)
        first += int(at[-1]) + 100 if at.size else 100
        place.append(np.round(peaks.frequency_hz * published.SIZE / material.RATE_HZ).astype(int))
        label = np.full(peaks.time_s.size, -1)  # -1 false, -2 left out, else the howl's number
        for howl in r.howls:
            during = (peaks.time_s > howl.start_s - 2) & (peaks.time_s < howl.stop_s + 1)
            label[during & (label < 0)] = -2
        for howl in r.howls:
            near = np.abs(peaks.frequency_hz / howl.frequency_hz - 1) < SAME_RATIO - 1
            near |= np.abs(peaks.frequency_hz - howl.frequency_hz) < 12
            during = (peaks.time_s > howl.start_s) & (peaks.time_s < howl.stop_s)
            label[near & during] = numbered
            numbered += 1
        truth.append(label)
    frames, places, labels = (np.concatenate(v) for v in (frame, place, truth))
    order = np.lexsort((places, frames))
    frames, places, labels, values = frames[order], places[order], labels[order], values[order]
    true = labels >= 0
    results = []
    for names in published.COMBINATIONS:
        columns = [published.FEATURES.index(name) for name in names]
        steps = {1: 24, 2: 9, 3: 6}[len(columns)]
        grids = [
            np.unique(np.percentile(values[true, c], np.linspace(0.5, 97, steps))) for c in columns
        ]
        points = []
        for thresholds in itertools.product(*grids):
            passed = [values[:, c] >= t for c, t in zip(columns, thresholds, strict=True)]
            chosen = np.all(passed, axis=0)
            points += _events_at(frames[chosen], places[chosen], labels[chosen], numbered)
        recall, events_true, events_false = (np.array(v) for v in zip(*points, strict=True))
        precision = events_true / np.maximum(events_true + events_false, 1)
        enough = recall >= 0.95
        rate = events_false / hours
        results.append(
            Published(
                " & ".join(names),
                area(recall, precision),
                float(rate[enough].min()) if enough.any() else None,
                float(recall[rate <= 1].max()) if (rate <= 1).any() else 0.0,
            )
        )
    return results


def _events_at(
    frames: NDArray[np.int64], places: NDArray[np.int64], labels: NDArray[np.int64], howls: int
) -> list[tuple[float, int, int]]:
    """Join flagged peaks to events; return (recall, howls found, false events) by least length."""
    if frames.size == 0:
        return [(0.0, 0, 0)]
    half = (places * 0.5).astype(np.float32)  # a neighbouring bin still counts as the same tone
    root = link(Peaks(frames, places, half, half), published.SIZE)
    length = np.bincount(root, minlength=frames.size)
    result = []
    for least in (1, 4, 8):
        long = length[root] >= least
        found = np.unique(labels[long & (labels >= 0)]).size
        own = np.zeros(frames.size, bool)
        own[root[labels != -1]] = True  # an event that holds part of a howl is not false
        false = int(np.sum((length >= least) & ~own))
        result.append((found / howls, found, false))
    return result


def report(scenes: Sequence[Scanned], clean: Sequence[Scanned], *, baseline: bool) -> None:
    """Print everything."""
    hours = sum(r.duration_s for r in clean) / 3600
    found, false = found_with(scenes), false_with(clean)
    print(f"held out: {len(scenes)} scenes with {found.size} howls, {hours:.2f} h without feedback")
    sure = found >= CERTAIN
    print(f"found at confidence {CERTAIN}: {sure.mean():.1%} ({sure.sum()} of {found.size})")
    standing = np.array([h.standing_db for s in scenes for h in s.howls])
    for low, high in ((10, 15), (15, 25), (25, 99)):
        part = (standing >= low) & (standing < high)
        if part.any():
            share = np.mean(sure[part])
            print(f"  standing {low} to {high} dB: {share:.1%} of {part.sum()}")
    print(f"found or called a possible ring: {np.mean(found >= LISTED):.1%}")
    print(f"false events per hour: {np.sum(false >= CERTAIN) / hours:.2f}")
    print(f"possible rings per hour, none true: {np.sum(false >= LISTED) / hours:.2f}")
    bar = np.sort(found)[int(0.05 * found.size)]
    at_95 = f"{np.sum(false >= bar) / hours:.2f} (confidence {bar:.2f})" if bar > 0 else "-"
    print(f"false events per hour where 95 % are found: {at_95}")
    delays = [d for s in scenes for d in s.delays_s if d is not None]
    if delays:
        print(
            f"delay from standing 10 dB to detection: median {np.median(delays):.1f} s, "
            f"90 % within {np.percentile(delays, 90):.1f} s"
        )
    thresholds = np.unique(np.concatenate([found[found > 0], [CERTAIN]]))
    all_false = np.concatenate([false, false_with(scenes)])
    recall = np.array([np.mean(found >= t) for t in thresholds])
    hits = recall * found.size
    wrong = np.array([np.sum(all_false >= t) for t in thresholds])
    print(f"area under precision-recall: {area(recall, hits / (hits + wrong)):.3f}")
    if not baseline:
        return
    print("published criteria, thresholds swept on this very material:")
    for p in sorted(score_published(scenes, clean, hours), key=lambda p: -p.area):
        rate = "-" if p.false_per_hour_at_95 is None else f"{p.false_per_hour_at_95:.0f}"
        print(
            f"  {p.name:20} area {p.area:.3f}; false per hour at 95 % found {rate:>6}; "
            f"found at 1 false per hour {p.found_at_one_per_hour:.1%}"
        )


def collect(*, quick: bool) -> tuple[list[Scanned], list[Scanned]]:
    """Make and scan the held-out material on all cores."""
    pieces = material.pieces(held_out=True)
    rng = np.random.default_rng(11)
    count = SCENES // 5 if quick else SCENES
    tasks = [(pieces[int(rng.integers(len(pieces)))], 9_000 + k) for k in range(count)]
    with ProcessPoolExecutor() as pool:
        scenes = list(pool.map(scan_scene, tasks))
        clean = list(pool.map(scan_clean, pieces[:: 3 if quick else 1]))
    return scenes, clean


def measure(*, quick: bool = False) -> dict[str, float]:
    """Return howls, howls found, false events and hours at the stated confidence."""
    scenes, clean = collect(quick=quick)
    report(scenes, clean, baseline=False)
    found, false = found_with(scenes), false_with(clean)
    return {
        "found": float(np.sum(found >= CERTAIN)),
        "howls": float(found.size),
        "false": float(np.sum(false >= CERTAIN)),
        "hours": sum(r.duration_s for r in clean) / 3600,
    }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a fifth of the scenes")
    parser.add_argument("--held-notes", action="store_true", help="held notes of instruments, too")
    options = parser.parse_args()
    scenes, clean = collect(quick=options.quick)
    report(scenes, clean, baseline=True)
    if options.held_notes:
        with ProcessPoolExecutor() as pool:
            notes = list(pool.map(scan_held_notes, sorted(held_notes.HELD_OUT)))
        false = false_with(notes)
        hours = sum(r.duration_s for r in notes) / 3600
        print(
            f"held notes alone, instruments unheard in tuning, {hours:.2f} h: "
            f"{np.sum(false >= CERTAIN)} false events, {np.sum(false >= LISTED)} possible rings"
        )


if __name__ == "__main__":
    main()
