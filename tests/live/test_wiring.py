"""What a person types, which device is meant, what is kept, and samples on their way."""

from __future__ import annotations

import io
import threading
import tomllib

import numpy as np
import pytest
import soundfile

from shaping.errors import CaptureError, DeviceError, OutputError, ParameterError
from shaping.live import portaudio as library
from shaping.live.blocks import BlockRing
from shaping.live.devices import Device, find_device
from shaping.live.recording import stage_entry, with_entries, write_recording
from shaping.live.sources import file_source
from shaping.live.watch_log import WatchLog, watch_log
from shaping.live.wiring import mics_of, outputs_of
from shaping.stage.description.stage_file import EXAMPLE, stage_from_toml


@pytest.mark.parametrize("text", ["lead=1, lead=2", "a=1, b=1", "a=0", "a=x", "=3", "", "a=1,"])
def test_mics_that_make_no_sense_are_told(text):
    with pytest.raises(ParameterError):
        mics_of(text)


def test_outputs_of_a_stage():
    assert outputs_of(["left=1", "right = 2"], ["left", "right"]) == {"left": 1, "right": 2}
    assert outputs_of(["3"], ["only"]) == {"only": 3}
    for texts in (["3"], ["middle=1"], ["left=1", "right=1"], ["left=1", "left=2"]):
        with pytest.raises(ParameterError):
            outputs_of(texts, ["left", "right"])


DEVICES = (
    Device(0, "desk", "ALSA", 2, 2, 48_000),
    Device(1, "Desk 32", "JACK", 32, 32, 48_000),
    Device(2, "mic", "ALSA", 1, 0, 48_000),
    Device(3, "speaker", "ALSA", 0, 2, 48_000),
)


@pytest.mark.parametrize(
    ("wanted", "index"), [("desk", 0), ("DESK 32", 1), ("32", 1), ("desk, jack", 1), ("mic", 2)]
)
def test_the_device_that_is_meant(wanted, index):
    assert find_device(DEVICES, wanted, for_command="watch").index == index


@pytest.mark.parametrize(
    ("devices", "wanted", "told"),
    [
        (DEVICES, None, "name the sound device"),
        (DEVICES, "console", "no sound device named 'console'"),
        (DEVICES, "mic", "lacks inputs and outputs"),
        (DEVICES, "sk", "may be any of"),
        ((), "desk", "no sound device was found"),
    ],
)
def test_a_device_that_cannot_be_meant_is_told(devices, wanted, told):
    with pytest.raises(DeviceError, match=told):
        find_device(devices, wanted, for_command="measure")


def test_the_only_device_need_not_be_named():
    assert find_device(DEVICES[:1], None, for_command="measure").index == 0


def test_without_the_library_it_is_said_how_to_get_it(monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "sounddevice", None)
    with pytest.raises(DeviceError, match="libportaudio2"):
        library.portaudio()


def test_an_entry_is_one_of_a_stage_file(tmp_path):
    entry = stage_entry("vocal left", "a.wav", "b.wav", {"lead": 1, "choir": 2}, "")
    text = with_entries(EXAMPLE, [entry])
    takes = stage_from_toml(text, folder=tmp_path).takes
    assert [take.wedge for take in takes] == ["side fill", "vocal left"] or [
        (take.wedge, take.position) for take in takes
    ].count(("vocal left", "")) == 1
    again = with_entries(text, [stage_entry("vocal left", "c.wav", "d.wav", {"lead": 1}, "")])
    captures = tomllib.loads(again)["capture"]
    assert [c["file"] for c in captures if c.get("position", "") == ""] == ["c.wav"]
    assert "# A stage" in again


def test_recordings_are_written_whole_and_never_over_another(tmp_path):
    samples = np.array([[0.5, -1.5], [0.25, 0.0]], np.float32)
    write_recording(tmp_path / "a.wav", samples, 48_000)
    read, rate = soundfile.read(tmp_path / "a.wav")
    assert rate == 48_000
    np.testing.assert_allclose(read, np.clip(samples, -1, 1), atol=2**-22)
    with pytest.raises(OutputError):
        write_recording(tmp_path / "a.wav", samples, 48_000)


def test_samples_come_out_of_the_ring_as_they_went_in():
    ring, rng = BlockRing(100, (2, 0)), np.random.default_rng(0)
    sent, got = [], []
    for size in (30, 50, 7, 60, 33):
        block = rng.standard_normal((size, 3)).astype(np.float32)
        ring.write(block)
        sent.append(block[:, [2, 0]])
        got.append(ring.read())
    np.testing.assert_array_equal(np.concatenate(got), np.concatenate(sent))
    assert ring.lost == 0


@pytest.mark.parametrize(("size", "lost"), [(100, 0), (101, 1)])
def test_a_ring_that_is_full_lets_go_and_counts(size, lost):
    ring = BlockRing(100, (0,))
    ring.write(np.ones((size, 1), np.float32))
    assert ring.lost == lost
    assert ring.waiting == (0 if lost else 100)
    ring.write(np.ones((1, 1), np.float32), flagged=True)
    assert ring.lost == lost + 1 + (0 if lost else 1)


def test_a_recording_as_if_live(tmp_path):
    sound = np.random.default_rng(1).standard_normal((5000, 3)).astype(np.float32) * 0.1
    write_recording(tmp_path / "a.wav", sound, 48_000)
    source = file_source(str(tmp_path / "a.wav"), (2, 1), at_pace=False)
    np.testing.assert_allclose(np.concatenate(list(source.blocks)), sound[:, [2, 1]], atol=1e-6)
    with pytest.raises(CaptureError, match="no channel 4"):
        file_source(str(tmp_path / "a.wav"), (3,), at_pace=False)


class SlowDisk(io.StringIO):
    """Waits with every line until it is let go."""

    def __init__(self) -> None:
        super().__init__()
        self.free = threading.Event()

    def write(self, text: str) -> int:
        self.free.wait(5)
        return super().write(text)


def test_a_slow_disk_never_stops_the_watch():
    disk = SlowDisk()
    log = WatchLog(disk)
    for number in range(20_000):
        log.line(str(number))
    assert log.dropped > 0
    disk.free.set()
    log.close()
    assert disk.getvalue().startswith("0\n1\n2\n")


def test_a_full_disk_is_remembered_and_never_stops_the_watch(tmp_path):
    class Full(io.StringIO):
        def write(self, _text: str) -> int:
            raise OSError(28, "No space left on device")

    log = WatchLog(Full())
    log.line("a")
    log.close()
    assert log.failed is not None
    (tmp_path / "log.txt").write_text("old")
    with pytest.raises(OutputError), watch_log(str(tmp_path / "log.txt"), force=False):
        pass
