"""All channels of a ring-out are searched, and what rings is chosen and listed."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from shaping.capture.quality import QualityCode
from shaping.plan.ring_out.channels import ChannelRings, channels_text, read_ring_out
from tests.plan.plan_makers import ring

RATE = 48_000


@pytest.fixture(scope="module")
def multitrack(tmp_path_factory, samples_folder):
    """Six channels: loud noise on 2, the howl on 3 and, weaker, on 5."""
    howl, rate = soundfile.read(samples_folder / "vocal_wedge_ring_out.flac")
    howl = howl[: 9 * rate]
    rng = np.random.default_rng(1)
    tracks = 1e-4 * rng.standard_normal((howl.size, 6))
    tracks[:, 1] = 0.2 * rng.standard_normal(howl.size)
    tracks[:, 2] += 0.3 * howl
    tracks[:, 4] += 0.02 * howl
    path = tmp_path_factory.mktemp("tracks") / "stage.wav"
    soundfile.write(path, tracks, rate, subtype="PCM_24")
    return path


def test_the_channel_that_rings_is_taken_and_not_the_loudest(multitrack):
    capture = read_ring_out(multitrack)
    assert capture.channel == 3
    (note,) = [n for n in capture.quality if n.code == QualityCode.RINGING_CHANNEL]
    assert "All 6 channels were searched" in note.message
    assert "channel 5" in note.message
    assert QualityCode.LOUDEST_CHANNEL not in {n.code for n in capture.quality}


def test_a_channel_that_is_named_is_taken(multitrack):
    assert read_ring_out(multitrack, channel=2).channel == 2


def test_none_is_said_of_all_that_were_searched(tmp_path):
    path = tmp_path / "noise.wav"
    sound = 0.05 * np.random.default_rng(2).standard_normal((6 * RATE, 3))
    soundfile.write(path, sound * [0.1, 1.0, 0.1], RATE)
    capture = read_ring_out(path)
    assert capture.channel == 2
    assert capture.quality[0].message.startswith("All 3 channels were searched, and none rang")


def test_a_certain_ring_goes_before_a_louder_possible_one():
    sure = ChannelRings(1, (ring(500.0),))
    doubtful = ChannelRings(2, (ring(900.0, confidence=0.4),))
    assert sure.urgency > doubtful.urgency
    said = channels_text([sure, doubtful], 4, shown_channel=1)
    assert "channel 1 rings at 500 Hz" in said
    assert "channel 2 possibly rings at 900 Hz" in said


def test_six_other_channels_are_named_and_the_rest_counted():
    def said(count):
        ringing = [ChannelRings(n, (ring(400.0 + n),)) for n in range(1, count + 1)]
        return channels_text(ringing, 32, shown_channel=1)

    assert said(7).count("rings at") == 7
    assert "more do" not in said(7)
    assert said(9).count("rings at") == 7
    assert ", and 2 more do; choose one" in said(9)
