"""What the page of a scan shows: numbers in, words and places out."""

from __future__ import annotations

import io
import re
from pathlib import Path

import matplotlib.image
import numpy as np
import pytest
import soundfile

from shaping.equaliser.limits_file import load_limits
from shaping.rehearsals.channels import Channel, channels_of
from shaping.rehearsals.events import Event
from shaping.rehearsals.page.cards import _card, badness
from shaping.rehearsals.page.excerpts import Excerpt, _palette, _picture, _png, _samples, _sound
from shaping.rehearsals.page.timeline import Line, _axis, _thinned, chart, strip
from shaping.rehearsals.page.whole import _period, _rate, _recurring, rehearsals_page
from shaping.rehearsals.results import summarise
from tests.rehearsals.event_makers import event, record, whole_record


def channel(*events: Event, hours: float = 1.0, day: str = "2026-01-04") -> Channel:
    (found,) = channels_of([record(day, *events, hours=hours)])
    return found


def test_the_worst_are_sure_stand_out_and_last() -> None:
    assert badness(event(over_db=12.0, duration_s=1.0)) == pytest.approx(112.0)
    assert badness(event(over_db=12.0, duration_s=10.0)) == pytest.approx(122.0)
    assert badness(event(over_db=12.0, duration_s=0.001)) == pytest.approx(102.0)
    assert badness(event(over_db=12.0, duration_s=1.0, confidence=0.77)) == pytest.approx(12.0)


def test_rates_are_told_where_enough_was_recorded() -> None:
    assert _rate(channel(event(), event(), hours=4.0)) == "0.5"
    assert _rate(channel(event(), hours=0.01)) == "–"


def test_the_period() -> None:
    assert _period([]) == ""
    assert _period(["2026-01-04"]) == "Sun 4 Jan 2026"
    assert _period(["2026-01-04", "2026-01-11"]) == ("Sun 4 Jan 2026 to Sun 11 Jan 2026, 2 dates")


def test_the_noisiest_channel_comes_first_and_the_silent_ones_in_one_line(tmp_path: Path) -> None:
    events = (
        event(channel=2, confidence=0.5),
        event(500.0, channel=4, confidence=0.5),
        event(channel=3),
        event(channel=4, confidence=0.5),
    )
    day = whole_record(record("2026-01-04", *events, channels=5))
    page = rehearsals_page(summarise(tmp_path, [day], load_limits("parametric-4")))
    rows = re.findall(r'<summary class="row">(.*?)</summary>', page, flags=re.DOTALL)
    named = [found for row in rows for found in re.findall(r"channel \d", row)[:1]]
    assert named == ["channel 3", "channel 4", "channel 2"]
    assert "Nothing heard on channel 1 and channel 5." in page


@pytest.mark.parametrize(
    ("confidences", "often"),
    [
        ((0.9, 0.9), "2 events"),
        ((0.9, 0.5), "1 event, 1 possible ring"),
        ((0.5, 0.5), "2 possible rings"),
    ],
)
def test_what_recurs_in_a_line(confidences: tuple[float, ...], often: str) -> None:
    (found,) = channel(*(event(440.0, confidence=c) for c in confidences)).recurring
    assert (
        _recurring(found) == f"440 Hz (A4): {often} on 1 date, 4.0 s in all, growing up to 40 dB/s"
    )


def test_the_axis_of_frequency_is_logarithmic_from_80_hz_to_12_khz() -> None:
    middle_hz = (80.0 * 12_000.0) ** 0.5
    found = channel(*(event(hz) for hz in (80.0, middle_hz, 12_000.0, 10.0, 20_000.0)))
    assert [mark.y for mark in chart(found).marks] == [114.0, 60.0, 6.0, 114.0, 6.0]
    strip_y = [mark.y for mark in strip(found).marks]
    assert strip_y == pytest.approx([15.0, 8.75, 2.5, 15.0, 2.5], abs=0.06)
    assert [_axis(hz) for hz in (125.0, 1000.0, 2500.0)] == ["125", "1k", "2.5k"]
    kilohertz = next(line for line in chart(found).hertz if line.text == "1k")
    assert kilohertz.at == chart(channel(event(1000.0))).marks[0].y


def test_a_timeline_sets_takes_end_to_end() -> None:
    records = [
        record("2026-01-04", event(start_s=1800.0, duration_s=3.0)),
        record("2026-01-11", event(start_s=1800.0, duration_s=60.0, confidence=0.5)),
    ]
    (found,) = channels_of(records)
    line = chart(found)
    doubtful, sure = line.marks  # the sure one is drawn over the other
    assert (doubtful.sure, sure.sure) == (False, True)
    # Half of each hour: a quarter and three quarters of the whole, which is 300 wide from 34 on.
    assert (sure.x, doubtful.x) == (109.0, 259.0)
    assert [(date.at, date.text) for date in line.dates] == [(34.0, "4 Jan"), (184.0, "11 Jan")]
    assert (sure.radius, doubtful.radius) == (3.4, 5.0)  # 2.5, and as much more for 8 s
    small = strip(found)
    assert [(mark.x, mark.radius) for mark in small.marks] == [(179.0, 3.0), (61.0, 2.1)]
    assert [date.at for date in small.dates] == [2.0, 120.0]


def test_labels_that_would_run_into_each_other_are_left_out() -> None:
    lines = [Line(100.0, "a"), Line(161.9, "b"), Line(162.0, "c"), Line(200.0, "d")]
    # After a label left out the next one stands.
    assert [line.text for line in _thinned(lines, 334.0)] == ["a", "", "c", ""]
    # The last one keeps within the picture.
    assert _thinned([Line(280.0, "last")], 334.0)[0].text == "last"
    assert _thinned([Line(280.1, "late")], 334.0)[0].text == ""


def test_a_card_places_the_event_in_its_picture() -> None:
    found = channel(event(1000.0, start_s=10.0, duration_s=1.3))
    card = _card(found.takes[0].events[0], found.takes[0], found, None)
    assert card.line_y == 64.0  # 1 kHz lies midway between 100 Hz and 10 kHz
    assert card.start_x == pytest.approx(320 * 1.2 / 5, abs=0.05)
    assert card.stop_x == pytest.approx(320 * 2.5 / 5, abs=0.05)
    assert (card.when, card.where) == ("Sun 4 Jan 2026", "10.0 s into rehearsal.wav")
    assert card.heading == "1.00 kHz · B5 +21 cents"
    assert card.facts == (
        "1.3 s, grew 40 dB/s, peak -20 dBFS, 15 dB over everything else, confidence 0.90"
    )
    assert (card.sure, card.picture, card.sound) == (True, "", "")
    early = channel(event(50.0, start_s=0.5, duration_s=99.0, confidence=0.5))
    excerpt = Excerpt(b"png", b"mp3", "audio/mpeg")
    card = _card(early.takes[0].events[0], early.takes[0], early, excerpt)
    assert (card.line_y, card.start_x, card.stop_x, card.sure) == (128.0, 32.0, 320.0, False)
    assert card.picture == "data:image/png;base64,cG5n"
    assert card.sound == "data:audio/mpeg;base64,bXAz"


RATE = 16_000


def pixels(samples: np.ndarray, rate: int = RATE) -> np.ndarray:
    """Return the picture as shades of red, green and blue, read by matplotlib."""
    return np.asarray(matplotlib.image.imread(io.BytesIO(_picture(samples, rate))))


def test_the_picture_shows_a_tone_at_its_place_and_time() -> None:
    time = np.arange(5 * RATE) / RATE
    samples = np.where(time < 2.5, np.sin(2 * np.pi * 1000 * time), 0.0)
    shown = pixels(samples + 1e-5 * np.random.default_rng(1).standard_normal(time.size))
    assert shown.shape[:2] == (128, 320)
    light = shown[..., :3].sum(axis=2)
    quiet = light[5, 300]
    row = int(np.abs(light[:, 80] - quiet).argmax())
    assert row == pytest.approx(64, abs=3)
    assert abs(light[row, 300] - quiet) < 0.2 * abs(light[row, 80] - quiet)


def test_a_short_piece_is_padded_to_the_width() -> None:
    assert pixels(np.sin(np.arange(RATE) * 0.4)).shape[:2] == (128, 320)


def test_the_palette_runs_from_quiet_to_loud() -> None:
    palette = _palette(64)
    assert palette.shape == (64, 3)
    assert not np.array_equal(palette[0], palette[-1])


def test_a_png_of_two_pixels_is_read_back() -> None:
    """Source: matplotlib's reader, an independent decoder of ISO/IEC 15948."""
    palette = np.array([[255, 0, 0], [0, 0, 255]], np.uint8)
    data = _png(np.array([[0, 1]], np.uint8), palette)
    shown = matplotlib.image.imread(io.BytesIO(data))
    assert shown[0, :, :3].tolist() == [[1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]


def test_the_sound_is_soft_short_and_faded() -> None:
    time = np.arange(5 * 48_000) / 48_000
    data, kind = _sound(np.sin(2 * np.pi * 440 * time), 48_000)
    heard, rate = soundfile.read(io.BytesIO(data))
    assert (rate, kind in ("audio/mpeg", "audio/wav")) == (24_000, True)
    assert heard.size / rate == pytest.approx(2.5, abs=0.1)
    assert np.abs(heard).max() == pytest.approx(10 ** (-23 / 20), rel=0.1)
    assert np.abs(heard[:200]).max() < 0.3 * np.abs(heard).max()
    assert np.abs(heard[-120:]).max() < 0.3 * np.abs(heard).max()
    assert _sound(np.zeros(4800), 48_000)[0]


def test_samples_begin_before_the_event_on_its_own_channel(tmp_path: Path) -> None:
    curve = (np.arange(10 * 8000) / 80_000) ** 2 / 2
    path = tmp_path / "take.wav"
    soundfile.write(path, np.stack([curve, 0.4 - curve], axis=1), 8000, subtype="DOUBLE")
    events = (event(start_s=3.0, channel=2), event(start_s=0.5, channel=2))
    day = record("2026-01-04", *events, channels=2, path=str(path))
    _, second = channels_of([day])
    take = second.takes[0]
    late, early = (_samples(take, one) for one in take.events)
    # 5 s from 1.2 s before, without what is constant.
    for found, first in ((late, 14_400), (early, 0)):
        assert found is not None
        piece = curve[first : first + 40_000]
        assert found == pytest.approx(piece.mean() - piece, abs=1e-7)
    past = _samples(take, event(start_s=99.0, channel=2))
    assert past is None
    (only,) = channels_of([record("2026-01-04", path=str(tmp_path / "gone.wav"))])
    assert _samples(only.takes[0], events[0]) is None
