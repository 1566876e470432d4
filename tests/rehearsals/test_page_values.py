"""What the page of a scan shows: numbers in, words and places out."""

from __future__ import annotations

import io
from pathlib import Path

import matplotlib.image
import numpy as np
import pytest
import soundfile

from shaping.rehearsals.channels import Channel, channels_of
from shaping.rehearsals.events import Event
from shaping.rehearsals.page import (
    Line,
    _axis,
    _card,
    _noisiest_first,
    _period,
    _rate,
    _recurring,
    _thinned,
    _timeline,
    _y,
    badness,
)
from shaping.rehearsals.page.excerpts import Excerpt, _palette, _picture, _png, _samples, _sound
from tests.rehearsals.event_makers import event, record


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
    assert _period(["2026-01-04"]) == "2026-01-04"
    assert _period(["2026-01-04", "2026-01-11"]) == "2026-01-04 to 2026-01-11, 2 dates"


def test_the_noisiest_channel_comes_first() -> None:
    calm, doubtful, noisy = (
        channel(),
        channel(event(confidence=0.5), event(confidence=0.5)),
        channel(event()),
    )
    assert _noisiest_first((calm, doubtful, noisy)) == [noisy, doubtful, calm]


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
    bottom, top = _y(80.0), _y(12_000.0)
    assert bottom > top
    assert _y((80.0 * 12_000.0) ** 0.5) == pytest.approx((bottom + top) / 2)
    assert (_y(10.0), _y(20_000.0)) == (bottom, top)
    assert [_axis(hz) for hz in (125.0, 1000.0, 2500.0)] == ["125", "1k", "2.5k"]


def test_a_timeline_sets_takes_end_to_end() -> None:
    records = [
        record("2026-01-04", event(start_s=1800.0, duration_s=3.0)),
        record("2026-01-11", event(start_s=1800.0, duration_s=60.0, confidence=0.5)),
    ]
    (found,) = channels_of(records)
    line = _timeline(found)
    first, second = line.marks
    left, right = line.dates[0].at, line.dates[1].at
    # Half of each hour: a quarter and three quarters of the whole.
    assert first.x == pytest.approx((left + right) / 2, abs=0.1)
    assert second.x - first.x == pytest.approx(right - left, abs=0.1)
    assert (first.radius, second.radius) == (3.5, 5.2)  # 2.5 and a third of 3 s, of 8 s at most
    assert (first.sure, second.sure) == (True, False)
    assert first.y == pytest.approx(_y(1000.0), abs=0.05)
    assert first.text.startswith("2026-01-04: 1.00 kHz at ")
    assert first.text.endswith(" for 3.0 s")
    assert line.summary == "channel 1: 2 events over 2 dates"


def test_labels_that_would_run_into_each_other_are_left_out() -> None:
    lines = [Line(100.0, "a"), Line(161.9, "b"), Line(162.0, "c"), Line(200.0, "d")]
    # After a label left out the next one stands.
    assert [line.text for line in _thinned(lines)] == ["a", "", "c", ""]
    assert _thinned([Line(10_000.0, "late")])[0].text == ""


def test_a_card_places_the_event_in_its_picture() -> None:
    found = channel(event(1000.0, start_s=10.0, duration_s=1.3))
    card = _card(found.takes[0].events[0], found.takes[0], found, None)
    assert card.line_y == 64.0  # 1 kHz lies midway between 100 Hz and 10 kHz
    assert card.start_x == pytest.approx(320 * 1.2 / 5, abs=0.05)
    assert card.stop_x == pytest.approx(320 * 2.5 / 5, abs=0.05)
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
    ramp = np.arange(10 * 1000) / 20_000
    path = tmp_path / "take.wav"
    soundfile.write(path, np.stack([ramp, -ramp], axis=1), 1000, subtype="DOUBLE")
    events = (event(start_s=3.0, channel=2), event(start_s=0.5, channel=2))
    day = record("2026-01-04", *events, channels=2, path=str(path))
    _, second = channels_of([day])
    take = second.takes[0]
    late, early = (_samples(take, one) for one in take.events)
    assert late is not None
    assert early is not None
    assert (late.size, late[0]) == (5000, pytest.approx(-1.8 / 20))  # 1.2 s before
    assert (early.size, early[0]) == (5000, 0.0)
    past = _samples(take, event(start_s=99.0, channel=2))
    assert past is None
    (only,) = channels_of([record("2026-01-04", path=str(tmp_path / "gone.wav"))])
    assert _samples(only.takes[0], events[0]) is None
