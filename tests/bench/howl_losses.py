"""Where each missed howl is lost: peaks, tracks, first look, trees, growth, or the last weighing.

``python tests/bench/howl_losses.py`` goes through the scenes of the report part, and tells for
every class of `rehearsals_detection` how many howls were lost at which stage, and the misses one
by one; ``--tuning`` takes the tuning part, which the trees have seen. The stages in their order:

============ ====================================================================================
peaks        in less than half of the frames in which it stands does a peak stand off there
track        the peaks do not link to a track of `MIN_TRACK_S`
first look   a track is not within the bars of `first_look`, or its quick sum is too low
trees        the sum of the trees is less than `WEAKEST_EVIDENCE`
kinship      it was taken for a harmonic of a louder howl
growth       it was not seen growing, so that it cannot be certain
weighing     its log-odds do not make it certain, all circumstances weighed
============ ====================================================================================
"""

from __future__ import annotations

import argparse
import collections
from collections.abc import Sequence
from dataclasses import dataclass

import howl_material as material
import numpy as np
from howl_examples import Notebook
from howl_material import CLASSES, Howl
from measured_data import RATE_HZ, DataMissingError, Part
from numpy.typing import NDArray
from rehearsals_detection import SAME_RATIO, SCENES, matches, scan

from shaping.rehearsals.detector import MIN_TRACK_S, WEAKEST_EVIDENCE, Candidate
from shaping.rehearsals.events import Event
from shaping.rehearsals.frame_peaks import FramePeaks
from shaping.rehearsals.model import CERTAIN, evidence_of, seen_growing, worth_measuring

STAGES = ("found", "peaks", "track", "first look", "trees", "kinship", "growth", "weighing")
LEAST_SHARE = 0.5
"""Of the frames in which it stands, a howl needs a peak in this share to have peaks."""


@dataclass(frozen=True, slots=True)
class Lost:
    """A howl, and the stage it got to."""

    howl: Howl
    kind: str
    together: bool
    stage: str
    confidence: float


class _Trace(Notebook):
    """A notebook that keeps all peaks, and where every track lies."""

    def __init__(self, sample_rate_hz: int) -> None:
        super().__init__(sample_rate_hz)
        self.peaks: list[NDArray[np.float64]] = []
        self.tracks: list[tuple[float, float, float]] = []

    def _hertz(self, position: NDArray[np.float32]) -> NDArray[np.float64]:
        return np.asarray((position + self.grid.first_bin) * self.grid.bin_hz, float)

    def _sort_out(
        self, peaks: FramePeaks, root: NDArray[np.int64], name: NDArray[np.int64], *, last: bool
    ) -> tuple[FramePeaks, NDArray[np.int64], list[Candidate]]:
        self.peaks.append(np.stack([peaks.frame, self._hertz(peaks.position)], axis=1))
        long = np.flatnonzero(
            np.bincount(root, minlength=len(peaks)) * self.grid.hop_s >= MIN_TRACK_S
        )
        for first in long:
            own = root == first
            ends = peaks.frame[own][[0, -1]]
            hertz = float(np.median(self._hertz(peaks.position[own])))
            self.tracks.append((self.grid.time_s(ends[0]), self.grid.time_s(ends[1]), hertz))
        return super()._sort_out(peaks, root, name, last=last)


def losses(part: Part, index: int) -> list[Lost]:
    """Return every howl of a scene and its stage."""
    scene = material.kept_scene(part, index)
    trace = _Trace(RATE_HZ)
    trace.feed(scene.samples)
    trace.finish()
    events = scan(scene.samples)
    result = []
    for howl in scene.howls:
        together = any(
            other is not howl
            and min(other.stop_s, howl.stop_s) - max(other.start_s, howl.start_s) > 0.2
            for other in scene.howls
        )
        own = [event for event in events if matches(event, howl)]
        best = max((event.confidence for event in own), default=0.0)
        stage = "found" if best >= CERTAIN else _stage(howl, trace, own)
        result.append(Lost(howl, scene.kind, together, stage, best))
    return result


def _near(howl: Howl, start_s: float, stop_s: float, hertz: float) -> bool:
    overlaps = start_s < howl.stop_s and stop_s > howl.start_s
    return overlaps and 1 / SAME_RATIO < hertz / howl.frequency_hz < SAME_RATIO


def _stage(howl: Howl, trace: _Trace, own: Sequence[Event]) -> str:
    """Return the stage that a howl which is not certain got to."""
    frame, hertz = np.unique(np.vstack(trace.peaks), axis=0).T
    time_s = trace.grid.time_s(0) + frame * trace.grid.hop_s
    there = (time_s >= howl.start_s) & (time_s <= howl.stop_s)
    there &= np.abs(np.log(hertz / howl.frequency_hz)) < np.log(SAME_RATIO)
    wanted = (howl.stop_s - howl.start_s) / trace.grid.hop_s
    if np.unique(frame[there]).size < LEAST_SHARE * wanted:
        return "peaks"
    if not any(_near(howl, *track) for track in trace.tracks):
        return "track"
    measured = [
        (features, look)
        for features, look in zip(trace.seen, trace.looks, strict=True)
        if _near(
            howl, features.start_s, features.start_s + features.duration_s, features.frequency_hz
        )
    ]
    worth = [f for f, look in measured if worth_measuring(look[None])[0]]
    if not worth:
        return "first look"
    if max(evidence_of(f) for f in worth) < WEAKEST_EVIDENCE:
        return "trees"
    if not own:
        return "kinship"
    return "weighing" if any(seen_growing(f) for f in worth) else "growth"


def print_losses(found: Sequence[Lost]) -> None:
    """Print the table by class, and the misses."""
    groups = {"all": list(found)}
    groups |= {kind: [f for f in found if f.kind == kind] for kind in CLASSES}
    groups["two at once"] = [f for f in found if f.together]
    groups["drifting by 4 cents or more"] = [f for f in found if f.howl.drift_cents >= 4]
    print(f"{'':30}" + "".join(f"{stage:>11}" for stage in STAGES))
    for name, group in groups.items():
        count = collections.Counter(f.stage for f in group)
        print(f"{name:30}" + "".join(f"{count[stage]:11}" for stage in STAGES))
    for lost in found:
        if lost.stage != "found":
            howl = lost.howl
            print(
                f"{lost.kind:9} lost at {lost.stage:10} {howl.frequency_hz:6.0f} Hz for "
                f"{howl.stop_s - howl.start_s:.1f} s, {howl.under_db:+.0f} dB against the "
                f"programme, drift {howl.drift_cents:.0f} cents, confidence {lost.confidence:.2f}"
                + (", beside another" if lost.together else "")
            )


def main() -> None:
    """Trace and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tuning", action="store_true", help="the tuning part")
    part = Part.TUNING if parser.parse_args().tuning else Part.REPORT
    scenes = SCENES[Part.REPORT]
    print_losses([lost for index in range(scenes) for lost in losses(part, index)])


if __name__ == "__main__":
    try:
        main()
    except DataMissingError as error:
        raise SystemExit(str(error)) from None
