"""The shipped calibrated recording: ``python -m shaping.simulation.recordings.levels FOLDER``.

A song at the drummer's place in Quillhaven Hall (`shaping.simulation.quillhaven`), with a howl of
the vocal wedge in it, and the calibrator's tone that was recorded just before with the same mic and
gain. Its levels are known: they are computed here from the samples themselves, in the frequency
domain, by the analogue weightings.
"""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import soundfile as sf
from numpy.typing import NDArray
from scipy import fft, signal

from shaping.analysis.weighting import a_weighting_db, c_weighting_db
from shaping.errors import OutputError
from shaping.simulation import programme
from shaping.simulation import quillhaven as hall
from shaping.simulation.colour import Floats
from shaping.simulation.ring_out import Engineer, ring_out

_RATE_HZ = 48_000
SONG_S = 24
TONE_S = 8
TONE_DB = 94.0
FULL_SCALE_SINE_DB = 124.0
"""Sound pressure level of a sine that touches full scale, as mic and gain are set."""

TONE_FILE, SONG_FILE = "calibrator.flac", "rehearsal.flac"

_TONE_HZ = 1000.6
_SONG_DBFS = -30.0
_NOISE_DBFS = -80.0


def tone() -> NDArray[np.int16]:
    """Return the calibrator's tone: pushed on, steady, pulled off."""
    count = TONE_S * _RATE_HZ
    time_s = np.arange(count) / _RATE_HZ
    held = np.clip(np.minimum((time_s - 0.6) / 0.2, (TONE_S - 0.5 - time_s) / 0.1), 0.0, 1.0)
    amplitude = 10 ** ((TONE_DB - FULL_SCALE_SINE_DB) / 20)
    sound = amplitude * held * np.sin(2 * np.pi * _TONE_HZ * time_s)
    return _pcm(sound + _room(count, seed=1))


def song() -> NDArray[np.int16]:
    """Return the song, with a howl that somebody pulled down."""
    count = SONG_S * _RATE_HZ
    band = programme.music(count, sample_rate_hz=_RATE_HZ, seed=44, level_dbfs=_SONG_DBFS)
    voice = programme.speech(count, sample_rate_hz=_RATE_HZ, seed=45, level_dbfs=-34.0)
    engineer = Engineer(rings=1, ramp_db_per_s=1.0, heard_dbfs=-22.0, reaction_s=0.6)
    stage = replace(hall.stage(hall.VOCAL_WEDGE), noise_dbfs=-80.0)
    howl = ring_out(stage, 0.3 * voice, engineer, seed=9).samples
    return _pcm(band + 0.25 * np.resize(howl, count) + _room(count, seed=2))


def truth(pcm: NDArray[np.int16]) -> dict[str, float]:
    """Return LAeq and LCeq of samples, from their spectrum and the analogue weightings."""
    samples = pcm / 2**15
    power = np.abs(fft.rfft(samples)) ** 2
    power[0] = 0.0
    power[1:-1] *= 2.0
    frequency_hz = np.maximum(fft.rfftfreq(samples.size, 1 / _RATE_HZ), 1e-3)
    full_scale_db = FULL_SCALE_SINE_DB + 10 * math.log10(2.0)
    found = {}
    for name, weighting in (("laeq_db", a_weighting_db), ("lceq_db", c_weighting_db)):
        weighted = float(np.sum(power * 10 ** (weighting(frequency_hz) / 10)))
        found[name] = round(full_scale_db + 10 * math.log10(weighted / samples.size**2), 3)
    return found


def write(folder: Path) -> None:
    """Write tone, song, their truth and what they are into a folder.

    Raises
    ------
    OutputError
        If something cannot be written there.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        sound = song()
        for name, pcm in ((TONE_FILE, tone()), (SONG_FILE, sound)):
            sf.write(folder / name, pcm, _RATE_HZ, subtype="PCM_16", format="FLAC")
        facts: dict[str, Any] = {
            "calibrator_db": TONE_DB,
            "full_scale_sine_db": FULL_SCALE_SINE_DB,
            **truth(sound),
        }
        text = json.dumps(facts, indent=1) + "\n"
        (folder / "truth.json").write_text(text, encoding="utf-8")
        (folder / "README.md").write_text(_README, encoding="utf-8")
    except (OSError, sf.LibsndfileError) as error:
        raise OutputError(f"cannot write the levels to {folder}: {error}") from error


_README = """\
# A calibrated recording of our own

Quillhaven Hall is invented and so is this song at its drummer's place, with a howl of the vocal
wedge in it (`shaping.simulation.recordings.levels`); both files may be used freely under the
licence of the project. `calibrator.flac` is the tone of a 94 dB calibrator on the same mic with
the same gain; `truth.json` holds the levels, computed from the samples in another way.
**Keep the volume low when listening.**

    cd audio_samples/levels && shaping exposure rehearsal.flac --calibration calibrator.flac

Remake them with:

    python -m shaping.simulation.recordings.levels audio_samples/levels
"""


def _room(count: int, *, seed: int) -> Floats:
    """Return the room's and the recorder's own noise."""
    noise = np.random.default_rng(seed).standard_normal(count)
    return np.asarray(signal.lfilter([1.0], [1.0, -0.9], noise) * 10 ** (_NOISE_DBFS / 20))


def _pcm(samples: Floats) -> NDArray[np.int16]:
    return np.asarray(np.clip(np.rint(samples * 2**15), -(2**15), 2**15 - 1), np.int16)


def main() -> None:
    """Write the recording into the folder that is named."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    write(parser.parse_args().folder)


if __name__ == "__main__":
    main()
