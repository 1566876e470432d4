"""In-ear feeds against recordings that another program made of the test signal.

Source: SoX (Sound eXchange), a general-purpose audio program: its effects vol, remix, delay,
highpass, equalizer, compand, rate and synth are the faults. Debian package sox.
"""

from __future__ import annotations

import json
import shutil
import subprocess

import pytest

from shaping.cli.main import run

pytestmark = [
    pytest.mark.debian,
    pytest.mark.skipif(shutil.which("sox") is None, reason="the program is not there"),
]

BEFORE = ("pad", "0.7", "0.5")
FAULTS = {
    "fine": ((), "sound"),
    "soft": (("vol", "-1.5dB"), "sound"),
    "faint": (("vol", "-48dB"), "low"),
    "loud": (("vol", "9dB"), "high"),
    "swapped": (("remix", "2", "1"), "swapped"),
    "mono": (("remix", "1,2", "1,2"), "mono"),
    "right dead": (("remix", "1", "0"), "right-dead"),
    "turned": (("remix", "1", "2v-1"), "inverted"),
    "leaking": (("remix", "1,2v0.1", "2,1v0.1"), "crosstalk"),
    "one side late": (("delay", "0", "0.004"), "late"),
    "thin": (("highpass", "-2", "600"), "uneven"),
    "clipped": (("vol", "24dB", "vol", "-24dB"), "distorted"),
    "squeezed": (("compand", "0.01,0.3", "-90,-90,-45,-45,-9,-33", "0", "-90", "0"), "compressed"),
}


def sox(*words: str) -> None:
    subprocess.run(["sox", "-D", *words], check=True, capture_output=True)


@pytest.fixture(scope="module")
def verdicts(tmp_path_factory):
    """Every pack judged beside the others, from files of 44100 and 48000 Hz."""
    folder = tmp_path_factory.mktemp("programs")
    signal = str(folder / "feeds.wav")
    assert run(["signal", "feeds", signal]) == 0
    files = []
    for number, (name, (effects, _)) in enumerate(FAULTS.items()):
        path = str(folder / f"{name}.wav")
        rate = ("rate", "-v", "44100") if number % 2 else ()
        clip = ("-b", "16") if name == "clipped" else ("-b", "24")
        sox(signal, *clip, path, *effects, *BEFORE, *rate)
        files.append(path)
    for i in range(4):  # more of the sound ones: most packs are
        files.append(str(folder / f"sound {i}.wav"))
        sox(signal, "-b", "24", files[-1], "vol", f"{0.4 * i - 0.6}dB", *BEFORE)
    assert run(["feeds", *files, "--reference", signal, "--json", str(folder / "f.json")]) == 3
    return {
        one["name"]: one
        for one in json.loads((folder / "f.json").read_text(encoding="utf-8"))["feeds"]
    }


@pytest.mark.parametrize("name", FAULTS)
def test_the_verdict_is_what_the_program_did(verdicts, name):
    """Source: SoX, a general-purpose audio program, makes each fault with its own effects."""
    feed = verdicts[name]
    failing = [one["code"] for one in feed["faults"] if one["severity"] == "fault"]
    expected = FAULTS[name][1]
    assert feed["verdict"] == expected
    assert failing == ([] if expected == "sound" else [expected])


def test_sound_packs_are_left_alone_and_levels_are_right(verdicts):
    """Source: SoX, a general-purpose audio program; its effect vol sets the levels."""
    assert {verdicts[f"sound {i}"]["verdict"] for i in range(4)} == {"sound"}
    between = verdicts["faint"]["gain_db"] - verdicts["fine"]["gain_db"]
    assert between == pytest.approx(-48.0, abs=0.2)
    assert verdicts["soft"]["gain_db"] == pytest.approx(-1.5, abs=0.05)
