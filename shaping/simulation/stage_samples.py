"""The shipped stage, remade: ``python -m shaping.simulation.stage_samples audio_samples/stage``.

A song's worth of Quillhaven Hall's stage (`shaping.simulation.quillhaven`): a vocal wedge, a guitar
wedge, a speech wedge and a side fill; a lead, a guitarist's and a choir mic. One recording of all
three mics for each loudspeaker, the others silent and every send muted. Small on purpose: 24 kHz.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import soundfile as sf
from numpy.typing import NDArray

from shaping.capture.signals import pink_noise
from shaping.errors import OutputError
from shaping.simulation import quillhaven as hall
from shaping.simulation.closed_loop import Stage, measure
from shaping.simulation.colour import Floats, Peak
from shaping.simulation.microphone import Microphone, Pattern
from shaping.simulation.room import path_response
from shaping.simulation.wedge import Wedge

RATE_HZ = 24_000
STAGE_NOISE_S = 8.0
STAGE_NOISE_DBFS = -30.0
_LENGTH_S = 0.6
_DESK_S = 0.004
_NOISE_FLOOR_DBFS = -72.0


def _uneven(wedge: Wedge, *peaks: Peak) -> Wedge:
    """Return a wedge with more to cut."""
    return replace(wedge, peaks=(*wedge.peaks, *peaks))


SIDE_FILL = Wedge(
    position_m=(10.6, 11.2, 1.3),
    aim_m=(6.5, 12.0, 1.5),
    peaks=(Peak(1_250.0, 5.0, 5.0), Peak(2_700.0, 4.0, 5.0), Peak(410.0, 4.0, 5.0)),
    radius_m=0.165,
    low_hz=50.0,
)
WEDGES = {
    "vocal wedge": _uneven(
        hall.VOCAL_WEDGE.wedge, Peak(1_250.0, 5.0, 7.0), Peak(3_350.0, 5.0, 6.0)
    ),
    "guitar wedge": _uneven(
        hall.GUITAR_WEDGE.wedge, Peak(620.0, 5.0, 7.0), Peak(2_150.0, 5.0, 8.0)
    ),
    "speech wedge": _uneven(hall.SPEECH_WEDGE.wedge, Peak(870.0, 5.0, 8.0)),
    "side fill": SIDE_FILL,
}
MICS = {
    "lead": hall.VOCAL_WEDGE.microphone,
    "guitarist": hall.GUITAR_WEDGE.microphone,
    "choir": Microphone(
        position_m=(8.2, 12.2, 1.7),
        aim_m=(8.0, 13.4, 1.6),
        pattern=Pattern.CARDIOID,
        peaks=(Peak(6_000.0, 4.0, 1.0),),
        low_hz=90.0,
    ),
}
SENDS_DB = {
    ("lead", "vocal wedge"): -9.0,
    ("lead", "side fill"): -14.0,
    ("guitarist", "guitar wedge"): -10.0,
    ("guitarist", "vocal wedge"): -15.0,
    ("choir", "side fill"): -14.0,
    ("lead", "speech wedge"): -12.0,
}
_PREAMP_DB = {"lead": 0.0, "guitarist": 0.0, "choir": 6.0}

STAGE_FILE = """\
# Quillhaven Hall, Sunday: three wedges, a side fill and three mics. An invented stage; its
# recordings come from a simulation (python -m shaping.simulation.stage_samples).
schema = "shaping.stage/1"

[[wedge]]
name = "vocal wedge"
limits = "parametric-4"
use = "vocal"

[[wedge]]
name = "guitar wedge"
limits = "parametric-4"
use = "acoustic-guitar"

[[wedge]]
name = "speech wedge"
limits = "parametric-4"
use = "speech"
thinning = "medium"

[[wedge]]
name = "side fill"
limits = "graphic-31"
use = "side-fill"

[[mic]]
name = "lead"
pattern = "cardioid"
handheld = true

[[mic]]
name = "guitarist"
pattern = "cardioid"

[[mic]]
name = "choir"
pattern = "cardioid"

"""


def paths() -> dict[tuple[str, str], Floats]:
    """Return the impulse response from each wedge to each mic, by mic and wedge."""
    return {
        (m, w): path_response(
            hall.HALL,
            wedge,
            microphone,
            sample_rate_hz=RATE_HZ,
            length_s=_LENGTH_S,
            latency_s=_DESK_S,
            seed=200 + 10 * i + j,
        )
        * 10 ** (_PREAMP_DB[m] / 20)
        for i, (w, wedge) in enumerate(WEDGES.items())
        for j, (m, microphone) in enumerate(MICS.items())
    }


def stage_text() -> str:
    """Return the stage file."""
    parts = [STAGE_FILE]
    for (mic, wedge), gain_db in SENDS_DB.items():
        parts.append(f'[[send]]\nmic = "{mic}"\nwedge = "{wedge}"\ngain_db = {gain_db}\n\n')
    channels = ", ".join(f"{mic} = {at}" for at, mic in enumerate(MICS, 1))
    for wedge in WEDGES:
        parts.append(
            f'[[capture]]\nwedge = "{wedge}"\nfile = "{file_name(wedge)}"\n'
            f'reference = "noise.flac"\nchannels = {{ {channels} }}\n'
            f'position = "as in the service"\n\n'
        )
    parts.append(
        '[[place]]\nmic = "choir"\nwedge = "side fill"\nangle_deg = 115\ndistance_m = 2.6\n'
    )
    return "".join(parts)


def file_name(wedge: str) -> str:
    """Return the file of the recording made while a wedge played."""
    return f"noise_{wedge.replace(' ', '_')}.flac"


def write(folder: Path) -> None:
    """Write recordings, reference, stage file and truth into a folder.

    Raises
    ------
    OutputError
        If something cannot be written there.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        noise = _pcm(
            pink_noise(
                STAGE_NOISE_S,
                sample_rate_hz=RATE_HZ,
                level_dbfs=STAGE_NOISE_DBFS,
                seed=60,
                high_hz=10_500.0,
            )
        )
        _save(folder / "noise.flac", noise)
        found = paths()
        played = np.concatenate([noise / 2**15, np.zeros(RATE_HZ // 2)])
        for i, wedge in enumerate(WEDGES):
            channels = [
                measure(
                    Stage(RATE_HZ, found[mic, wedge], noise_dbfs=_NOISE_FLOOR_DBFS),
                    played,
                    seed=300 + 10 * i + j,
                )
                for j, mic in enumerate(MICS)
            ]
            _save(folder / file_name(wedge), _pcm(np.stack(channels, axis=1)))
        (folder / "stage.toml").write_text(stage_text(), encoding="utf-8")
        (folder / "README.md").write_text(_README, encoding="utf-8")
    except (OSError, sf.LibsndfileError) as error:
        raise OutputError(f"cannot write the stage to {folder}: {error}") from error


_README = """\
# A stage of our own

Quillhaven Hall is invented; its stage is computed (`shaping.simulation.stage_samples`), and these
files may be used freely under the licence of the project. `stage.toml` describes three wedges, a
side fill and three mics; each `noise_*.flac` holds all three mics while one of them played
`noise.flac`, every send muted.

    shaping stage audio_samples/stage/stage.toml --html sheet.html

Remake them with:

    python -m shaping.simulation.stage_samples audio_samples/stage
"""


def _pcm(samples: NDArray[Any]) -> NDArray[np.int16]:
    return np.asarray(np.clip(np.rint(samples * 2**15), -(2**15), 2**15 - 1), np.int16)


def _save(path: Path, pcm: NDArray[np.int16]) -> None:
    sf.write(path, pcm, RATE_HZ, subtype="PCM_16", format="FLAC")


def main() -> None:
    """Write the stage into the folder that is named."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    write(parser.parse_args().folder)


if __name__ == "__main__":
    main()
