"""Recordings are told apart by their content: no event is lost, and none is counted twice."""

from __future__ import annotations

import csv
import json
import os
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from shaping.cli.main import run
from shaping.errors import ParameterError
from shaping.rehearsals.archive.files import identify
from shaping.rehearsals.archive.journal import JOURNAL
from shaping.rehearsals.scan import Earlier, scan_rehearsals

RATE = 48_000


@pytest.fixture
def tapes(tmp_path, planted_howl):
    folder = tmp_path / "tapes"
    folder.mkdir()
    for name, frequency_hz in (("one", 2_517.0), ("two", 700.0)):
        howl = planted_howl(frequency_hz=frequency_hz)
        soundfile.write(folder / f"{name} 2026-03-01.wav", howl, RATE, subtype="PCM_24")
    return folder


def files(out):
    with (out / "events.csv").open(newline="") as stream:
        return [row["file"].rsplit("/", 1)[-1] for row in csv.DictReader(stream)]


def test_a_renamed_recording_counts_once_under_its_new_name_and_date(tmp_path, tapes):
    out = tmp_path / "out"
    scan_rehearsals([tapes], out, jobs=1)
    (tapes / "one 2026-03-01.wav").rename(tapes / "lead 2026-04-05.wav")
    seen = []
    summary = scan_rehearsals([tapes], out, jobs=1, progress=seen.append)
    assert seen == []  # nothing was scanned again
    assert summary.events == 2
    assert sorted(files(out)) == ["lead 2026-04-05.wav", "two 2026-03-01.wav"]
    assert {row.recorded_on for row in summary.rows} == {"2026-03-01", "2026-04-05"}


def test_a_copy_counts_once_in_one_run_or_in_two(tmp_path, tapes):
    shutil.copy(tapes / "one 2026-03-01.wav", tapes / "a copy.wav")
    summary = scan_rehearsals([tapes], tmp_path / "out", jobs=1)
    assert (summary.events, summary.files) == (2, 2)
    shutil.copy(tapes / "two 2026-03-01.wav", tapes / "another copy.wav")
    again = scan_rehearsals([tapes], tmp_path / "out", jobs=1)
    assert (again.events, again.files, again.hours) == (2, 2, summary.hours)


def test_a_copy_in_another_format_counts_once(tmp_path, tapes):
    samples, _ = soundfile.read(tapes / "one 2026-03-01.wav", dtype="int32")
    soundfile.write(tapes / "one 2026-03-01.flac", samples, RATE, subtype="PCM_24")
    summary = scan_rehearsals([tapes], tmp_path / "out", jobs=1)
    assert (summary.events, summary.files) == (2, 2)


def test_silent_channels_are_not_taken_for_copies(tmp_path):
    """Gates leave most of a file at zero, and a multitrack folder has many such files."""
    tapes = tmp_path / "tapes"
    tapes.mkdir()
    for name in ("a", "b"):
        soundfile.write(tapes / f"{name}.wav", np.zeros(20 * RATE), RATE)
    gated = np.zeros(20 * RATE)
    gated[3 * RATE + 5_000 : 3 * RATE + 9_000] = 0.1
    soundfile.write(tapes / "c.wav", gated, RATE)
    summary = scan_rehearsals([tapes], tmp_path / "out", jobs=1)
    assert summary.files == 2  # a and b are one and the same; c is not
    assert len({identify(tapes / f"{name}.wav").fingerprint for name in "abc"}) == 2


def test_a_recording_made_anew_under_an_old_name_adds(tmp_path, tapes, planted_howl):
    out = tmp_path / "out"
    scan_rehearsals([tapes], out, jobs=1)
    howl = planted_howl(frequency_hz=1_300.0)
    soundfile.write(tapes / "one 2026-03-01.wav", howl, RATE, subtype="PCM_24")
    summary = scan_rehearsals([tapes], out, jobs=1)
    assert sorted(round(row.event.frequency_hz, -1) for row in summary.rows) == [700, 1300, 2520]


@pytest.mark.parametrize("kind", ["wav", "flac"])
def test_a_recording_that_grew_replaces_what_it_was(tmp_path, planted_howl, kind):
    """Its header tells its length and so changes as well."""
    path, out = tmp_path / f"running.{kind}", tmp_path / "out"
    first, second = planted_howl(), planted_howl(frequency_hz=700.0)
    soundfile.write(path, first, RATE, subtype="PCM_24")
    assert scan_rehearsals([path], out, jobs=1).events == 1
    soundfile.write(path, np.concatenate([first, second]), RATE, subtype="PCM_24")
    summary = scan_rehearsals([path], out, jobs=1)
    assert (summary.events, summary.files) == (2, 1)


def test_forgotten_recordings_go_and_can_be_scanned_again(tmp_path, tapes):
    out = tmp_path / "out"
    scan_rehearsals([tapes], out, jobs=1)
    one = tapes / "one 2026-03-01.wav"
    assert scan_rehearsals([], out, jobs=1, earlier=Earlier(forget=[one])).events == 1
    assert scan_rehearsals([tapes], out, jobs=1).events == 2
    assert scan_rehearsals([], out, jobs=1, earlier=Earlier(forget=[tapes])).files == 0
    with pytest.raises(ParameterError, match="nothing to scan"):
        scan_rehearsals([], out)


def test_forget_and_retry_on_the_command_line(tmp_path, tapes, capsys):
    broken = tapes / "broken.wav"
    broken.write_bytes(b"RIFF" + bytes(100))
    words = ["rehearsals", "--out", str(tmp_path / "out"), "--jobs", "1"]
    assert run([*words, str(tapes)]) == 0
    assert "broken.wav" in capsys.readouterr().out
    journal = (tmp_path / "out" / JOURNAL).read_bytes()
    assert run([*words, str(tapes)]) == 0
    assert (tmp_path / "out" / JOURNAL).read_bytes() == journal
    assert run([*words, str(tapes), "--retry"]) == 0
    assert len((tmp_path / "out" / JOURNAL).read_bytes()) > len(journal)
    capsys.readouterr()
    assert run([*words, "--forget", str(broken)]) == 0
    assert "broken.wav" not in capsys.readouterr().out
    assert run(words) == 2
    assert "PATH" in capsys.readouterr().err


def test_what_was_broken_and_is_deleted_is_told_no_more(tmp_path, tapes):
    (tapes / "broken.wav").write_bytes(b"RIFF" + bytes(100))
    assert len(scan_rehearsals([tapes], tmp_path / "out", jobs=1).problems) == 1
    (tapes / "broken.wav").unlink()
    assert scan_rehearsals([tapes], tmp_path / "out", jobs=1).problems == ()


def test_foreign_lines_in_the_journal_are_read_around(tmp_path, tapes):
    out = tmp_path / "out"
    before = scan_rehearsals([tapes], out, jobs=1)
    lines = (out / JOURNAL).read_text().splitlines()
    whole = json.loads(lines[0])
    event = whole["events"][0]
    foreign = [
        "not json",
        "[1, 2]",
        "null",
        "{}",
        '{"path": 7}',
        '{"path": "x"}',
        '{"path": "x", "state": "done", "version": 2}',
        json.dumps({**whole, "fingerprint": "f1", "events": [{"channel": 1}]}),
        json.dumps({**whole, "fingerprint": "f2", "channels": "two"}),
        json.dumps(
            {**whole, "fingerprint": "f3", "events": [{**whole["events"][0], "channel": 9}]}
        ),
        json.dumps(
            {
                **whole,
                "fingerprint": "f4",
                "events": [{**event, "frequency_hz": float("nan")}],
            }
        ),
        json.dumps({**whole, "fingerprint": "f5", "recorded_on": "yesterday"}),
        json.dumps({**whole, "fingerprint": "f6", "tracks": ["vocal"]}),
        json.dumps({**whole, "fingerprint": "f7", "duration_s": float("inf")}),
        "[" * 100_000,
        "\x00\x01",
    ]
    (out / JOURNAL).write_text("\n".join([*foreign, *lines, *foreign]) + "\n")
    after = scan_rehearsals([tapes], out, jobs=1)
    assert (after.events, after.files) == (before.events, before.files)


def test_cells_that_a_spreadsheet_would_run_are_harmless(tmp_path, planted_howl, monkeypatch):
    monkeypatch.chdir(tmp_path)
    names = ["=1+1.wav", "+a.wav", "-b.wav", "@c.wav", " =d.wav", "plain.wav"]
    for index, name in enumerate(names):
        soundfile.write(name, planted_howl(frequency_hz=700.0 + 200 * index), RATE)
    scan_rehearsals(names, "out", jobs=1)
    with Path("out/events.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == len(names)
    for row in rows:
        for key in ("file", "reason", "channel_name"):
            assert not row[key].lstrip(" ").startswith(("=", "+", "-", "@", "\t", "\r"))
    assert "'=1+1.wav" in {row["file"] for row in rows}
    assert "plain.wav" in {row["file"] for row in rows}


def test_identity_does_not_depend_on_the_name_or_the_time(tmp_path, tapes):
    path = tapes / "one 2026-03-01.wav"
    before = identify(path)
    os.utime(path, (1, 1))
    moved = path.rename(tmp_path / "x.wav")
    assert identify(moved).fingerprint == before.fingerprint
    assert identify(moved).marks == before.marks
    data = bytearray(moved.read_bytes())
    data[-1] ^= 1
    moved.write_bytes(data)
    assert identify(moved).fingerprint != before.fingerprint
