"""The shipped packs, remade: ``python -m shaping.simulation.packs.samples audio_samples/packs``.

Six in-ear packs of Quillhaven Hall (`shaping.simulation.quillhaven`) as channels of one recording
while the test signal of feeds played: the drums' is 48 dB low, the keys' has its sides swapped, the
other four are sound. Small on purpose: recorded quietly, and the packs with one mix for both ears
on one channel each.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile as sf
from scipy import signal

from shaping.analysis.feeds.played import feeds_signal
from shaping.errors import OutputError
from shaping.simulation.colour import Floats
from shaping.simulation.recorder import recorded

PACKS_RATE_HZ = 48_000
_CLOCK_PPM = 35.0
_BEFORE_S = 0.6
_RECORDED_DB = -17.0
"""What the recorder's input takes off."""

_HISS_DBFS = -100.0


@dataclass(frozen=True, slots=True)
class SimulatedPack:
    """A pack: two gains to each ear, a radio's response, a delay and a level."""

    name: str
    level_db: float
    stereo: bool = True
    swapped: bool = False
    delay_s: float = 0.0032
    crosstalk_db: float = -48.0


PACKS = (
    SimulatedPack("lead vocal", 0.4),
    SimulatedPack("keys", -0.6, swapped=True),
    SimulatedPack("drums", -48.0, stereo=False),
    SimulatedPack("bass", 0.7, stereo=False),
    SimulatedPack("choir", -0.3, stereo=False),
    SimulatedPack("speaker", 0.1, stereo=False),
)
FILE = "packs.flac"


def outputs(pack: SimulatedPack) -> Floats:
    """Return what comes out of a pack while the signal plays, shape (n, 1 or 2)."""
    played = feeds_signal(sample_rate_hz=PACKS_RATE_HZ).astype(np.float64)
    left, right = played.T
    across = 10 ** (pack.crosstalk_db / 20)
    ears = [left + across * right, right + across * left]
    if pack.swapped:
        ears.reverse()
    if not pack.stereo:
        ears = [0.5 * (left + right)]
    out = np.stack(ears, axis=1) * 10 ** (pack.level_db / 20)
    for sos in (
        signal.butter(1, 25.0, "high", fs=PACKS_RATE_HZ, output="sos"),
        signal.butter(4, 16_500.0, fs=PACKS_RATE_HZ, output="sos"),
    ):
        out = signal.sosfilt(sos, out, axis=0)
    late = round(pack.delay_s * PACKS_RATE_HZ)
    return np.concatenate([np.zeros((late, out.shape[1])), out])


def packs_text() -> str:
    """Return the packs file."""
    parts = [
        "# The packs of Quillhaven Hall on one recorder. An invented stage; the recording comes\n"
        "# from a simulation (python -m shaping.simulation.packs.samples).\n"
        'schema = "shaping.packs/1"\n'
    ]
    channel = 1
    for pack in PACKS:
        channels = [channel, channel + 1] if pack.stereo else [channel]
        channel += len(channels)
        mono = "" if pack.stereo else "mono = true\n"
        parts.append(f'\n[[pack]]\nname = "{pack.name}"\nchannels = {channels}\n{mono}')
    return "".join(parts)


def recording() -> np.ndarray:
    """Return the recording, 16 bit, shape (n, channels)."""
    rng = np.random.default_rng(7)
    channels = [column for pack in PACKS for column in outputs(pack).T]
    duration_s = channels[0].size / PACKS_RATE_HZ + _BEFORE_S + 0.2
    made = []
    for column in channels:
        heard = recorded(
            column * 10 ** (_RECORDED_DB / 20),
            sample_rate_hz=PACKS_RATE_HZ,
            start_s=-_BEFORE_S,
            duration_s=duration_s,
            clock_ppm=_CLOCK_PPM,
        )
        made.append(heard + rng.standard_normal(heard.size) * 10 ** (_HISS_DBFS / 20))
    return np.asarray(np.rint(np.stack(made, axis=1) * 2**15), np.int16)


def write(folder: Path) -> None:
    """Write the recording, the packs file and a page on them into a folder.

    Raises
    ------
    OutputError
        If something cannot be written there.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        sf.write(folder / FILE, recording(), PACKS_RATE_HZ, subtype="PCM_16", format="FLAC")
        (folder / "packs.toml").write_text(packs_text(), encoding="utf-8")
        (folder / "README.md").write_text(_README, encoding="utf-8")
    except (OSError, sf.LibsndfileError) as error:
        raise OutputError(f"cannot write the packs to {folder}: {error}") from error


_README = """\
# Six in-ear packs of our own

Quillhaven Hall is invented; its packs are computed (`shaping.simulation.packs.samples`), and these
files may be used freely under the licence of the project. `packs.flac` holds what came out of six
packs while the test signal of feeds played into all of them; `packs.toml` says which channels are
whose. The drums' pack is 48 dB low, the keys' has its sides swapped, the rest are sound. The
recorder was started before the signal and its clock runs 35 parts per million fast.

    cd audio_samples/packs
    shaping signal feeds feeds.wav
    shaping feeds packs.flac --reference feeds.wav --names packs.toml

Remake them with:

    python -m shaping.simulation.packs.samples audio_samples/packs
"""


def main() -> None:
    """Write the packs into the folder that is named."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    write(parser.parse_args().folder)


if __name__ == "__main__":
    main()
