"""Data that the project did not make, for the benches: where they are, and which part they serve.

Data lie in ``../shared/data`` beside the checkout, or in the folder that the environment variable
SHAPING_BENCH_DATA names: ``rir/*.flac``, ``rir/grid_*/*.flac``, ``speech/``, ``music/``,
``notes/``. Nothing of it is kept in the tree.

What comes from one room, one reader or one sound library belongs to one part whole: tuning,
report, or locked. Only the variable lab serves two: some loudspeaker directions of it are reported
on, and others locked; nothing is tuned on it. The locked part opens only where
SHAPING_BENCH_OPEN_LOCKED=1 says so, which no bench does by itself.
"""

from __future__ import annotations

import os
from enum import Enum
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import signal

RATE_HZ = 48_000

Real = NDArray[np.float64]


class Part(Enum):
    """What a source may be used for."""

    TUNING = "tuning"
    REPORT = "report"
    LOCKED = "locked"


ROOMS = {
    "openair_arthur_sykes_rymer": Part.TUNING,
    "openair_terrys_typing_room": Part.TUNING,
    "openair_st_andrews_church": Part.TUNING,
    "but_office_q301": Part.TUNING,
    "seminar_room_clap": Part.TUNING,
    "grid_otala": Part.TUNING,
    "openair_genesis6_live_room": Part.REPORT,
    "openair_st_margarets_church": Part.REPORT,
    "openair_spokane_womans_club": Part.REPORT,
    "but_hotel_conference2": Part.REPORT,
    "arni_35_3541_4_2": Part.REPORT,
    "openair_jack_lyons_hall": Part.LOCKED,
    "openair_tyndall_bruce_monument": Part.LOCKED,
    "but_hotel_room112": Part.LOCKED,
}
"""Rooms by the name of their response or grid; the variable lab is in `LAB_DIRECTIONS`."""

LAB = ("r3vival_lab", "grid_r3vival_lab050")
LAB_DIRECTIONS = {
    **dict.fromkeys(("000", "030", "060", "090", "120", "180", "270", "BG1"), Part.REPORT),
    **dict.fromkeys(("150", "210", "240", "300", "330", "BG2", "BG3", "BG4"), Part.LOCKED),
}
"""The variable lab's loudspeaker directions in degrees, and its corners."""

PROGRAMME = {
    "speech/ljspeech": Part.TUNING,
    "speech/librivox": Part.REPORT,
    "speech/librispeech": Part.LOCKED,
    "music/folk_vocal": Part.TUNING,
    "music/strings_hungarian": Part.TUNING,
    "music/solo_singing_sms": Part.TUNING,
    "music/celesta": Part.REPORT,
    "music/jazz": Part.REPORT,
    "music/solo_phrases": Part.REPORT,
    "music/solo_sustained": Part.LOCKED,
    "music/solo_singing_vocadito": Part.LOCKED,
    "notes/olpc": Part.TUNING,
    "notes/tones_olpc": Part.TUNING,
    "notes/gm_fluid": Part.REPORT,
    "notes/iowa": Part.REPORT,
    "notes/cello": Part.REPORT,
    "notes/flute": Part.REPORT,
    "notes/bagpipes": Part.LOCKED,
    "notes/strings_tremolo": Part.LOCKED,
    "notes/synth_pads": Part.LOCKED,
    "notes/tones_telephone": Part.LOCKED,
}
"""Programme by the beginning of its name: one reader, performer or library each."""


class DataMissingError(RuntimeError):
    """The measured rooms or the programme are not where they are looked for."""


def data_folder() -> Path:
    """Return the folder of the data.

    Raises
    ------
    DataMissingError
        If there is none, with what to do.
    """
    beside = Path(__file__).resolve().parents[2].parent / "shared" / "data"
    folder = Path(os.environ.get("SHAPING_BENCH_DATA", beside))
    if not (folder / "rir").is_dir():
        raise DataMissingError(
            f"No measured rooms in {folder}: name the folder that holds rir, speech, music and "
            "notes in the environment variable SHAPING_BENCH_DATA."
        )
    return folder


def room_of(relative: str) -> tuple[str, Part]:
    """Return the room and the part of a response, by its path below ``rir``.

    >>> room_of("grid_otala/s01_m1.flac")
    ('grid_otala', <Part.TUNING: 'tuning'>)
    >>> room_of("r3vival_lab_025_060_150.flac")
    ('r3vival_lab', <Part.REPORT: 'report'>)
    """
    stem = relative.removesuffix(".flac")
    if stem.startswith(LAB):
        in_grid = stem.partition("/S")[2]
        direction = in_grid.split("_")[0] if in_grid else stem.split("_")[3]
        return LAB[0], LAB_DIRECTIONS[direction]
    room = stem.split("/")[0]
    return room, ROOMS[room]


def responses(part: Part) -> list[Path]:
    """Return the files of all measured responses of a part, sorted."""
    folder = opened(part) / "rir"
    return [
        path
        for path in sorted(folder.rglob("*.flac"))
        if room_of(path.relative_to(folder).as_posix())[1] is part
    ]


def programme_files(kind: str, part: Part) -> list[Path]:
    """Return the files of ``speech``, ``music`` or ``notes`` of a part, sorted."""
    folder = opened(part)
    found = []
    for path in sorted((folder / kind).glob("*.flac")):
        (own,) = (p for start, p in PROGRAMME.items() if f"{kind}/{path.stem}".startswith(start))
        if own is part:
            found.append(path)
    return found


def programme(path: Path, n: int, rng: np.random.Generator, *, level_dbfs: float) -> Real:
    """Return `n` samples from anywhere in a file, at 48 kHz; `level_dbfs` is their rms level."""
    sound = read(path)
    start = int(rng.integers(max(sound.size - n, 0) + 1))
    sound = np.resize(np.roll(sound, -start), n)
    level = np.sqrt(np.mean(sound**2))
    return np.asarray(sound * 10 ** (level_dbfs / 20) / max(level, 1e-9))


def opened(part: Part) -> Path:
    """Return the folder of the data; the locked part has to be opened on purpose."""
    if part is Part.LOCKED and os.environ.get("SHAPING_BENCH_OPEN_LOCKED") != "1":
        raise DataMissingError(
            "The locked part is opened once, when all is done: SHAPING_BENCH_OPEN_LOCKED=1."
        )
    return data_folder()


def read(path: Path) -> Real:
    """Return the first channel of a file at 48 kHz, shape (n,)."""
    samples, rate = soundfile.read(path, always_2d=True)
    sound = samples[:, 0]
    return sound if rate == RATE_HZ else signal.resample_poly(sound, RATE_HZ, rate)
