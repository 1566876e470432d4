"""Which channels of which recording are which pack; what is kept for the next week."""

from __future__ import annotations

import json

import pytest

from shaping.analysis.feeds.files.feeds_form import FEEDS_FORM, Verdict
from shaping.analysis.feeds.files.known import known_feeds, state_to_json
from shaping.analysis.feeds.files.packs_file import load_packs, packs_of
from shaping.analysis.feeds.files.to_json import feeds_to_dict
from shaping.analysis.feeds.findings import SOUND, FeedCode
from shaping.analysis.feeds.measure import Signal
from shaping.analysis.feeds.thresholds import Thresholds
from shaping.analysis.feeds.verdict.judge import judge
from shaping.errors import FeedsError
from shaping.reading.form import from_json
from tests.analysis.feeds.feeds_makers import LEFT, NOTHING, RIGHT, louder, pack

SIGNAL = Signal(48_000, -24.0)


def packs_file(tmp_path, text):
    path = tmp_path / "packs.toml"
    path.write_text('schema = "shaping.packs/1"\n' + text, encoding="utf-8")
    return load_packs(str(path))


def told(packs):
    return [(one.name, one.channels, one.mono) for one in packs]


def test_without_a_packs_file_pairs_are_packs_and_files_name_them():
    packs = packs_of([("a/lead.wav", 2), ("bass.wav", 1), ("desk.wav", 4)], None)
    assert told(packs) == [
        ("lead", (1, 2), False),
        ("bass", (1,), False),
        ("desk 1+2", (1, 2), False),
        ("desk 3+4", (3, 4), False),
    ]
    assert [one.take for one in packs] == ["a/lead.wav", "bass.wav", "desk.wav", "desk.wav"]
    assert {one.take for one in packs_of([("a.wav", 2), ("b.wav", 2)], None, together=True)} == {""}


def test_two_files_of_one_name_stay_apart():
    packs = packs_of([("monday/lead.wav", 2), ("friday/lead.wav", 2)], None)
    assert len({one.name for one in packs}) == 2


def test_every_channel_a_pack_where_all_are_mono():
    assert told(packs_of([("desk.wav", 3)], None, mono=True)) == [
        ("desk 1", (1,), True),
        ("desk 2", (2,), True),
        ("desk 3", (3,), True),
    ]


def test_names_in_order_or_by_channels(tmp_path):
    form = packs_file(tmp_path, '[[pack]]\nname = "x"\n[[pack]]\nname = "y"\nmono = true\n')
    assert told(packs_of([("desk.wav", 4)], form)) == [("x", (1, 2), False), ("y", (3, 4), True)]
    text = '[[pack]]\nname = "x"\nchannels = [3, 1]\n[[pack]]\nname = "y"\nchannels = [2]\n'
    assert told(packs_of([("desk.wav", 3)], packs_file(tmp_path, text))) == [
        ("x", (3, 1), False),
        ("y", (2,), False),
    ]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('[[pack]]\nname = "x"\n', "names 1 packs and the recordings hold 2"),
        ('[[pack]]\nname = "x"\nchannels = [5]\n', "no channel 5"),
        ('[[pack]]\nname = "x"\nfile = "b.wav"\nchannels = [1]\n', "one recording called b.wav"),
        ('[[pack]]\nname = "x"\n[[pack]]\nname = "x"\n', "line 5: two packs are called x"),
        ('[[pack]]\nname = "x"\nchannels = [2, 2]\n', "line 4: x has one channel for both"),
        ("[thresholds]\nlevel = 3\n", "level_db"),
        ("[thresholds]\nhum_db = 3\n", "line 3"),
    ],
)
def test_what_does_not_fit_is_told(tmp_path, text, message):
    with pytest.raises(FeedsError, match=message):
        packs_of([("desk.wav", 4)], packs_file(tmp_path, text))


def test_every_code_is_in_the_schema():
    assert set(Verdict.__args__) == {SOUND, *map(str, FeedCode)}


def result_of(feeds):
    return feeds_to_dict(
        feeds, reference="r.wav", signal=SIGNAL, thresholds=Thresholds(), cautions=()
    )


def test_what_is_written_can_be_read_and_held_to():
    feeds = judge([pack("a"), pack("b", (NOTHING, RIGHT)), pack("c"), pack("d")], Thresholds())
    form = from_json(json.dumps(result_of(feeds)), FEEDS_FORM)
    known = known_feeds(form)
    assert set(known) == {"a", "c", "d"}
    assert [side.carries for side in known["a"].sides] == ["left", "right"]


def test_what_is_kept_of_a_failing_pack_moves_with_the_recorders_gain():
    first = judge([pack(name) for name in "abcd"], Thresholds())
    before = from_json(state_to_json(result_of(first), first, None), FEEDS_FORM)
    up = louder((LEFT, RIGHT), 6.0)
    second = judge(
        [pack("a", ()), *(pack(name, up) for name in "bcd")],
        Thresholds(),
        known=known_feeds(before),
    )
    kept = known_feeds(from_json(state_to_json(result_of(second), second, before), FEEDS_FORM))
    assert {name: one.gain_db for name, one in kept.items()} == dict.fromkeys("abcd", 6.0)
    third = judge([pack(name, up) for name in "abcd"], Thresholds(), known=kept)
    assert [one.change_db for one in third] == [0.0] * 4
