"""The batch scan: any executor, resumable, adding to what is there."""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest
import soundfile

from shaping.errors import CaptureError, OutputError, ParameterError
from shaping.rehearsals.archive.journal import JOURNAL, locked
from shaping.rehearsals.scan import scan_rehearsals
from shaping.rehearsals.scanning.scan_file import scan_file
from shaping.rehearsals.table import COLUMNS

RATE = 48_000


@pytest.fixture
def folder(tmp_path, planted_howl):
    """Two multitrack evenings and a folder with one file per channel."""
    folder = tmp_path / "rehearsals"
    howl = planted_howl()
    quiet = np.random.default_rng(3).standard_normal(howl.size).astype(np.float32) * 0.01
    folder.mkdir()
    for day, frequency_hz in (("2026-03-01", 2_517.0), ("2026-03-08", 2_519.0)):
        both = np.stack([quiet, planted_howl(frequency_hz=frequency_hz)], axis=1)
        soundfile.write(folder / f"band {day}.flac", both, RATE)
    side = folder / "2026-03-15"
    side.mkdir()
    soundfile.write(side / "vocal wedge.wav", howl, RATE, subtype="PCM_24")
    soundfile.write(side / "drum fill.wav", quiet, RATE, subtype="PCM_24")
    return folder


def rows(out):
    with (out / "events.csv").open(newline="") as stream:
        return list(csv.DictReader(stream))


def contents(out):
    return {
        name: (out / name).read_bytes() for name in ("events.csv", "summary.json", "report.html")
    }


def test_the_outputs_name_file_channel_and_what_recurs(tmp_path, folder):
    seen = []
    summary = scan_rehearsals([folder], tmp_path / "out", jobs=1, progress=seen.append)
    table = rows(tmp_path / "out")
    assert list(table[0]) == list(COLUMNS)
    assert [(r["file"].rsplit("/", 1)[1], r["channel"]) for r in table] == [
        ("band 2026-03-01.flac", "2"),
        ("band 2026-03-08.flac", "2"),
        ("vocal wedge.wav", "1"),
    ]
    assert {r["third_octave_hz"] for r in table} == {"2500"}
    assert all(r["note"].startswith("D#7") for r in table)
    written = json.loads((tmp_path / "out" / "summary.json").read_text())
    channels = {c["name"]: c for c in written["channels"]}
    assert set(channels) == {"channel 1", "channel 2", "vocal wedge", "drum fill"}
    (recurring,) = channels["channel 2"]["recurring"]
    assert recurring["frequency_hz"] == pytest.approx(2_518, rel=0.001)
    assert recurring["dates"] == ["2026-03-01", "2026-03-08"]
    (cut,) = channels["channel 2"]["suggested_plan"]["filters"]
    assert cut["kind"] == "peaking"
    assert cut["frequency_hz"] == pytest.approx(2_518, rel=0.02)
    assert cut["gain_db"] < 0
    assert channels["channel 1"]["suggested_plan"] is None
    assert summary.hours == pytest.approx(60 / 3600)
    assert [p.files_done for p in seen] == [0, 1, 2, 3, 4]
    assert seen[-1].remaining_s == 0


def test_results_do_not_depend_on_workers_block_size_or_order(tmp_path, folder):
    scan_rehearsals([folder], tmp_path / "one", jobs=1)
    scan_rehearsals([folder], tmp_path / "two", jobs=2)
    parts = sorted(folder.iterdir(), reverse=True)
    for part in parts:
        scan_rehearsals([part], tmp_path / "three", jobs=1)
    assert contents(tmp_path / "one") == contents(tmp_path / "two") == contents(tmp_path / "three")
    assert scan_file(str(parts[0]), block_frames=10_007) == scan_file(str(parts[0]))


def test_running_again_does_nothing_and_new_files_add(tmp_path, folder, planted_howl):
    out = tmp_path / "out"
    scan_rehearsals([folder], out, jobs=1)
    before = contents(out)
    journal = (out / JOURNAL).read_bytes()
    seen = []
    scan_rehearsals([folder], out, jobs=1, progress=seen.append)
    assert seen == []
    assert contents(out) == before
    assert (out / JOURNAL).read_bytes() == journal
    soundfile.write(tmp_path / "more 2026-03-22.wav", planted_howl(frequency_hz=800.0), RATE)
    scan_rehearsals([tmp_path / "more 2026-03-22.wav"], out, jobs=1)
    assert len(rows(out)) == 4


def test_a_corrupt_file_is_reported_and_the_rest_goes_on(tmp_path, folder):
    (folder / "broken.wav").write_bytes(b"RIFF" + bytes(100))
    (folder / "empty.flac").write_bytes(b"")
    summary = scan_rehearsals([folder], tmp_path / "out", jobs=2)
    assert len(summary.problems) == 2
    assert any("broken.wav" in p for p in summary.problems)
    assert summary.events == 3
    # Once the file is mended, the report about it goes.
    soundfile.write(folder / "broken.wav", np.zeros(RATE, np.float32), RATE)
    again = scan_rehearsals([folder], tmp_path / "out", jobs=1)
    assert len(again.problems) == 1


def test_a_moved_recording_is_not_counted_twice(tmp_path, folder):
    out = tmp_path / "out"
    first = scan_rehearsals([folder], out, jobs=1)
    folder.rename(tmp_path / "archive")
    assert scan_rehearsals([tmp_path / "archive"], out, jobs=1).hours == first.hours


def test_a_running_scan_keeps_others_out(tmp_path, folder):
    out = tmp_path / "out"
    out.mkdir()
    with locked(out), pytest.raises(OutputError, match="another scan"):
        scan_rehearsals([folder], out, jobs=1)


def test_links_cannot_lead_writing_elsewhere(tmp_path, folder):
    outside = tmp_path / "outside.csv"
    outside.write_text("keep")
    out = tmp_path / "out"
    out.mkdir()
    (out / "events.csv").symlink_to(outside)
    (folder / "..evil name.flac").symlink_to(folder / "band 2026-03-01.flac")
    scan_rehearsals([folder / ".." / "rehearsals"], out, jobs=1)
    assert outside.read_text() == "keep"
    assert {p.name for p in tmp_path.iterdir()} == {"rehearsals", "out", "outside.csv"}


@pytest.mark.parametrize(
    ("paths", "options", "error", "match"),
    [
        (["missing"], {}, CaptureError, "no such file"),
        (["."], {}, CaptureError, "no recordings found"),
        (["."], {"jobs": 0}, ParameterError, "jobs=0"),
    ],
)
def test_bad_input_is_said_plainly(tmp_path, monkeypatch, paths, options, error, match):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(error, match=match):
        scan_rehearsals(paths, tmp_path / "out", **options)
