"""One sound through a player: what comes out, block by block, whatever happens."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.errors import ParameterError
from shaping.live.guard import CLIMB_DB, FELL_SILENT_S, Guard
from shaping.live.player import HIGHEST_PEAK_DBFS, SILENCE_BEFORE_S, STOP_FADE_S, Player
from shaping.live.stopping import Cause, Stop

RATE = 48_000
BLOCK = 480


def player(sound, *, guard=None, stop=None, inputs=(0,)) -> Player:
    return Player(
        np.asarray(sound, np.float32),
        RATE,
        output=1,
        inputs=inputs,
        guard=guard,
        stop=stop or Stop(),
    )


def run(player, heard=lambda n: 0.0, *, ask=None, flagged=()):
    """Run to the end; return what was played on both outputs."""
    played = []
    for number in range(10_000):
        if ask is not None and number == ask[0]:
            player.stop.ask(ask[1])
        out = np.full((BLOCK, 2), 9.0, np.float32)
        indata = np.full((BLOCK, 1), heard(number), np.float32)
        done = player.block(indata, out, flagged=number in flagged)
        played.append(out)
        if done:
            return np.concatenate(played)
    raise AssertionError("it never ended")


def test_what_is_played_is_the_sound_after_a_moment_of_silence():
    sound = 0.1 * np.sin(np.arange(RATE))
    played = run(player(sound))
    start = round(SILENCE_BEFORE_S * RATE)
    np.testing.assert_array_equal(played[start : start + RATE, 1], sound.astype(np.float32))
    assert not played[:start, 1].any()
    assert not played[:, 0].any()


def test_what_is_recorded_is_what_came():
    one = player(np.zeros(RATE))
    run(one, lambda n: n / 1000)
    recorded = one.taken().recorded[:, 0]
    np.testing.assert_array_equal(
        recorded, np.repeat(np.arange(recorded.size // BLOCK), BLOCK).astype(np.float32) / 1000
    )


@pytest.mark.parametrize("over_db", [-0.01, 0.01])
def test_nothing_over_the_ceiling_is_played_whatever_is_asked(over_db):
    sound = np.zeros(100)
    sound[50] = 10 ** ((HIGHEST_PEAK_DBFS + over_db) / 20)
    if over_db > 0:
        with pytest.raises(ParameterError, match="dBFS"):
            player(sound)
    else:
        player(sound)


def test_values_that_are_no_numbers_are_not_played():
    with pytest.raises(ParameterError):
        player([0.0, np.nan])


@pytest.mark.parametrize("cause", list(Cause))
def test_a_stop_fades_within_ten_milliseconds_and_stays_silent(cause):
    asked_at = 100
    played = run(player(np.full(3 * RATE, 0.1)), ask=(asked_at, cause))[:, 1]
    stop = asked_at * BLOCK
    faded = round(STOP_FADE_S * RATE)
    assert played[stop - 1] == np.float32(0.1)
    assert not played[stop + faded :].any()
    steps = np.diff(played[stop - 1 : stop + faded + 1])
    assert (steps <= 0).all()
    assert np.abs(steps).max() < 0.1 / 100  # no click


def test_a_stopped_player_never_starts_again():
    one = player(np.full(RATE, 0.1))
    run(one, ask=(80, Cause.KEY))
    one.stop.cause = None
    out = np.full((BLOCK, 2), 9.0, np.float32)
    assert one.block(np.zeros((BLOCK, 1), np.float32), out, flagged=False)
    assert not out.any()


def test_the_first_cause_is_kept():
    stop = Stop()
    stop.ask(Cause.CLIPPED, 2)
    stop.ask(Cause.KEY)
    assert (stop.cause, stop.channel) == (Cause.CLIPPED, 2)


def test_lost_blocks_count_while_the_sound_does_and_not_before_it_settles():
    settled = round(0.3 * RATE) // BLOCK
    one = player(np.full(RATE, 0.01))
    run(one, flagged=(0, settled - 1, settled, 60, 149, 151, 200))
    assert one.taken().lost == 3


def echo(number: int) -> float:
    """What a path of -20 dB makes of a sound of -20 dBFS, and the room's noise before and after."""
    return 0.01 if 50 <= number < 150 else 1e-3


def guard(noise_db=-60.0, path_db=-20.0) -> Guard:
    path = None if path_db is None else np.array([path_db])
    return Guard(np.array([noise_db]), path, RATE)


@pytest.mark.parametrize(("over_db", "stops"), [(-0.3, False), (0.3, True)])
def test_an_input_that_climbs_stops_it(over_db, stops):
    """Played at -20 dBFS the mic is to hear -40 dBFS, and may hear CLIMB_DB more."""
    amplitude = 10 ** ((-40 + CLIMB_DB + over_db) / 20)
    one = player(np.full(RATE, 0.1), guard=guard())
    played = run(one, lambda n: amplitude if 100 <= n < 110 else echo(n))[:, 1]
    assert one.taken().cause is (Cause.CLIMBING if stops else None)
    if stops:
        silent = np.flatnonzero(played)[-1] + 1
        assert silent - 100 * BLOCK <= 0.05 * RATE


def test_one_short_click_is_no_climb():
    one = player(np.full(RATE, 0.1), guard=guard())
    run(one, lambda n: 0.9 if n in (100, 101) else echo(n))
    assert one.taken().cause is None


@pytest.mark.parametrize(
    ("silent_s", "stops"), [(FELL_SILENT_S - 0.01, False), (FELL_SILENT_S, True)]
)
def test_an_input_that_brings_nothing_any_more_stops_it(silent_s, stops):
    one = player(np.full(2 * RATE, 0.1), guard=guard())
    from_block, blocks = 100, round(silent_s * RATE / BLOCK)
    run(one, lambda n: 0.0 if from_block <= n < from_block + blocks else 1e-4)
    assert one.taken().cause is (Cause.GONE if stops else None)


@pytest.mark.parametrize(("peak", "stops"), [(0.998, False), (0.9995, True)])
def test_clipping_stops_it_at_once(peak, stops):
    one = player(np.full(RATE, 0.1), guard=guard(noise_db=-1.0))
    played = run(one, lambda n: peak if n == 90 else 1e-4)[:, 1]
    assert one.taken().cause is (Cause.CLIPPED if stops else None)
    if stops:
        assert np.flatnonzero(played)[-1] < 90 * BLOCK + STOP_FADE_S * RATE


def test_while_rising_the_path_is_learnt_and_a_howl_stands_out():
    level_db = np.linspace(-80, -30, 4 * RATE)
    sound = 10 ** (level_db / 20)
    before = round(SILENCE_BEFORE_S * RATE) // BLOCK

    def heard(number, howl=False):
        at = min(max((number - before) * BLOCK, 0), sound.size - 1)
        grown = 10 ** ((-90 + 40 * (number * BLOCK / RATE - 2)) / 20) if howl else 0.0
        return max(0.3 * sound[at], 1e-3, grown)

    quiet = player(sound, guard=guard(noise_db=-58.0, path_db=None))
    run(quiet, heard)
    assert quiet.taken().cause is None
    assert quiet.taken().path_db[0] == pytest.approx(20 * np.log10(0.3), abs=0.7)
    howling = player(sound, guard=guard(noise_db=-58.0, path_db=None))
    run(howling, lambda n: heard(n, howl=True))
    assert howling.taken().cause is Cause.CLIMBING
