"""Rings named while they grow: synthetic growth in noise and speech-like sound, both sides."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.live.watch.board import MOST_ENTRIES, Board
from shaping.live.watch.measures import MEASURE_NAMES, straight_lines
from shaping.live.watch.model import APART_S, CERTAIN, Rivals, confidence_of, evidence_of
from shaping.live.watch.watcher import GONE_S, GrowingRing, Watcher
from shaping.live.watch.worth import LEAST_DB, MOST_TREMBLE_BINS, worth_a_look

RATE = 48_000


def noise(seconds: float, level_dbfs: float, seed: int = 0) -> np.ndarray:
    """Noise that falls 6 dB an octave over 300 Hz, as a choir or a room of people does."""
    rng = np.random.default_rng(seed)
    size = round(seconds * RATE)
    spectrum = np.fft.rfft(rng.standard_normal(size))
    hertz = np.fft.rfftfreq(size, 1 / RATE)
    made = np.fft.irfft(spectrum / np.maximum(hertz, 300.0), size)
    return made * 10 ** (level_dbfs / 20) / made.std()


def growing(seconds: float, hertz: float, db_per_s: float, *, start_s: float, top_db: float):
    t = np.arange(round(seconds * RATE)) / RATE
    level = np.minimum(-110 + db_per_s * (t - start_s), top_db)
    return 10 ** (level / 20) * np.sin(2 * np.pi * hertz * t)


def watched(sound, *, block: int = 1024) -> list[GrowingRing]:
    """Return the first certain naming of every ring."""
    sound = np.asarray(sound, np.float32)
    sound = sound[:, None] if sound.ndim == 1 else sound
    watcher = Watcher(RATE, sound.shape[1])
    found: dict[tuple[int, float], GrowingRing] = {}
    for start in range(0, len(sound), block):
        for ring in watcher.feed(sound[start : start + block]):
            if ring.certain:
                found.setdefault((ring.channel, ring.start_s), ring)
    return list(found.values())


def third_octave_db(sound, hertz: float) -> float:
    power = np.abs(np.fft.rfft(sound)) ** 2
    bins = np.fft.rfftfreq(sound.size, 1 / RATE)
    band = (bins > hertz * 2 ** (-1 / 6)) & (bins < hertz * 2 ** (1 / 6))
    return 10 * np.log10(2 * power[band].sum() / sound.size**2)


@pytest.mark.parametrize("hertz", [331.0, 2510.0])
def test_a_ring_of_40_db_per_s_is_named_within_half_a_second_of_standing_10_db_out(hertz):
    programme = noise(5.0, -40.0)
    stands_at = third_octave_db(programme, hertz) + 10.0
    start_s = 1.5
    sound = programme + growing(5.0, hertz, 40.0, start_s=start_s, top_db=-12.0)
    stands_s = start_s + (stands_at + 110.0 + 3.0) / 40.0  # a sine's level is 3 dB under its peak
    (ring,) = watched(sound)
    assert ring.frequency_hz == pytest.approx(hertz, rel=0.003)
    assert ring.named_s - stands_s < 0.5
    assert ring.growth_db_per_s == pytest.approx(40, rel=0.35)


def test_noise_and_a_held_chord_are_no_certain_rings():
    t = np.arange(6 * RATE) / RATE
    envelope = np.clip(t / 0.05, 0, 1) * (t % 2 < 1.7)
    chord = sum(
        np.sin(2 * np.pi * base * n * t) / n for base in (220.0, 277.2, 329.6) for n in (1, 2, 3, 4)
    )
    assert watched(noise(6.0, -40.0) + 0.02 * envelope * chord) == []


def test_channels_do_not_mix_and_blocks_of_any_length_say_the_same():
    sound = np.stack([noise(4.0, -50.0, seed) for seed in range(3)], axis=1)
    sound[:, 1] += growing(4.0, 1200.0, 60.0, start_s=0.5, top_db=-15.0)
    one, other = watched(sound, block=1024), watched(sound, block=777)
    assert [ring.channel for ring in one] == [1]
    assert [(r.channel, r.start_s, r.frequency_hz) for r in one] == [
        (r.channel, r.start_s, r.frequency_hz) for r in other
    ]


def test_a_ring_that_ends_is_gone():
    sound = noise(4.5, -50.0) + growing(4.5, 900.0, 60.0, start_s=0.3, top_db=-15.0)
    sound[3 * RATE :] = noise(1.5, -50.0, 9)
    watcher = Watcher(RATE, 1)
    changes = [
        r for at in range(0, sound.size, 1024) for r in watcher.feed(sound[at : at + 1024, None])
    ]
    (gone,) = [ring for ring in changes if ring.gone and ring.certain]
    assert gone.last_s == pytest.approx(3.0, abs=0.12)
    assert changes.index(gone) > 0
    assert watcher.rings == ()
    assert GONE_S < 1.0


def test_a_straight_line_is_found_where_one_ends_now():
    frames = np.arange(64.0)
    rising = -60 + np.maximum(frames - 24, 0)[None] * 0.8
    rising[:, :24] += 9 * (-1) ** np.arange(24)  # before it nothing is straight
    straight, _ = straight_lines(rising)
    assert straight[0][0] == pytest.approx(39 * 0.8)
    assert straight[1][0] == 40
    flat, _ = straight_lines(np.full((1, 64), -40.0))
    assert flat[0][0] == 0.0


@pytest.mark.parametrize(("name", "least"), LEAST_DB.items())
def test_what_is_worth_a_look(name, least):
    measures = np.full((2, len(MEASURE_NAMES)), 50.0)
    measures[:, MEASURE_NAMES.index("tremble_bins")] = MOST_TREMBLE_BINS
    measures[:, MEASURE_NAMES.index(name)] = [least, least - 0.1]
    assert worth_a_look(measures).tolist() == [True, False]
    measures[:, MEASURE_NAMES.index("tremble_bins")] += 0.01
    assert not worth_a_look(measures).any()


def test_other_pitches_speak_for_music_and_multiples_do_not():
    rivals = Rivals()
    for hertz in (440.0, 880.0, 587.3, 660.0):
        rivals.note(hertz, 1.0)
    assert rivals.count(440.0, 2.0) == 2
    assert rivals.count(440.0, 1.0 + APART_S - 0.01) == 0
    assert rivals.count(440.0, 1.0 + APART_S + 0.01) == 2
    assert rivals.count(440.0, 13.0) == 2
    assert rivals.count(440.0, 13.1) == 0


def test_the_sum_that_the_model_calls_certain_is_certain():
    values = np.zeros((3, len(MEASURE_NAMES)))
    assert evidence_of(values).shape == (3,)
    low, high = -20.0, 20.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if confidence_of(middle) < CERTAIN else (low, middle)
    assert 1.0 < high < 4.0
    assert confidence_of(high - 0.1) < CERTAIN < confidence_of(high + 0.1)


def ring(channel, hertz, start_s, *, last_s=None, confidence=0.9, peak=-20.0, gone=False):
    last_s = start_s + 1 if last_s is None else last_s
    return GrowingRing(channel, hertz, start_s, last_s, start_s, 40.0, peak, confidence, gone)


def test_the_board_lists_a_frequency_once_newest_first_with_the_loudest_mic():
    board = Board()
    assert len(board.take([ring(0, 500.0, 1.0), ring(1, 1000.0, 2.0)])) == 2
    assert board.take([ring(2, 502.0, 1.1, peak=-10.0)]) == []
    assert [round(e.frequency_hz) for e in board.entries] == [1000, 502]
    assert board.entries[1].loudest.channel == 2
    assert board.entries[1].channels == (0, 2)


def test_the_board_tells_again_what_became_certain_or_came_back():
    board = Board()
    board.take([ring(0, 500.0, 1.0, confidence=0.5)])
    (told,) = board.take([ring(0, 500.0, 1.0, confidence=0.9)])
    assert told.certain
    assert board.take([ring(0, 500.0, 1.0, gone=True)]) == []
    assert board.entries[0].standing == ()
    (told,) = board.take([ring(0, 501.0, 9.0)])
    assert told.times == 2
    assert board.take([ring(3, 700.0, 1.0, gone=True)]) == []


def test_the_board_is_no_longer_than_anybody_reads():
    board = Board()
    board.take([ring(0, 100.0 * 1.03**n, float(n)) for n in range(MOST_ENTRIES + 5)])
    assert len(board.entries) == MOST_ENTRIES
