"""What the watch measures, hop by hop, on recordings with howls and without, with the truth beside.

Recordings are fed side by side as channels, as a stage's mics are. Howls, scenes and programme are
those of `howl_material` and `howl_sources`: a howl stands 10 dB over the programme in the third
octave around it. A tone that is measured is a howl within 2 % of a true one from a second before
it stands out until it ends; it is no howl where the loop was stable or absent; and left out
otherwise.
"""

from __future__ import annotations

import hashlib
import os
import pickle
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import howl_material as material
import howl_sources
import numpy as np
from measured_data import RATE_HZ, Part
from numpy.typing import NDArray

import shaping.live.watch
from shaping.live.watch.history import History
from shaping.live.watch.measures import MEASURE_NAMES, measure
from shaping.live.watch.tones import Tones
from shaping.live.watch.worth import worth_a_look
from shaping.rehearsals.frames import grid_for

SCENES = {Part.TUNING: 320, Part.REPORT: 160}
PER_SOURCE_S = {Part.TUNING: 900.0, Part.REPORT: 1_800.0}
SIDE_BY_SIDE = 16
PIECE_S = 60.0
"""Programme is watched in stretches of this length, so that they go side by side."""
SAME_RATIO = 1.02
EARLY_S = 1.0


@dataclass(frozen=True, eq=False)
class Watched:
    """Measured tones of one recording, in order of time.

    Attributes
    ----------
    name, source, kind : str
        Of the scene or piece.
    duration_s : float
        Of the recording.
    howls : tuple of Howl
        In it.
    frame : ndarray of int64, shape (n,)
        When each was measured; it is known once the frame's last sample is there.
    measures : ndarray of float32, shape (n, measures)
        In the order of `shaping.live.watch.measures.MEASURE_NAMES`.
    label : ndarray of int64, shape (n,)
        Number of the howl, -1 for none, -2 for left out.
    """

    name: str
    source: str
    kind: str
    duration_s: float
    howls: tuple[material.Howl, ...]
    frame: NDArray[np.int64]
    measures: NDArray[np.float32]
    label: NDArray[np.int64]

    @property
    def known_s(self) -> NDArray[np.float64]:
        """When each tone could be measured first."""
        return np.asarray((self.frame + 1) * grid_for(RATE_HZ).hop_s)


@dataclass(frozen=True, eq=False)
class _Recording:
    name: str
    source: str
    kind: str
    samples: NDArray[np.float32]
    howls: tuple[material.Howl, ...] = ()
    excited: tuple[tuple[float, float], ...] = ()


def _recordings(part: Part, *, share: int) -> list[_Recording]:
    found = []
    for index in range(0, SCENES[part], share):
        scene = material.kept_scene(part, index)
        found.append(
            _Recording(
                scene.name, scene.source, scene.kind, scene.samples, scene.howls, scene.excited
            )
        )
    return found


def _pieces(part: Part, *, share: int) -> list[_Recording]:
    found = []
    for piece in howl_sources.selected(part, PER_SOURCE_S[part])[::share]:
        samples = piece.samples()
        step = round(PIECE_S * RATE_HZ)
        for number, start in enumerate(range(0, samples.size, step)):
            stretch = samples[start : start + step]
            if stretch.size > RATE_HZ:
                name = f"{piece.name} {number}"
                found.append(_Recording(name, piece.source, piece.kind, stretch))
    return found


def watched(part: Part, *, share: int = 1) -> list[Watched]:
    """Return what was measured on a part: its scenes, then its programme; kept in between.

    Parameters
    ----------
    part : Part
        Tuning or report.
    share : int
        Only every so many scenes and pieces.
    """
    place = _folder() / f"{part.value}-{share}.pickle"
    if place.exists():
        kept: list[Watched] = pickle.loads(place.read_bytes())  # our own file
        return kept
    found = []
    for recordings in (_recordings(part, share=share), _pieces(part, share=share)):
        recordings.sort(key=lambda one: one.samples.size)
        for start in range(0, len(recordings), SIDE_BY_SIDE):
            found += watch_together(recordings[start : start + SIDE_BY_SIDE])
    fresh = place.with_suffix(f".{os.getpid()}")
    fresh.write_bytes(pickle.dumps(found))
    fresh.rename(place)
    return found


def watch_together(recordings: Sequence[_Recording]) -> list[Watched]:
    """Measure recordings side by side."""
    grid = grid_for(RATE_HZ)
    history = History(grid, len(recordings))
    tones = Tones(len(recordings), grid.stop_bin - grid.first_bin)
    longest = max(one.samples.size for one in recordings)
    together = np.zeros((longest, len(recordings)), np.float32)
    for at, one in enumerate(recordings):
        together[: one.samples.size, at] = one.samples
    frames, channels, measures = [], [], []
    for frame in history.feed(together):
        channel, column, age = tones.update(history)
        if not channel.size:
            continue
        values = measure(history, channel, column, age, tones.per_s)
        worth = worth_a_look(values)
        frames.append(np.full(int(worth.sum()), frame))
        channels.append(channel[worth])
        measures.append(values[worth].astype(np.float32))
    frame_all, channel_all = np.concatenate(frames), np.concatenate(channels)
    values_all = np.concatenate(measures)
    result = []
    for at, one in enumerate(recordings):
        own = channel_all == at
        result.append(
            Watched(
                one.name,
                one.source,
                one.kind,
                one.samples.size / RATE_HZ,
                one.howls,
                frame_all[own],
                values_all[own],
                _labels(one, frame_all[own], values_all[own], grid.hop_s),
            )
        )
    return result


def _labels(
    one: _Recording, frame: NDArray[np.int64], values: NDArray[np.float32], hop_s: float
) -> NDArray[np.int64]:
    time_s, hertz = (frame + 1) * hop_s, values[:, MEASURE_NAMES.index("frequency_hz")]
    label = np.full(frame.size, -1)
    for begin, end in one.excited:
        label[(time_s > begin) & (time_s < end)] = -2
    for number, howl in enumerate(one.howls):
        near = np.abs(np.log(hertz / howl.frequency_hz)) < np.log(SAME_RATIO)
        label[near & (time_s > howl.start_s - EARLY_S) & (time_s < howl.stop_s + 0.1)] = number
    return label


def _folder() -> Path:
    """Where measured tones are kept until what measures them changes."""
    folder = Path(shaping.live.watch.__file__).parent
    names = ("history", "measures", "tones", "worth")
    text = b"".join((folder / f"{name}.py").read_bytes() for name in names)
    text += Path(__file__).read_bytes()
    name = f"watched-{hashlib.sha256(text).hexdigest()[:12]}"
    place = material.keeping_folder().parent / name
    place.mkdir(parents=True, exist_ok=True)
    return place
