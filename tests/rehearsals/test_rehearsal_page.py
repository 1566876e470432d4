"""The page: what to do first, then one small row a channel, and every event within reach."""

from __future__ import annotations

import json
import re
from datetime import date, timedelta

import pytest

from shaping.equaliser.limits_file import load_limits
from shaping.rehearsals.archive.naming import Naming
from shaping.rehearsals.events import Event
from shaping.rehearsals.page.sunday import MOST_LINES, advice
from shaping.rehearsals.page.whole import rehearsals_page
from shaping.rehearsals.results import SCHEMA_FILE, summarise, summary_to_dict

FIRST = date(2026, 3, 1)


def event(channel, frequency_hz, *, start_s=60.0, confidence=0.97):
    return Event(
        channel=channel,
        start_s=start_s,
        duration_s=2.0,
        frequency_hz=frequency_hz,
        growth_db_per_s=45.0,
        peak_dbfs=-12.0,
        over_db=20.0,
        clipped=False,
        confidence=confidence,
        reason="grew 45 dB/s along a straight line",
    ).as_record()


def record(week, events, *, channels=8, **values):
    day = FIRST + timedelta(days=7 * week)
    known = {
        "version": 2,
        "state": "done",
        "path": f"/archive/{day}/band.wav",
        "size": 10**9,
        "modified_ns": 0,
        "fingerprint": f"content {week}",
        "marks": [],
        "file": f"{day}/band.wav",
        "recorded_on": day.isoformat(),
        "began": f"{day}T19:30:00",
        "dated_by": "metadata",
        "first_frame": None,
        "tracks": [],
        "sample_rate_hz": 48_000,
        "channels": channels,
        "frames": 48_000 * 3_600,
        "duration_s": 3600.0,
        "audio": f"sound {week}",
        "after": None,
        "problem": None,
        "notes": [],
        "events": events,
    }
    return known | values


def summary(tmp_path, records, naming=None):
    return summarise(tmp_path, records, load_limits("parametric-4"), naming or Naming())


def weekly(*channels, weeks=6):
    """Each channel howls once a week at its own frequency."""
    return [
        record(week, [event(channel, 500.0 * channel + 17 * channel) for channel in channels])
        for week in range(weeks)
    ]


def test_sunday_has_at_most_five_lines_on_top_of_the_page(tmp_path):
    whole = summary(tmp_path, weekly(1, 2, 3, 4, 5, 6, 7))
    assert len(advice(whole)) == 7
    page = rehearsals_page(whole)
    box = page[page.index("What to do on Sunday") : page.index("Channel by channel")]
    assert box.count("<li>") == MOST_LINES == 5
    assert "2 more channels below" in box


@pytest.mark.parametrize(
    "records",
    [
        [],
        [record(week, []) for week in range(6)],
        # Once, or never for sure, or long ago.
        [record(0, [event(1, 700.0)]), *(record(week, []) for week in range(1, 6))],
        [record(week, [event(1, 700.0, confidence=0.5)]) for week in range(6)],
        [
            *(record(week, [event(1, 700.0)]) for week in range(3)),
            *(record(week, []) for week in range(3, 6)),
        ],
    ],
)
def test_sunday_tells_nothing_that_is_not_certain_and_recent(tmp_path, records):
    whole = summary(tmp_path, records)
    assert advice(whole) == ()
    assert "Nothing" in rehearsals_page(whole)


def test_a_line_names_channel_frequency_times_and_setting(tmp_path):
    (line,) = advice(summary(tmp_path, weekly(3), Naming({"3": "lead vocal"})))
    told = f"{line.channel} {line.found}. {line.todo}".replace("\N{NO-BREAK SPACE}", " ")
    assert told.startswith("lead vocal howls at 1.55 kHz (G6 -19 cents), 6 times on 6 dates")
    assert re.search(r"if it still rings, dial in 1\.\d\d kHz, -\d\.\d dB, Q \d", told)


def test_many_frequencies_mean_less_gain_and_no_cuts(tmp_path):
    hertz = (300.0, 520.0, 1_100.0, 2_300.0)
    records = [record(week, [event(1, f) for f in hertz]) for week in range(3)]
    (line,) = advice(summary(tmp_path, records))
    assert "4" in line.found
    assert "3\N{NO-BREAK SPACE}dB lower" in line.todo
    assert "dial in" not in line.todo


def test_thirty_two_channels_are_rows_and_the_quiet_ones_one_line(tmp_path):
    records = [
        record(week, [event(channel, 400.0 + 50 * channel) for channel in range(1, 9)], channels=32)
        for week in range(4)
    ]
    page = rehearsals_page(summary(tmp_path, records))
    rows = re.findall(r'<summary class="row">(.*?)</summary>', page, flags=re.DOTALL)
    assert len(rows) == 8
    assert all("<svg" in row and "as before" in row and "Hz" in row for row in rows)
    assert "open" not in re.findall(r"<details[^>]*>", page)
    (silent,) = re.findall(r"Nothing heard on (.*?)\.</p>", page)
    assert silent.startswith("channel 9, channel 10")
    assert silent.endswith("and channel 32")


def test_every_event_is_on_the_page_with_its_day_and_clock(tmp_path):
    records = [
        record(week, [event(1, 700.0, start_s=100.0 * k + week) for k in range(30)])
        for week in range(3)
    ]
    page = rehearsals_page(summary(tmp_path, records))
    for week in range(3):
        for k in range(30):
            at = 19 * 3600 + 30 * 60 + 100 * k + week
            assert f"{at // 3600:02d}:{at // 60 % 60:02d}:{at % 60:02d}" in page
    assert "Sun 15 Mar 2026" in page
    assert "<script" not in page


def test_times_from_time_stamps_are_about(tmp_path):
    stamped = [record(0, [event(1, 700.0)], dated_by="time stamp")]
    page = rehearsals_page(summary(tmp_path, stamped))
    assert "about 19:31:00" in page
    assert "copying a file can change it" in page
    unknown = [record(0, [event(1, 700.0)], dated_by="name", began=None)]
    assert "19:31" not in rehearsals_page(summary(tmp_path, unknown))


def test_names_cannot_bring_markup_in(tmp_path):
    evil = '<b onclick="x">&'
    records = [
        record(week, [event(1, 700.0)], file=f"{evil}.wav", notes=[evil], problem=evil)
        for week in range(3)
    ]
    page = rehearsals_page(summary(tmp_path, records, Naming({"1": evil})))
    assert "onclick" in page
    assert "<b onclick" not in page


def test_the_summary_keeps_its_schema(tmp_path):
    """Source: JSON Schema 2020-12, by the validator of the library jsonschema."""
    jsonschema = pytest.importorskip("jsonschema")
    schema = json.loads(SCHEMA_FILE.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    broken = {"version": 2, "state": "failed", "path": "/x", "file": "x", "fingerprint": ""}
    for records in ([], weekly(1, 2), [*weekly(1), {**broken, "problem": "x: away"}]):
        written = json.loads(json.dumps(summary_to_dict(summary(tmp_path, records))))
        validator.validate(written)
    for name in ("channels", "events", "complete"):
        missing = {key: value for key, value in written.items() if key != name}
        assert not validator.is_valid(missing)
    assert not validator.is_valid({**written, "surprise": 1})


def described(part):
    for name, member in part.get("properties", {}).items():
        yield name, member
        yield from described(member)
    if "items" in part:
        yield from described(part["items"])


def test_every_key_of_the_schema_is_described():
    schema = json.loads(SCHEMA_FILE.read_text(encoding="utf-8"))
    parts = [*described(schema), *(pair for d in schema["$defs"].values() for pair in described(d))]
    assert len(parts) > 25
    assert [
        name for name, part in parts if "$ref" not in part and not part.get("description")
    ] == []
