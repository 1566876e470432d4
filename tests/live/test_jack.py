"""Playing, recording and watching on a real sound server: JACK's dummy driver, a stage behind it.

The command line runs as users run it. Nothing here needs a sound card.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator

import numpy as np
import pytest
import soundfile
from scipy.signal import fftconvolve

from shaping.analysis.loop.response import estimate_loop_response
from shaping.live.player import SILENCE_BEFORE_S
from shaping.live.recording import write_recording
from shaping.stage.description.stage_file import load_stage
from shaping.stage.plan_stage import plan_stage, read_stage
from shaping.stage.to_json import stage_plan_to_json
from tests.live.servers import (
    LONG_PERIOD,
    LONGEST_PERIOD,
    RATE_HZ,
    RunningStage,
    jack_stage,
    program,
)

pytestmark = pytest.mark.debian

ONE_WEDGE = ("measure", "--device", "stage", "--output", "1", "--yes", "--into")


def direct(*arrivals: tuple[int, float]) -> np.ndarray:
    """One wedge, a mic for each arrival: a delay and a gain, shape (mics, 1, taps)."""
    paths = np.zeros((len(arrivals), 1, 2048))
    for mic, (delay, gain) in enumerate(arrivals):
        paths[mic, 0, delay] = gain
    return paths


def room(mics: int, wedges: int, *, seed: int = 0) -> np.ndarray:
    """Direct sounds with a little room behind them."""
    rng = np.random.default_rng(seed)
    paths = np.zeros((mics, wedges, 6000))
    for mic in range(mics):
        for wedge in range(wedges):
            delay, gain = int(rng.integers(200, 700)), float(rng.uniform(0.1, 0.4))
            tail = np.arange(6000 - delay)
            paths[mic, wedge, delay:] = 0.08 * gain * rng.standard_normal(tail.size)
            paths[mic, wedge, delay:] *= np.exp(-tail / 1200)
            paths[mic, wedge, delay] = gain
    return paths


@pytest.fixture(scope="module")
def plain(tmp_path_factory) -> Iterator[RunningStage]:
    """One stage of one wedge and one mic for all that leave it as it was."""
    with jack_stage(tmp_path_factory.mktemp("plain"), direct((480, 0.5))) as stage:
        yield stage


def ran(stage: RunningStage, *words: str, timeout_s: float = 100.0) -> tuple[int, str]:
    with program(stage.environment, *words) as running:
        return running.end(timeout_s)


def test_a_known_path_comes_back_to_a_sample_and_a_hundredth_of_a_decibel(tmp_path):
    arrivals = ((480, 0.5), (731, -0.25))
    with jack_stage(tmp_path, direct(*arrivals), noise_dbfs=-95, period=LONG_PERIOD) as stage:
        words = (*ONE_WEDGE, str(tmp_path), "--mics", "lead=1, choir=2", "--duration", "8")
        code, said = ran(stage, *words)
    assert code == 0, said
    recorded, _ = soundfile.read(tmp_path / "wedge.wav", dtype="float32")
    played, _ = soundfile.read(tmp_path / "wedge_played.wav", dtype="float32")
    lags = []
    for mic, (delay, gain) in enumerate(arrivals):
        spectrum = np.fft.rfft(recorded[:, mic], 2**20) * np.conj(np.fft.rfft(played, 2**20))
        lags.append(int(np.abs(np.fft.irfft(spectrum)).argmax()) - delay)
        loop = estimate_loop_response(
            recorded[:, mic], played, capture_rate_hz=RATE_HZ, reference_rate_hz=RATE_HZ
        )
        band = loop.trusted & (loop.frequency_hz > 200) & (loop.frequency_hz < 8000)
        error_db = 20 * np.log10(np.abs(loop.response[band]) / abs(gain))
        assert abs(float(np.median(error_db))) < 0.01
    # The same clock for all: what the server adds is one number, in whole blocks.
    assert lags[0] == lags[1]
    assert (lags[0] - round(SILENCE_BEFORE_S * RATE_HZ)) % LONG_PERIOD == 0
    assert "[[capture]]" in said


STAGE = """\
schema = "shaping.stage/1"
[[wedge]]
name = "left"
[[wedge]]
name = "right"
[[mic]]
name = "lead"
[[mic]]
name = "choir"
[[mic]]
name = "guitar"
[[send]]
mic = "lead"
wedge = "left"
[[send]]
mic = "choir"
wedge = "right"
gain_db = -3.0
[[send]]
mic = "guitar"
wedge = "left"
gain_db = -6.0
"""


def test_a_whole_stage_measured_equals_the_offline_answer_on_the_same_paths(tmp_path):
    """Every number of the plan that is a gain, within 0.2 dB."""
    paths, noise_dbfs = room(3, 2), -85.0
    place = tmp_path / "stage.toml"
    place.write_text(STAGE, encoding="utf-8")
    with jack_stage(tmp_path, paths, noise_dbfs=noise_dbfs, period=LONGEST_PERIOD) as stage:
        words = ("measure", str(place), "--device", "stage", "--yes", "--duration", "6")
        wired = ("--output", "left=1", "--output", "right=2", "--mics", "lead=1, choir=2, guitar=3")
        code, said = ran(stage, *words, *wired, "--json", str(tmp_path / "plan.json"))
    assert code == 0, said
    measured = json.loads((tmp_path / "plan.json").read_text(encoding="utf-8"))
    rng = np.random.default_rng(5)
    for wedge, name in enumerate(("left", "right")):
        played, _ = soundfile.read(tmp_path / f"{name}_played.wav")
        before = round(SILENCE_BEFORE_S * RATE_HZ)
        sound = np.concatenate([np.zeros(before), played, np.zeros(RATE_HZ)])
        heard = np.stack([fftconvolve(sound, p)[: sound.size] for p in paths[:, wedge]], axis=1)
        heard += 10 ** (noise_dbfs / 20) * rng.standard_normal(heard.shape)
        write_recording(tmp_path / f"{name}.wav", heard.astype(np.float32), RATE_HZ, force=True)
    offline_stage = load_stage(tmp_path / "stage_measured.toml")
    offline = json.loads(
        stage_plan_to_json(plan_stage(offline_stage, read_stage(offline_stage)).plan)
    )
    for key in ("stable_gain_db", "stable_gain_after_db"):
        assert measured["together"][key] == pytest.approx(offline["together"][key], abs=0.2)
    for one, other in zip(measured["paths"], offline["paths"], strict=True):
        assert one["level_db"] == pytest.approx(other["level_db"], abs=0.2)
    for one, other in zip(measured["sends"], offline["sends"], strict=True):
        assert one["headroom_db"] == pytest.approx(other["headroom_db"], abs=0.2)


def test_a_howl_in_the_closed_loop_stops_the_sound(tmp_path):
    """A send that somebody opens while the noise plays."""
    with jack_stage(
        tmp_path, direct((480, 0.5)), sends=np.array([[1.0]]), noise_dbfs=-70, period=LONG_PERIOD
    ) as stage:
        stage.say("send 0")
        with program(stage.environment, *ONE_WEDGE, str(tmp_path), "--mics", "lead=1") as running:
            running.wait_for("Playing at")
            time.sleep(2.0)
            stage.say("send 2.6")
            code, said = running.end()
        assert code == 3, said
        assert "lead" in said.splitlines()[-1]
        fed = stage.say("report")["fed"]
        time.sleep(0.5)
        assert stage.say("report")["fed"] == fed
    assert not (tmp_path / "wedge.wav").exists()


def test_the_watch_names_a_howl_of_the_closed_loop(tmp_path):
    """Growth of 40 dB/s at the mic, as loops of 10 ms grow with 0.4 dB too much."""
    paths = direct((480, 0.5))
    rng = np.random.default_rng(3)
    paths[0, 0, 500:] = 0.02 * rng.standard_normal(1548) * np.exp(-np.arange(1548) / 400)
    with jack_stage(tmp_path, paths, sends=np.array([[1.0]]), noise_dbfs=-70) as stage:
        stage.say("send 0")
        out = tmp_path / "watch.json"
        words = ("watch", "--device", "stage", "--seconds", "9", "--json", str(out))
        with program(stage.environment, *words, "--out", str(tmp_path / "rings.txt")) as running:
            time.sleep(4.0)
            stage.say("tone 1870 40")
            code, said = running.end()
    assert code == 0, said
    rings = json.loads(out.read_text(encoding="utf-8"))["rings"]
    sure = [ring for ring in rings if ring["certain"]]
    assert sure[0]["frequency_hz"] == pytest.approx(1870, rel=0.003)
    assert sure[0]["cut"]["gain_db"] < 0
    assert "1.87 kHz" in (tmp_path / "rings.txt").read_text(encoding="utf-8")


@pytest.mark.parametrize("dies", ["stage", "server"])
def test_what_dies_while_it_plays_is_told_and_nothing_hangs(tmp_path, dies):
    words = (*ONE_WEDGE, str(tmp_path), "--mics", "lead=1")
    with (
        jack_stage(tmp_path, direct((480, 0.5))) as stage,
        program(stage.environment, *words) as running,
    ):
        running.wait_for("Playing at")
        time.sleep(1.0)
        # A server that is killed outright leaves memory behind, and after some no other starts.
        if dies == "stage":
            stage.stage.kill()
        else:
            stage.jackd.terminate()
        code, said = running.end(40.0)
    assert code == 3, said
    assert ("lead fell silent" if dies == "stage" else "went away") in said
    assert not (tmp_path / "wedge.wav").exists()


@pytest.mark.parametrize(
    ("before", "words", "told"),
    [
        ("quiet", (), "lead is silent"),
        ("clip", (), "lead clips"),
        ("reset", ("--rate", "44100"), "does not run at 44100 Hz"),
        ("reset", ("--level", "-10"), "nothing louder than -20 dBFS"),
        ("reset", ("--mics", "lead=7"), "has 1 inputs"),
        ("reset", ("--output", "2"), "give each wedge one output"),
    ],
)
def test_what_is_wrong_before_anything_plays_is_told_and_nothing_is_played(
    plain, tmp_path, before, words, told
):
    plain.say("reset")
    fed = plain.say(before)["fed"]
    code, said = ran(plain, *ONE_WEDGE, str(tmp_path), "--mics", "lead=1", *words)
    assert plain.say("report")["fed"] == fed
    assert code == 2, said
    assert told in said


def test_an_output_that_feeds_something_else_is_told(tmp_path):
    with jack_stage(tmp_path, np.zeros((1, 2, 64))) as stage:
        words = ("measure", "--device", "stage", "--output", "2", "--yes", "--into", str(tmp_path))
        code, said = ran(stage, *words, "--mics", "lead=1")
    assert code == 2, said
    assert "output 2 may feed something else" in said


def test_lost_blocks_void_a_take(plain, tmp_path):
    """The stage takes twice as long as a block, until every take has been given up."""
    plain.say("reset")
    lost = plain.say("report")["lost"]
    words = (*ONE_WEDGE, str(tmp_path), "--mics", "lead=1", "--duration", "1")
    with program(plain.environment, *words) as running:
        running.wait_for("Playing at")
        plain.say("sleep 0.045 5000")
        code, said = running.end(90)
    assert plain.say("report")["lost"] >= lost + 50
    assert code == 2, said
    assert "does not count" in said
    assert "lost in every one of 3 takes" in said
    assert not (tmp_path / "wedge.wav").exists()
