"""What a talk sounds like in the first row: ``python -m shaping.simulation.lesson_sounds FOLDER``.

``talk.flac`` in the folder is a reading that the project did not make (see the ``README.md`` beside
it). It is sent through the vocal wedge and through the mains of `shaping.simulation.quillhaven` and
heard in the first row, as the band is in ``first_row_wedges.flac`` and ``first_row_mains.flac``:
nothing else of it is computed. For the lesson page; small on purpose.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import soundfile as sf
from numpy.typing import NDArray
from scipy import signal

from shaping.errors import OutputError
from shaping.simulation import quillhaven as hall
from shaping.simulation.closed_loop import Stage, measure
from shaping.simulation.colour import Floats

LESSON_RATE_HZ = 24_000
TALK = "talk.flac"
_TALK_DBFS = -30.0  # rms at the wedge's input, as the band's
_MAINS_OVER_WEDGE_DB = 6.0  # as the band's
_NOISE_DBFS = -75.0
_HEARD_GAIN_DB = 12.0  # both alike, so that 16 bits are used


def write(folder: Path) -> None:
    """Make ``talk_wedges.flac`` and ``talk_mains.flac`` from ``talk.flac`` in `folder`.

    Raises
    ------
    OutputError
        If the talk cannot be read, or the results cannot be written.
    """
    try:
        talk, rate_hz = sf.read(folder / TALK, dtype="float64")
        for name, samples in heard(talk, rate_hz).items():
            sf.write(folder / name, samples, LESSON_RATE_HZ, subtype="PCM_16", format="FLAC")
    except (OSError, sf.LibsndfileError) as error:
        raise OutputError(f"cannot make the lesson's sounds in {folder}: {error}") from error


def heard(talk: Floats, rate_hz: int) -> dict[str, NDArray[np.int16]]:
    """Return the talk in the first row, by file name: through the wedge, and through the mains."""
    sent = signal.resample_poly(talk, hall.SAMPLE_RATE_HZ // rate_hz, 1)
    sent = sent * 10 ** (_TALK_DBFS / 20) / np.sqrt(np.mean(sent**2))
    spill = hall.stage(hall.VOCAL_WEDGE).spill
    if spill is None:
        raise OutputError("the vocal wedge has no path to the first row")
    ways = (
        ("talk_wedges.flac", spill, 0.0, 41),
        ("talk_mains.flac", hall.mains_path(), _MAINS_OVER_WEDGE_DB, 42),
    )
    return {name: _heard(sent, path, drive_db, seed) for name, path, drive_db, seed in ways}


def _heard(sent: Floats, path: Floats, drive_db: float, seed: int) -> NDArray[np.int16]:
    stage = Stage(hall.SAMPLE_RATE_HZ, path, noise_dbfs=_NOISE_DBFS, wedge_limit=4.0)
    samples = measure(stage, sent * 10 ** (drive_db / 20), seed=seed)
    samples = samples * 10 ** (_HEARD_GAIN_DB / 20)
    small = signal.resample_poly(samples, 1, hall.SAMPLE_RATE_HZ // LESSON_RATE_HZ)
    whole = np.clip(np.rint(small * 32768.0), -32768, 32767)
    return np.asarray(whole, dtype=np.int16)


def main() -> None:
    """Write the sounds into the folder named on the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    write(parser.parse_args().folder)


if __name__ == "__main__":
    main()
