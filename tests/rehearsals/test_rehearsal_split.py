"""Recordings that a recorder split into files are joined in time."""

from __future__ import annotations

import csv
import os

import numpy as np
import pytest
import soundfile

from shaping.rehearsals.archive.records import goes_on_from
from shaping.rehearsals.scan import scan_rehearsals

RATE = 48_000


@pytest.fixture
def parts(tmp_path, planted_howl):
    """One recording of 40 s, split at 20 s while it howls."""
    whole = np.concatenate([planted_howl(start_s=18.5, total_s=40.0, hold_s=3.0)])
    folder = tmp_path / "tapes"
    folder.mkdir()
    closed_s = 1_772_000_000
    for number, piece in enumerate((whole[: 20 * RATE], whole[20 * RATE :]), start=1):
        path = folder / f"band {number:02}.wav"
        soundfile.write(path, piece, RATE, subtype="PCM_24")
        os.utime(path, (closed_s + 20 * number, closed_s + 20 * number))
    return folder


def table(out):
    with (out / "events.csv").open(newline="") as stream:
        return list(csv.DictReader(stream))


def test_a_howl_across_two_files_is_one_event_of_its_full_length(tmp_path, parts):
    summary = scan_rehearsals([parts], tmp_path / "out", jobs=1)
    (row,) = table(tmp_path / "out")
    assert row["file"].endswith("band 01.wav")
    assert float(row["start_s"]) == pytest.approx(19.2, abs=0.4)
    assert float(row["duration_s"]) > 3.0
    assert summary.events == 1


def test_the_order_of_scanning_makes_no_difference(tmp_path, parts):
    scan_rehearsals([parts], tmp_path / "at once", jobs=1)
    for name in ("band 02.wav", "band 01.wav"):
        scan_rehearsals([parts / name], tmp_path / "backwards", jobs=1)
    assert (tmp_path / "at once" / "events.csv").read_bytes() == (
        tmp_path / "backwards" / "events.csv"
    ).read_bytes()


def test_takes_that_do_not_follow_each_other_stay_apart(tmp_path, parts):
    os.utime(parts / "band 02.wav", (1_772_009_000, 1_772_009_000))
    scan_rehearsals([parts], tmp_path / "out", jobs=1)
    assert float(table(tmp_path / "out")[0]["duration_s"]) < 1.0


def record(name="rec_0001.wav", **values):
    known = {
        "path": f"/archive/{name}",
        "size": 1_000,
        "modified_ns": 0,
        "sample_rate_hz": RATE,
        "channels": 32,
        "frames": 10 * RATE,
        "first_frame": None,
    }
    return known | values


def test_which_files_follow_each_other():
    early, late = record(size=2**32 - 8_000_000), record("rec_0002.wav", modified_ns=5 * 10**15)
    assert goes_on_from(late, early)  # split where 32 bits end
    assert not goes_on_from(early, late)
    assert not goes_on_from({**late, "channels": 2}, early)
    assert not goes_on_from({**late, "path": "/archive/rec_0003.wav"}, early)
    assert not goes_on_from({**late, "path": "/elsewhere/rec_0002.wav"}, early)
    assert not goes_on_from(late, {**early, "size": 1_000})
    # The recorder's own clock decides where it is known.
    clocked = {**early, "size": 1_000, "first_frame": 7 * RATE}
    assert goes_on_from({**late, "first_frame": 17 * RATE}, clocked)
    assert not goes_on_from({**late, "first_frame": 20 * RATE}, {**early, "first_frame": 7 * RATE})
    # Or the times at which the files were closed.
    assert goes_on_from({**late, "modified_ns": 11 * 10**9}, record(modified_ns=10**9))
    assert goes_on_from(
        record("take 2.wav", modified_ns=11 * 10**9), record("take.wav", modified_ns=10**9)
    )
