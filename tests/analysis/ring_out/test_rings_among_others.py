"""Rings that hide beside others are found; notes that swell with their partials are not certain.

Source of the cases: common practice, no published source (what ring-outs of several mics show).
"""

from __future__ import annotations

import numpy as np
import pytest

from shaping.analysis.ring_out.rings import NOTE_AT_MOST, find_rings

RATE = 48_000
CERTAIN_WITHIN = 0.001


def rising(duration_s, frequency_hz, *, start_s, rise_s, rise_db, top_db, hold_s=0.5):
    """A tone that rises in a straight line in dB, stands, and falls at 60 dB/s."""
    time_s = np.arange(round(duration_s * RATE)) / RATE - start_s
    stands = np.clip(time_s - rise_s - hold_s, 0, None)
    level_db = top_db - rise_db * np.clip(1 - time_s / rise_s, 0, 1) - 60 * stands
    level_db[time_s < 0] = -200
    return 10 ** (level_db / 20) * np.sin(2 * np.pi * frequency_hz * time_s)


def recording(seconds, tones, noise_dbfs=-72.0):
    noise = np.random.default_rng(4).standard_normal(round(seconds * RATE))
    total = 10 ** (noise_dbfs / 20) * noise
    for tone in tones:
        total = total + rising(seconds, **tone)
    return total.astype(np.float32)


def certain_hz(samples):
    return [ring.frequency_hz for ring in find_rings(samples, RATE) if ring.certain]


def howl(frequency_hz, start_s, *, rise_s=1.5, rise_db=45.0, top_db=-24.0):
    return {
        "frequency_hz": frequency_hz,
        "start_s": start_s,
        "rise_s": rise_s,
        "rise_db": rise_db,
        "top_db": top_db,
    }


@pytest.mark.parametrize(
    ("seconds", "tones"),
    [
        pytest.param(
            12.0,
            [howl(hz, 4.3 + 0.1 * n) for n, hz in enumerate((402, 811, 2203, 3120, 5011))]
            + [howl(1337.0, 4.5, top_db=-28.0)],
            id="a plain rise among five others",
        ),
        pytest.param(
            9.0, [howl(2702.0, 4.0), howl(2566.0, 4.2, top_db=-30.0)], id="a close neighbour"
        ),
        pytest.param(14.5, [howl(600.0, 3.0), howl(4400.0, 12.2, rise_s=1.2)], id="late and high"),
    ],
)
def test_every_ring_is_found_however_many_there_are(seconds, tones):
    found = certain_hz(recording(seconds, tones))
    for tone in tones:
        assert min(abs(hz / tone["frequency_hz"] - 1) for hz in found) < CERTAIN_WITHIN
    assert len(found) == len(tones)


@pytest.mark.parametrize("rise_s", [0.4, 0.8, 1.5])
@pytest.mark.parametrize("partials", [{1: 0, 2: -6}, {1: 0, 2: -12, 3: -18}])
def test_a_note_that_swells_with_its_octave_is_no_certain_ring(rise_s, partials):
    tones = [
        howl(349.2 * number, 4.0, rise_s=rise_s, rise_db=35.0, top_db=-24.0 + level_db)
        for number, level_db in partials.items()
    ]
    rings = find_rings(recording(9.0, tones), RATE)
    assert not [ring for ring in rings if ring.certain]
    assert all(ring.confidence <= NOTE_AT_MOST for ring in rings)


def test_two_howls_an_octave_apart_that_do_not_rise_together_are_both_certain():
    found = certain_hz(recording(12.0, [howl(500.0, 3.0), howl(1003.0, 7.5)]))
    assert sorted(round(hz) for hz in found) == [500, 1003]
