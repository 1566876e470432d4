"""Which records of a journal count, what tells recordings apart, and for what a plan is made."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest

from shaping.equaliser.limits_file import load_limits
from shaping.rehearsals.archive.files import channel_stem, identify, recorded_on
from shaping.rehearsals.results import current_records, summarise
from tests.rehearsals.event_makers import event, record

FOUR = load_limits("parametric-4")


def entry(path: str, *, head: str = "h", seconds: float = 60.0, **facts: Any) -> dict[str, Any]:
    plain = {"path": path, "head": head, "duration_s": seconds, "fingerprint": head}
    return {**plain, "recorded_on": "2026-01-04", "problem": None} | facts


def test_a_later_record_of_the_same_recording_replaces_an_earlier() -> None:
    first, grown = entry("a", n=1), entry("a", n=2, seconds=90.0)
    assert current_records([first, grown]) == [grown]


def test_another_recording_under_an_old_name_stands_beside_it() -> None:
    old, new = entry("a", head="x"), entry("a", head="y")
    assert current_records([new, old]) == [old, new]


def test_what_could_not_be_read_counts_until_it_is() -> None:
    broken, again = entry("a", seconds=0.0, head=""), entry("a", seconds=0.0, head="z")
    assert current_records([broken, again]) == [again]
    whole = entry("a")
    assert current_records([broken, whole]) == [whole]
    assert current_records([whole, broken]) == [whole]


def test_records_come_by_date_path_and_content() -> None:
    late, early, second = (
        entry("a", recorded_on="2026-02-01"),
        entry("z", recorded_on="2026-01-01"),
        entry("b", recorded_on="2026-02-01"),
    )
    assert current_records([second, late, early]) == [early, late, second]


def journal(*records: dict[str, Any]) -> list[dict[str, Any]]:
    return [
        {"head": str(n), "fingerprint": str(n), "problem": None} | one
        for n, one in enumerate(records)
    ]


def test_a_summary_counts_the_sure_and_the_possible(tmp_path: Path) -> None:
    day = record("2026-01-04", event(), event(confidence=0.77), channels=2, hours=0.5)
    broken = record("2026-01-11", hours=0.0) | {"problem": "cannot be read", "path": "/b.wav"}
    found = summarise(tmp_path, journal(day, broken), FOUR)
    assert (found.files, found.events, found.possible) == (2, 1, 1)
    assert found.hours == pytest.approx(1.0)  # each channel counts
    assert found.problems == ("cannot be read",)
    assert [name for name, _ in found.rows] == ["rehearsal.wav", "rehearsal.wav"]


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


def test_recordings_are_told_apart_by_start_middle_end_and_length(tmp_path: Path) -> None:
    size = 300_000
    plain = bytes(size)

    def prints(data: bytes) -> tuple[str, str, int]:
        path = tmp_path / "take.wav"
        path.write_bytes(data)
        found = identify(path)
        assert found.path == str(path)
        assert found.modified_ns == path.stat().st_mtime_ns
        return found.head, found.fingerprint, found.size

    whole = prints(plain)
    assert whole[2] == size
    for place, tells_head, tells in (
        (0, True, True),
        (65_535, True, True),
        (65_536, False, False),
        (150_000, False, True),
        (150_000 + 65_535, False, True),
        (220_000, False, False),
        (size - 65_536, False, True),
        (size - 1, False, True),
    ):
        changed = bytearray(plain)
        changed[place] = 1
        head, fingerprint, _ = prints(bytes(changed))
        assert (head != whole[0]) is tells_head
        assert (fingerprint != whole[1]) is tells
    assert prints(plain + b"\0")[1] != whole[1]
    assert prints(b"short")[2] == 5


@pytest.mark.parametrize(
    ("path", "day"),
    [
        ("2026-03-08/vocal.wav", date(2026, 3, 8)),
        ("2026-03-08/vocal 20260315.wav", date(2026, 3, 15)),  # the file's own first
        ("take_2026.03.08_2.wav", date(2026, 3, 8)),
        ("2026-02-30.wav", date(1970, 1, 1)),  # no such day: when it was last changed
        ("12026-03-08.wav", date(1970, 1, 1)),
        ("1999-03-08.wav", date(1970, 1, 1)),
    ],
)
def test_the_date_is_read_from_the_name(path: str, day: date) -> None:
    assert recorded_on(Path(path), 0) == day


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
