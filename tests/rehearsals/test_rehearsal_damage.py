"""Recordings that are cut short, damaged, or no recordings: named or handled, never a hang."""

from __future__ import annotations

import os
import struct

import numpy as np
import pytest
import soundfile

from shaping.cli.main import run
from shaping.rehearsals.archive.files import collect
from shaping.rehearsals.scan import scan_rehearsals
from shaping.rehearsals.scanning.scan_file import scan_file

RATE = 48_000


def found(result):
    return [round(e.frequency_hz, -1) for e in result.events]


@pytest.mark.parametrize("keep", ["all but a byte", "all but 2 s", "half of a longer one"])
@pytest.mark.parametrize("kind", ["wav", "flac"])
def test_a_recording_cut_short_is_scanned_to_its_end(tmp_path, planted_howl, kind, keep):
    howl = planted_howl()
    if keep == "half of a longer one":
        howl = np.concatenate([howl, planted_howl(frequency_hz=700.0)])
    path = tmp_path / f"cut.{kind}"
    soundfile.write(path, howl, RATE, subtype="PCM_24")
    data = path.read_bytes()
    lost = {"all but a byte": 1, "all but 2 s": len(data) // 5}.get(keep, len(data) // 2)
    path.write_bytes(data[:-lost])
    result = scan_file(str(path))
    assert found(result) == [2_520]
    assert result.problem is None
    (note,) = result.notes
    assert "cut short" in note
    summary = scan_rehearsals([path], tmp_path / "out", jobs=1)
    assert summary.problems == summary.unscanned == ()
    assert "cut short" in summary.notes[0]
    assert "cut short" in (tmp_path / "out" / "report.html").read_text()


@pytest.mark.parametrize("size", [0, 0xFFFFFFFF])
def test_the_file_of_a_crashed_recorder_is_scanned(tmp_path, planted_howl, size):
    path = tmp_path / "crashed.wav"
    soundfile.write(path, planted_howl(), RATE, subtype="PCM_24")
    data = bytearray(path.read_bytes())
    data[4:8] = data[40:44] = struct.pack("<I", size)
    path.write_bytes(data)
    result = scan_file(str(path))
    assert found(result) == [2_520]
    assert "never filled in" in result.notes[0]


def test_what_comes_before_and_after_damage_counts(tmp_path, planted_howl, monkeypatch):
    monkeypatch.setattr("shaping.rehearsals.scanning.pieces.PIECE_S", 12.0)
    path = tmp_path / "middle.flac"
    parts = [planted_howl(frequency_hz=f, total_s=12.0) for f in (2_517.0, 700.0, 1_300.0)]
    soundfile.write(path, np.concatenate(parts), RATE)
    data = bytearray(path.read_bytes())
    # The noise takes the same room everywhere: this is early in the second part.
    at = round(len(data) * 0.36)
    data[at : at + 3_000] = bytes(3_000)
    path.write_bytes(data)
    result = scan_file(str(path))
    assert {2_520, 1_300} <= set(found(result))
    assert result.problem is not None
    assert "damaged" in result.problem


def test_a_link_to_itself_a_pipe_and_a_device_are_named(tmp_path, planted_howl, capsys):
    tapes = tmp_path / "tapes"
    tapes.mkdir()
    soundfile.write(tapes / "good.wav", planted_howl(), RATE)
    (tapes / "loop.wav").symlink_to(tapes / "loop.wav")
    os.mkfifo(tapes / "pipe.wav")
    (tapes / "null.wav").symlink_to(os.devnull)
    code = run(["rehearsals", str(tapes), "--out", str(tmp_path / "out"), "--jobs", "1"])
    said = capsys.readouterr().out
    assert code == 0
    for name in ("loop.wav", "pipe.wav", "null.wav"):
        assert name in said
    assert "leads to itself" in said
    assert "pipe or a device" in said
    assert "1 feedback event" in said


def test_a_broken_link_is_tried_again(tmp_path, planted_howl):
    tapes, drive = tmp_path / "tapes", tmp_path / "drive"
    tapes.mkdir()
    (tapes / "take.wav").symlink_to(drive / "take.wav")
    summary = scan_rehearsals([tapes], tmp_path / "out", jobs=1)
    assert len(summary.unscanned) == 1
    drive.mkdir()
    soundfile.write(drive / "take.wav", planted_howl(), RATE)
    summary = scan_rehearsals([tapes], tmp_path / "out", jobs=1)
    assert summary.unscanned == ()
    assert summary.events == 1


def test_a_folder_that_links_to_itself_ends(tmp_path, planted_howl):
    tapes = tmp_path / "tapes"
    tapes.mkdir()
    (tapes / "again").symlink_to(tapes)
    soundfile.write(tapes / "good.wav", planted_howl(), RATE)
    assert len(collect([tapes], without=tmp_path / "out")) == 1


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1e30, -3e38, 5e5])
def test_samples_that_are_no_audio_are_silence_and_said(tmp_path, planted_howl, bad):
    howl = planted_howl()
    two = np.stack([0.01 * howl, howl], axis=1)
    two[RATE : RATE + 480, 1] = bad
    two[9 * RATE, 1] = bad
    path = tmp_path / "bad.wav"
    soundfile.write(path, two, RATE, subtype="FLOAT")
    result = scan_file(str(path))
    assert [(e.channel, round(e.frequency_hz, -1)) for e in result.events if e.peak_dbfs > -30] == [
        (2, 2_520)
    ]
    assert result.notes == (
        "Channel 2: samples that are no audio (not a number, or more than 60 dB over full scale), "
        "0.0 s of them at most, counted as silence.",
    )


def test_a_recording_of_nothing_but_nonsense_is_quiet(tmp_path, rng):
    path = tmp_path / "nonsense.wav"
    soundfile.write(path, rng.uniform(-3e38, 3e38, 3 * RATE), RATE, subtype="FLOAT")
    result = scan_file(str(path))
    assert result.events == ()
    assert "no audio" in result.notes[0]


@pytest.mark.parametrize("offset", [0.3, -0.3, 0.9])
def test_a_howl_under_a_dc_offset_is_found(tmp_path, planted_howl, offset):
    """At -20 dBFS."""
    howl = planted_howl(peak=0.1)
    path = tmp_path / "offset.wav"
    soundfile.write(path, howl + offset, RATE, subtype="FLOAT")
    plain = tmp_path / "plain.wav"
    soundfile.write(plain, howl, RATE, subtype="FLOAT")
    (event,) = scan_file(str(path)).events
    (same,) = scan_file(str(plain)).events
    assert event.frequency_hz == pytest.approx(same.frequency_hz, abs=0.5)
    assert event.confidence == pytest.approx(same.confidence, abs=0.05)
