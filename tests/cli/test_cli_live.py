"""Live commands without a device: a recording as if live, and everything that is wrong."""

from __future__ import annotations

import json

import pytest

from shaping.cli.main import run
from shaping.live import devices


def test_a_recording_is_watched_as_if_live(samples_folder, tmp_path, capsys):
    """The shipped ring-out: its three rings are named while they grow."""
    capture = str(samples_folder / "vocal_wedge_ring_out.flac")
    words = ["watch", capture, "--json", str(tmp_path / "w.json"), "--out", str(tmp_path / "w.txt")]
    assert run(words) == 0
    result = json.loads((tmp_path / "w.json").read_text(encoding="utf-8"))
    assert result["schema"] == "shaping.watch/1"
    sure = {round(ring["frequency_hz"], -1) for ring in result["rings"] if ring["certain"]}
    assert sure <= {330, 550, 3400}
    assert {550, 3400} <= sure
    assert all(ring["cut"]["gain_db"] < 0 for ring in result["rings"] if ring["certain"])
    log = (tmp_path / "w.txt").read_text(encoding="utf-8")
    assert "ring  552 Hz (C#5 -8 cents)" in log
    out = capsys.readouterr().out
    assert "\x1b" not in out
    assert log.splitlines()[0] in out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["watch"], "name a recording, or a sound device"),
        (["watch", "x.wav", "--device", "desk"], "name a recording, or a sound device"),
        (["watch", "missing.wav"], "missing.wav"),
        (["measure", "--mics", "a=1"], "name the output"),
        (["measure", "--output", "1"], "name the inputs"),
        (["measure", "--output", "1", "--mics", "a=1", "--level", "0"], "nothing louder"),
        (["measure", "missing.toml", "--output", "1"], "missing.toml"),
    ],
)
def test_what_is_wrong_is_told_in_one_sentence(words, told, capsys):
    assert run(words) == 2
    error = capsys.readouterr().err
    assert told in error
    assert len(error.strip().splitlines()) == 1


def test_nobody_there_to_ask_plays_nothing(monkeypatch, capsys):
    desk = devices.Device(0, "desk", "none", 4, 4, 48_000)
    monkeypatch.setattr(devices, "list_devices", lambda **_: (desk,))
    assert run(["measure", "--output", "1", "--mics", "a=1"]) == 2
    said = capsys.readouterr()
    assert "--yes" in said.err
    assert "Mute the mic's send" in said.out
    assert run(["measure", "--output", "9", "--mics", "a=1", "--yes"]) == 2
    assert "4 inputs and 4 outputs" in capsys.readouterr().err


def test_devices_as_json(monkeypatch, capsys):
    desk = devices.Device(0, "desk", "none", 4, 4, 48_000, (48_000,))
    monkeypatch.setattr(devices, "list_devices", lambda **_: (desk,))
    assert run(["devices", "--json", "-"]) == 0
    (found,) = json.loads(capsys.readouterr().out)["devices"]
    assert found["serves"] == ["measure", "watch"]
