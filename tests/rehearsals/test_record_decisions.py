"""Which records of a journal count, what tells recordings apart, and for what a plan is made."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from shaping.capture.metadata import Metadata
from shaping.equaliser.limits_file import load_limits
from shaping.rehearsals.archive.dating import recorded
from shaping.rehearsals.archive.files import channel_stem, identify
from shaping.rehearsals.archive.records import VERSION, current_records, known, unscanned_records
from shaping.rehearsals.results import summarise
from tests.rehearsals.event_makers import event, record, whole_record

FOUR = load_limits("parametric-4")


def entry(path: str, *, fingerprint: str = "f", **facts: Any) -> dict[str, Any]:
    """Return the record of a recording of a minute, all of it scanned."""
    minute = {"file": path, "recorded_on": "2026-01-04", "duration_s": 60.0, "channels": 1}
    plain = {"sample_rate_hz": 48_000, "frames": 60 * 48_000, "events": []}
    return whole_record({"path": path, "fingerprint": fingerprint, **minute, **plain, **facts})


def damaged(path: str, **facts: Any) -> dict[str, Any]:
    nothing = {"state": "damaged", "frames": 0, "duration_s": 0.0, "problem": "cannot be read"}
    return entry(path, **(nothing | facts))


def forgotten(path: str) -> dict[str, Any]:
    return {"version": VERSION, "state": "forgotten", "path": path}


def test_a_later_record_of_the_same_recording_replaces_an_earlier() -> None:
    first, again = entry("a"), entry("b", recorded_on="2026-01-11")
    assert current_records([first, again]) == [again]


def test_a_recording_that_has_grown_replaces_what_it_was() -> None:
    first = entry("a")
    grown = entry("a", fingerprint="g", marks=["m", "n"], size=2000)
    assert current_records([first, grown]) == [grown]
    shrunk = entry("a", fingerprint="s", size=999)
    assert current_records([first, shrunk]) == [first, shrunk]
    elsewhere = entry("b", fingerprint="g", marks=["m", "n"], size=2000)
    assert current_records([first, elsewhere]) == [first, elsewhere]
    short, other = entry("a", marks=[]), entry("a", fingerprint="o", marks=[])
    assert current_records([short, other]) == [short, other]  # too short to tell


def test_another_recording_under_an_old_name_stands_beside_it() -> None:
    old, new = entry("a", fingerprint="x"), entry("a", fingerprint="y", marks=["other"])
    assert current_records([new, old]) == [old, new]


def test_what_another_version_scanned_counts_until_it_is_scanned_again() -> None:
    old = entry("a", version=VERSION - 1)
    new = entry("a", fingerprint="n", marks=["other"])
    assert current_records([old]) == [old]
    assert known([old]) == {}
    assert current_records([old, new]) == [new]


def test_a_copy_in_another_format_counts_once() -> None:
    one, copy = entry("a", audio="d"), entry("b", fingerprint="c", audio="d")
    assert current_records([copy, one]) == [one]
    longer = entry("b", fingerprint="c", audio="d", frames=1)
    assert current_records([one, longer]) == [one, longer]
    # Silence has no digest: it is told apart by the files' content.
    silent = [entry("a"), entry("b", fingerprint="c")]
    assert current_records(silent) == silent


def test_what_could_not_be_read_is_told_until_it_is() -> None:
    broken, again = damaged("a"), damaged("a", fingerprint="z")
    assert current_records([broken, again]) == []
    assert unscanned_records([broken, again]) == [again]
    whole = entry("a", fingerprint="w")
    assert current_records([broken, whole]) == [whole]
    assert unscanned_records([broken, whole]) == []
    # What was found before the file broke stays, and that it broke is told.
    assert current_records([whole, broken]) == [whole]
    assert unscanned_records([whole, broken]) == [broken]
    gone = {"version": VERSION, "state": "gone", "path": "a"}
    assert current_records([whole, broken, gone]) == [whole]
    assert unscanned_records([whole, broken, gone]) == []


def test_what_is_forgotten_goes_and_comes_back_when_scanned_again() -> None:
    inside, beside = entry("/tapes/a"), entry("/tapes 2/b", fingerprint="b")
    assert current_records([inside, beside, forgotten("/tapes")]) == [beside]
    assert list(known([inside, beside, forgotten("/tapes/")])) == ["b"]
    assert current_records([inside, forgotten("/tapes/a"), inside]) == [inside]
    assert unscanned_records([damaged("/tapes/a"), forgotten("/tapes")]) == []


def test_records_come_by_date_path_and_content() -> None:
    late, early, second = (
        entry("a", fingerprint="1", recorded_on="2026-02-01"),
        entry("z", fingerprint="2", recorded_on="2026-01-01"),
        entry("b", fingerprint="3", recorded_on="2026-02-01"),
    )
    assert current_records([second, late, early]) == [early, late, second]


def journal(*records: dict[str, Any]) -> list[dict[str, Any]]:
    return [entry("", fingerprint=str(n)) | one for n, one in enumerate(records)]


def test_a_summary_counts_the_sure_and_the_possible(tmp_path: Path) -> None:
    day = record("2026-01-04", event(), event(confidence=0.77), channels=2, hours=0.5)
    found = summarise(tmp_path, journal(day, damaged("/b.wav", fingerprint="b")), FOUR)
    assert (found.files, found.events, found.possible) == (2, 1, 1)
    assert found.hours == pytest.approx(1.0)  # each channel counts
    assert found.problems == ("cannot be read",)
    assert [row.file for row in found.rows] == ["rehearsal.wav", "rehearsal.wav"]


@pytest.mark.parametrize(("confidence", "planned"), [(0.78, True), (0.77, False)])
def test_a_plan_is_made_for_what_recurs_for_sure(
    tmp_path: Path, confidence: float, planned: bool
) -> None:
    events = [event(confidence=confidence), event(confidence=0.5), event(3000.0, confidence=0.5)]
    found = summarise(tmp_path, journal(record("2026-01-04", *events)), FOUR)
    assert list(found.plans) == (["channel 1"] if planned else [])
    if planned:
        (cut,) = found.plans["channel 1"].filters
        assert cut.filter.frequency_hz == pytest.approx(1000.0, rel=0.01)
        assert cut.filter.gain_db == -5.0  # 40 dB/s round 25 ms, and 4 dB


def prints(folder: Path, data: bytes) -> tuple[str, tuple[str, ...], int]:
    path = folder / "take.wav"
    path.write_bytes(data)
    found = identify(path)
    assert found.path == str(path.resolve())
    assert found.modified_ns == path.stat().st_mtime_ns
    return found.fingerprint, found.marks, found.size


def test_recordings_are_told_apart_by_sixteen_samples_and_length(tmp_path: Path) -> None:
    """Samples of 16 KiB lie evenly from the start to the end: 65 574.4 bytes apart here."""
    size = 1_000_000
    plain = np.random.default_rng(3).integers(0, 256, size, np.uint8).tobytes()
    whole = prints(tmp_path, plain)
    assert whole[2] == size
    for place, tells in (
        (0, True),
        (16_383, True),
        (16_384, False),
        (65_573, False),
        (65_574, True),
        (65_574 + 16_383, True),
        (65_574 + 16_384, False),
        (size - 16_385, False),
        (size - 16_384, True),
        (size - 1, True),
    ):
        changed = bytearray(plain)
        changed[place] ^= 1
        assert (prints(tmp_path, bytes(changed))[0] != whole[0]) is tells
    assert prints(tmp_path, plain + b"\0")[0] != whole[0]


@pytest.mark.parametrize("place", [0, 16_384, 40_000, 70_000, 999_999])
def test_of_silence_and_of_short_recordings_every_byte_counts(tmp_path: Path, place: int) -> None:
    noise = np.random.default_rng(3).integers(0, 256, 100_000, np.uint8).tobytes()
    for plain in (bytes(1_000_000), noise):
        changed = bytearray(plain)
        changed[place % len(plain)] ^= 1
        assert prints(tmp_path, bytes(changed))[0] != prints(tmp_path, plain)[0]
    assert prints(tmp_path, b"short")[1:] == ((), 5)


def test_a_recording_that_grows_keeps_its_marks(tmp_path: Path) -> None:
    """Marks of 16 KiB are taken at 64 KiB, 256 KiB, 1 MiB..."""
    plain = np.random.default_rng(3).integers(0, 256, 1_200_000, np.uint8).tobytes()
    counts = [(65_536 + 16_383, 0), (65_536 + 16_384, 1), (278_528, 2), (1_064_960, 3)]
    marks = prints(tmp_path, plain)[1]
    for size, count in counts:
        assert prints(tmp_path, plain[:size])[1] == marks[:count]
    for place, changed_marks in ((0, []), (65_536, [0]), (262_144, [1]), (278_528, [])):
        changed = bytearray(plain)
        changed[place] ^= 1
        found = prints(tmp_path, bytes(changed))[1]
        assert [n for n, mark in enumerate(marks) if found[n] != mark] == changed_marks


@pytest.mark.parametrize(
    ("path", "day"),
    [
        ("2026-03-08/vocal.wav", date(2026, 3, 8)),
        ("2026-03-08/vocal 20260315.wav", date(2026, 3, 15)),  # the file's own first
        ("take_2026.03.08_2.wav", date(2026, 3, 8)),
        ("2026-02-30.wav", date(1970, 1, 2)),  # no such day: when it was last changed
        ("12026-03-08.wav", date(1970, 1, 2)),
        ("1999-03-08.wav", date(1970, 1, 2)),
    ],
)
def test_the_date_is_read_from_the_name(path: str, day: date) -> None:
    noon_ns = 36 * 3600 * 10**9  # of the second day of 1970, UTC
    found = recorded(Path(path), noon_ns, 60.0, Metadata())
    assert found.day == day
    assert found.known_from == ("time stamp" if day.year == 1970 else "name")


@pytest.mark.parametrize(
    ("name", "stem"),
    [
        ("vocal wedge_20260308_02.wav", "vocal wedge"),
        ("Vocal-Take 3.wav", "Vocal"),
        ("drum_fill.wav", "drum fill"),
        ("2026-03-08.wav", "2026-03-08"),
        ("keys.take12.wav", "keys"),
    ],
)
def test_the_channel_is_the_name_without_date_and_take(name: str, stem: str) -> None:
    assert channel_stem(Path(name)) == stem
