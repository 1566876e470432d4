"""The whole of a wedge's measurement on a made device: levels, takes, and all that goes wrong."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.analysis.loop.response import estimate_loop_response
from shaping.analysis.loop.stability import LONGEST_LOOP_DELAY_S, may_be_own_delay
from shaping.errors import DeviceError, ParameterError
from shaping.live import level, measuring
from shaping.live.measuring import TRIES, Asked, SoundStopped, listen, measure_wedge
from shaping.live.player import SILENCE_BEFORE_S
from shaping.live.stopping import Cause, Stop
from tests.live.made_device import MadeDevice

RATE = 48_000
ASKED = Asked(0, (0, 1), ("lead", "choir"), duration_s=4.0)


LEAD, CHOIR = ((480, 0.5), (620, 0.1), (1900, -0.05)), ((900, 0.2), (1700, 0.04))


@pytest.fixture(autouse=True)
def no_watcher(request, monkeypatch):
    """Watching takes most of the time, and only one test is about it."""
    if "watched" not in request.fixturenames:
        monkeypatch.setattr(measuring.Watcher, "feed", lambda _self, _block: [])


@pytest.fixture
def watched():
    """Ask for the watcher."""


def device(mics=(LEAD, CHOIR), **more) -> MadeDevice:
    return MadeDevice(mics, **more)


def measured(made, asked=ASKED, stop=None):
    said: list[str] = []
    stop = stop or Stop()
    quiet = listen(made, asked, stop)
    return measure_wedge(made, asked, quiet, stop, say=said.append), said


def test_the_level_is_the_one_that_gives_twenty_decibels_and_no_more():
    made = device(noise_dbfs=-75.0)
    take, _ = measured(made)
    assert take.snr_db.min() == pytest.approx(level.WANTED_SNR_DB, abs=1.5)
    rms = np.sqrt(np.mean(take.reference[RATE:-RATE] ** 2))
    assert 20 * np.log10(rms) == pytest.approx(take.level_dbfs, abs=0.2)
    highest = max(float(np.abs(one).max()) for one in made.fed)
    assert 20 * np.log10(highest) <= take.level_dbfs + 15.0  # peaks, and a window of rise


def test_a_noisy_room_gets_the_level_asked_for_and_a_note():
    take, _ = measured(device(noise_dbfs=-48.0))
    assert take.level_dbfs == ASKED.level_dbfs
    assert "choir" in take.notes[0]


@pytest.mark.slow
def test_the_rise_begins_inaudibly_and_is_slow():
    made = device()
    measured(made)
    rise, block = made.fed[1], RATE // 10
    starts = range(0, rise.size - block, block)
    levels = [np.sqrt(np.mean(rise[start : start + block] ** 2)) for start in starts]
    heard_db = 20 * np.log10(np.maximum(levels, 1e-9))
    assert heard_db[: round(SILENCE_BEFORE_S * 10)].max() == pytest.approx(-180)
    assert heard_db[round(SILENCE_BEFORE_S * 10)] < -74
    climb = heard_db[heard_db > -90]
    slope, _ = np.polyfit(np.arange(climb.size - 3) / 10, climb[:-3], 1)
    assert slope == pytest.approx(level.RISE_DB_PER_S, abs=1.5)


def test_the_recording_holds_the_path_to_a_sample_and_a_hundredth_of_a_decibel():
    made = device((((480, 0.5),), ((1001, -0.25),)), noise_dbfs=-110.0)
    take, _ = measured(made)
    for mic, (delay, gain) in enumerate([(480, 0.5), (1001, 0.25)]):
        loop = estimate_loop_response(
            take.recorded[:, mic], take.reference, capture_rate_hz=RATE, reference_rate_hz=RATE
        )
        # The made device hands its output to the mics one block later.
        wanted = SILENCE_BEFORE_S + (delay + made.block) / RATE
        assert loop.delay_s * RATE == pytest.approx(wanted * RATE, abs=1)
        band = loop.trusted & (loop.frequency_hz > 200) & (loop.frequency_hz < 8000)
        error_db = 20 * np.log10(np.abs(loop.response[band]) / gain)
        assert abs(np.median(error_db)) < 0.01


@pytest.mark.parametrize("block", [64, 4096])
def test_the_delay_of_a_take_is_never_promised_as_the_loops_own(block):
    """The same path through short and long buffers: only the computer's own delay differs."""
    made = device((LEAD,), block=block)
    take, _ = measured(made, Asked(0, (0,), ("lead",), duration_s=2.0))
    loop = estimate_loop_response(
        take.recorded[:, 0], take.reference, capture_rate_hz=RATE, reference_rate_hz=RATE
    )
    assert loop.delay_s > SILENCE_BEFORE_S > LONGEST_LOOP_DELAY_S
    assert not may_be_own_delay(loop.delay_s)


@pytest.mark.slow
def test_a_take_that_lost_a_block_is_taken_again():
    made = device()
    before = device()
    measured(before)
    rise_and_listen = sum(len(one) for one in before.fed[:2]) // made.block
    made.flagged = {rise_and_listen + 200}
    take, said = measured(made)
    assert take.again == 1
    assert any("does not count" in line for line in said)


@pytest.mark.slow
def test_two_hundred_lost_blocks_are_told_and_nothing_is_kept():
    made = device(flagged=set(range(0, 20_000, 97)))
    with pytest.raises(DeviceError, match=f"every one of {TRIES} takes"):
        measured(made)
    assert not made.fed[-1][-made.block :].any()


def test_nothing_arrives_where_the_output_feeds_something_else():
    made = device(((), ()))
    with pytest.raises(DeviceError, match="output 1 may feed something else"):
        measured(made)


def test_a_howl_stops_it_and_the_output_is_silent_for_good(watched):
    def howl(heard, at_s):
        if at_s > 3.0:
            t = at_s + np.arange(len(heard)) / RATE
            tone = 10 ** ((-75 + 40 * (t - 3.0)) / 20) * np.sin(2 * np.pi * 1234 * t)
            heard[:, 0] += np.minimum(tone, 1).astype(np.float32)

    made = device(disturb=howl)
    with pytest.raises(SoundStopped, match="lead") as stopped:
        measured(made)
    assert stopped.value.cause in (Cause.CLIMBING, Cause.RING)
    assert not made.fed[-1][-made.block :].any()


@pytest.mark.slow
def test_clipping_stops_it():
    def clip(heard, at_s):
        if at_s > 4.0:
            heard[:, 1] = 1.0

    with pytest.raises(SoundStopped, match="choir clipped"):
        measured(device(disturb=clip))


def test_an_input_that_falls_silent_stops_it_and_is_named():
    def pull_the_cable(heard, at_s):
        if at_s > 2.5:
            heard[:, 1] = 0.0

    made = device(disturb=pull_the_cable)
    with pytest.raises(SoundStopped, match="choir fell silent") as stopped:
        measured(made)
    assert stopped.value.cause is Cause.GONE
    assert not made.fed[-1][-made.block :].any()


def test_a_key_stops_it():
    stop = Stop()
    made = device(disturb=lambda _heard, at_s: stop.ask(Cause.KEY) if at_s > 3.5 else None)
    with pytest.raises(SoundStopped) as stopped:
        measured(made, stop=stop)
    assert stopped.value.cause is Cause.KEY


@pytest.mark.parametrize("level_dbfs", [-20.0, -19.9])
def test_no_option_lifts_the_ceiling(level_dbfs):
    if level_dbfs > level.HIGHEST_LEVEL_DBFS:
        with pytest.raises(ParameterError, match="nothing louder"):
            Asked(0, (0,), ("a",), level_dbfs=level_dbfs)
    else:
        Asked(0, (0,), ("a",), level_dbfs=level_dbfs)


def test_inputs_are_told_apart_before_anything_plays():
    noise = np.random.default_rng(0).standard_normal((RATE, 4)) * 1e-3
    noise[:, 1] = 0.0
    noise[500, 2] = 1.0
    noise[:, 3] *= 30
    quiet = level.quiet_of(noise.astype(np.float32), RATE)
    stops, notes = level.input_problems(quiet, ["a", "b", "c", "d"])
    assert [line[:10] for line in stops] == ["b is silen", "c clips wi"]
    assert [line[:7] for line in notes] == ["d hears"]


@pytest.mark.parametrize(
    ("heard_db", "wanted"), [(20.0, -50.0), (19.9, -49.5), (0.0, -30.0), (40.0, -70.0)]
)
def test_the_level_for_what_was_heard(heard_db, wanted):
    assert level.level_for(heard_db, -50.0, -30.0) == wanted
