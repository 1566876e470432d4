"""What the detector measures on the tuning material, with the truth beside it.

Every tone that is measured is an example: a howl where it lies within 2 % of a true one and
overlaps it; no howl where the loop was stable or absent; and left out otherwise (what happens
while a loop howls may be its second mode or a product of clipping).
"""

from __future__ import annotations

import hashlib
import os
import pickle
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import howl_material as material
import howl_sources
import numpy as np
from measured_data import RATE_HZ, Part
from numpy.typing import NDArray

import shaping.rehearsals
from shaping.rehearsals.detector import Candidate, Detector
from shaping.rehearsals.features import NAMES, Features
from shaping.rehearsals.first_look import look, possible
from shaping.rehearsals.frame_peaks import FramePeaks

SAME_RATIO = 1.02
EXAMPLE_SCENES = 480
EXAMPLE_S = 2700.0
"""How much of each source without howls is measured at most."""

MADE = "made tones"
MADE_KINDS = 4
"""Kinds of made tones, in turns; each is a source of its own, to be left out alone."""


@dataclass(frozen=True, eq=False)
class Examples:
    """Measured tones of one recording.

    Attributes
    ----------
    measures : ndarray, shape (n, measures)
        In the order of `shaping.rehearsals.features.NAMES`.
    looks : ndarray, shape (n, 6)
        What `shaping.rehearsals.first_look` saw of each.
    label : ndarray of int, shape (n,)
        Number of the howl, -1 for none, -2 for left out.
    source : str
        Where the programme is from.
    kind : str
        Class of the scene, or kind of the piece.
    duration_s : float
        Of the recording.
    howls : tuple of Howl
        In the recording.
    excited : tuple of (float, float)
        When a loop howls or is about to.
    """

    measures: NDArray[np.float64]
    looks: NDArray[np.float64]
    label: NDArray[np.int64]
    source: str
    kind: str
    duration_s: float
    howls: tuple[material.Howl, ...]
    excited: tuple[tuple[float, float], ...]


class Notebook(Detector):
    """A detector that measures all that is within the bars, and notes it."""

    def __init__(self, sample_rate_hz: int) -> None:
        super().__init__(sample_rate_hz)
        self.seen: list[Features] = []
        self.looks: list[NDArray[np.float64]] = []

    def _worth(self, looks: NDArray[np.float64]) -> NDArray[np.bool_]:
        return possible(looks)

    def _measured(self, track: FramePeaks, known: Candidate | None) -> Candidate | None:
        self.seen.append(self._features(track))
        self.looks.append(look(track, np.zeros(1, np.int64), *self._past.all(), self.grid)[0])
        return None


def examples_of(
    samples: NDArray[np.float32],
    howls: Sequence[material.Howl],
    excited: Sequence[tuple[float, float]],
    *,
    source: str,
    kind: str,
) -> Examples:
    """Measure one recording and label what was measured."""
    detector = Notebook(RATE_HZ)
    detector.feed(samples)
    detector.finish()
    measures = np.array([f.as_array() for f in detector.seen]).reshape(-1, len(NAMES))
    hertz, start, length = (
        measures[:, NAMES.index(n)] for n in ("frequency_hz", "start_s", "duration_s")
    )
    label = np.full(len(measures), -1)
    for begin, end in excited:
        label[(start < end) & (start + length > begin)] = -2
    for number, howl in enumerate(howls):
        near = np.abs(np.log(hertz / howl.frequency_hz)) < np.log(SAME_RATIO)
        label[near & (start < howl.stop_s) & (start + length > howl.start_s)] = number
    looks = np.array(detector.looks).reshape(-1, 6)
    return Examples(
        measures, looks, label, source, kind, samples.size / RATE_HZ, tuple(howls), tuple(excited)
    )


def of_scene(part: Part, index: int) -> Examples:
    """Return the examples of one scene."""
    scene = material.kept_scene(part, index)
    return examples_of(
        scene.samples, scene.howls, scene.excited, source=scene.source, kind=scene.kind
    )


def of_piece(piece: howl_sources.Piece) -> Examples:
    """Return the examples of one piece without howls."""
    source = piece.source
    if source == MADE:
        source = f"{MADE} {piece.seed % MADE_KINDS}"
    return examples_of(piece.samples(), (), (), source=source, kind=piece.kind)


def all_examples(part: Part, scenes: int = EXAMPLE_SCENES) -> list[Examples]:
    """Return the examples of a part: its scenes, then its pieces.

    Each is kept in the temporary folder until the detector changes.
    """
    folder = material.keeping_folder().parent / f"examples-{detector_version()}"
    folder.mkdir(parents=True, exist_ok=True)
    result = [
        _kept(folder / f"{part.value}-{index}.pickle", partial(of_scene, part, index))
        for index in range(scenes)
    ]
    for piece in howl_sources.selected(part, EXAMPLE_S):
        name = hashlib.sha256(piece.name.encode()).hexdigest()[:16]
        result.append(_kept(folder / f"{part.value}-{name}.pickle", partial(of_piece, piece)))
    return result


def _kept(place: Path, make: Callable[[], Examples]) -> Examples:
    if place.exists():
        kept: Examples = pickle.loads(place.read_bytes())  # our own file
        return kept
    made = make()
    fresh = place.with_suffix(f".{os.getpid()}")
    fresh.write_bytes(pickle.dumps(made))
    fresh.rename(place)
    return made


def detector_version() -> str:
    """Return a name that changes with the detector's code before the model."""
    folder = Path(shaping.rehearsals.__file__).parent
    names = ("detector", "features", "rises", "first_look", "frame_peaks", "frames", "linking")
    text = b"".join((folder / f"{name}.py").read_bytes() for name in names)
    return hashlib.sha256(text).hexdigest()[:12]
