"""What channels are called, which are left out, and when recordings were made."""

from __future__ import annotations

import csv
import json
import os
import struct
from datetime import date, datetime, time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from shaping.capture.metadata import Metadata, read_metadata
from shaping.cli.main import run
from shaping.errors import ParameterError
from shaping.rehearsals.archive.dating import recorded
from shaping.rehearsals.archive.naming import naming_for
from shaping.rehearsals.scan import scan_rehearsals

RATE = 48_000
TRACKS = """<?xml version="1.0"?><BWFXML><TRACK_LIST>
<TRACK><INTERLEAVE_INDEX>1</INTERLEAVE_INDEX><NAME>choir</NAME></TRACK>
<TRACK><INTERLEAVE_INDEX>2</INTERLEAVE_INDEX><NAME> lead vocal </NAME></TRACK>
</TRACK_LIST></BWFXML>"""


def noise(count: int) -> np.ndarray:
    return (0.01 * np.random.default_rng(6).standard_normal(count)).astype(np.float32)


def broadcast(day: str, clock: str, first_frame: int) -> bytes:
    """The chunk as EBU Tech 3285 lays it out."""
    return bytes(320) + day.encode() + clock.encode() + struct.pack("<Q", first_frame) + bytes(256)


def add_chunk(path: Path, name: bytes, content: bytes, *, before_audio: bool = True) -> None:
    data = path.read_bytes()
    chunk = name + struct.pack("<I", len(content)) + content + bytes(len(content) % 2)
    at = 12 if before_audio else len(data)
    data = data[:at] + chunk + data[at:]
    path.write_bytes(data[:4] + struct.pack("<I", len(data) - 8) + data[8:])


@pytest.fixture
def tape(tmp_path, planted_howl):
    """A two-channel recording that says when it began and what its tracks are."""
    howl = planted_howl()
    path = tmp_path / "tapes" / "take.wav"
    path.parent.mkdir()
    soundfile.write(path, np.stack([noise(howl.size), howl], axis=1), RATE, subtype="PCM_24")
    add_chunk(path, b"bext", broadcast("2026-03-08", "19:30:00", 19 * 3600 * RATE))
    add_chunk(path, b"iXML", TRACKS.encode(), before_audio=False)
    return path


def table(out):
    with (out / "events.csv").open(newline="") as stream:
        return list(csv.DictReader(stream))


def test_what_the_recorder_wrote_is_read(tape):
    """Source: EBU Tech 3285, the broadcast audio extension chunk (offsets 320, 330, 338)."""
    assert read_metadata(tape) == Metadata(
        day=date(2026, 3, 8),
        clock=time(19, 30),
        first_frame=19 * 3600 * RATE,
        tracks=((1, "choir"), (2, "lead vocal")),
    )


@pytest.mark.parametrize(
    ("name", "content"),
    [
        (b"bext", b"too short"),
        (b"bext", broadcast("2026-99-08", "19:30:00", 0)),
        (b"bext", broadcast("0000-00-00", "00:00:00", 5)),
        (b"bext", b"\xff" * 700),
        (b"iXML", b"<BWFXML>"),
        (b"iXML", b"\xff\xfe\x00"),
        (b"iXML", b'<!DOCTYPE a [<!ENTITY b "c">]><a><TRACK><NAME>&b;</NAME></TRACK></a>'),
        (b"iXML", b"<a><TRACK><CHANNEL_INDEX>x</CHANNEL_INDEX><NAME>y</NAME></TRACK></a>"),
    ],
)
def test_damaged_metadata_counts_as_none(tmp_path, name, content):
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros(100), RATE)
    add_chunk(path, name, content)
    found = read_metadata(path)
    assert (found.clock, found.tracks) == (None, ())


def test_the_table_tells_day_and_clock_and_channel(tape, tmp_path):
    scan_rehearsals([tape], tmp_path / "out", jobs=1)
    (row,) = table(tmp_path / "out")
    assert row["recorded_on"] == "2026-03-08"
    assert row["clock"] == f"19:30:{int(float(row['start_s'])):02d}"
    assert row["channel_name"] == "lead vocal"
    assert row["dated_by"] == "metadata"
    assert "19:30" in (tmp_path / "out" / "report.html").read_text()


@pytest.mark.parametrize(
    ("path", "began", "known_from"),
    [
        ("band 2026-03-08 19-30.wav", datetime(2026, 3, 8, 19, 30), "name"),
        ("20260308_193005 band.wav", datetime(2026, 3, 8, 19, 30, 5), "name"),
        ("band_2026-03-08T19.30.05_2.wav", datetime(2026, 3, 8, 19, 30, 5), "name"),
        ("2026-03-08 evening/take 3.wav", None, "name"),
        ("2026-03-08/take 12-30.wav", None, "name"),
        ("take.wav", datetime(2026, 7, 5, 19, 0), "time stamp"),
        ("2026-07-05/take.wav", datetime(2026, 7, 5, 19, 0), "name"),
    ],
)
def test_when_a_recording_began(path, began, known_from):
    """The time stamp is when it ended; it is believed where the name agrees or says nothing."""
    ended_ns = int(datetime(2026, 7, 5, 20, 0).timestamp()) * 10**9
    found = recorded(Path("/archive") / path, ended_ns, 3600.0, Metadata())
    assert (found.began, found.known_from) == (began, known_from)


def test_names_are_given_as_text_or_in_a_file(tape, tmp_path):
    out = tmp_path / "out"
    words = ["rehearsals", str(tape), "--out", str(out), "--jobs", "1"]
    assert run([*words, "--names", "1=the choir, 2=Anna’s mic"]) == 0
    assert table(out)[0]["channel_name"] == "Anna’s mic"
    (out / "names.toml").write_text('leave_out = [1]\n[names]\n"lead vocal" = "lead"\n')
    assert run(words) == 0
    assert table(out)[0]["channel_name"] == "lead"
    written = json.loads((out / "summary.json").read_text())
    assert [channel["name"] for channel in written["channels"]] == ["lead"]


@pytest.mark.parametrize("leave_out", [["2"], ["Lead Vocal"], ["1", "2"]])
def test_channels_left_out_are_in_no_result_and_come_back(tape, tmp_path, leave_out):
    out = tmp_path / "out"
    words = ["rehearsals", str(tape), "--out", str(out), "--jobs", "1"]
    assert run([*words, *(word for name in leave_out for word in ("--leave-out", name))]) == 0
    assert table(out) == []
    assert "lead vocal" not in (out / "report.html").read_text()
    seen = []
    assert scan_rehearsals([tape], out, jobs=1, progress=seen.append).events == 1
    assert seen == []


@pytest.mark.parametrize(
    ("names", "words"),
    [
        ("1=", "names no channel"),
        ("missing.toml", "cannot be read"),
        ("lead vocal", "cannot be read"),
        ("bad.toml", "no TOML"),
        ("odd.toml", "'nmaes' is not known"),
        ("numbers.toml", "each channel a text"),
        ("list.toml", "must be a list"),
    ],
)
def test_names_that_make_no_sense_are_one_sentence(tmp_path, monkeypatch, names, words):
    monkeypatch.chdir(tmp_path)
    Path("bad.toml").write_text("names = [")
    Path("odd.toml").write_text("[nmaes]\n")
    Path("numbers.toml").write_text("[names]\n1 = 2\n")
    Path("list.toml").write_text("leave_out = 3\n")
    with pytest.raises(ParameterError, match=words) as caught:
        naming_for(tmp_path, names)
    assert str(caught.value).isprintable()


def test_tracks_that_always_had_one_name_lend_it_to_recordings_without(
    tape, tmp_path, planted_howl
):
    howl = planted_howl(frequency_hz=700.0)
    plain = tape.with_name("older.wav")
    soundfile.write(plain, np.stack([howl, noise(howl.size)], axis=1), RATE, subtype="PCM_24")
    os.utime(plain, (1, 1_000_000_000))
    scan_rehearsals([tape.parent], tmp_path / "out", jobs=1)
    assert sorted(row["channel_name"] for row in table(tmp_path / "out")) == ["choir", "lead vocal"]
