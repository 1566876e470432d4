"""Rings in made-up captures whose truth is known by construction."""

import numpy as np
import pytest
from scipy import signal

from shaping.analysis.ring_out.rings import find_rings

RATE = 32000


def _noise(duration_s, level_db=-60.0, seed=0, rate=RATE):
    count = round(duration_s * rate)
    return np.random.default_rng(seed).standard_normal(count) * 10 ** (level_db / 20)


def _howl(
    frequency_hz,
    growth_db_per_s,
    *,
    start_s,
    hold_s,
    duration_s,
    rate=RATE,
    top_db=-10.0,
):
    """A tone that grows by 90 dB in a straight line to `top_db`, stays, and is pulled back."""
    rise_db = 90
    time = np.arange(round(duration_s * rate)) / rate
    grown = growth_db_per_s * (time - start_s)
    level = top_db - rise_db + np.minimum(grown, rise_db)
    end_s = start_s + rise_db / growth_db_per_s + hold_s
    level = np.where(time > end_s, level - 150 * (time - end_s), level)
    level = np.where(time < start_s, -200, level)
    return 10 ** (level / 20) * np.sin(2 * np.pi * frequency_hz * time)


def _certain(samples, rate=RATE):
    found = find_rings(samples.astype(np.float32), rate)
    return [r for r in found if r.certain]


@pytest.mark.parametrize("rate", [8000, 44100, 96000, 192000])
@pytest.mark.parametrize("frequency_hz", [112.0, 812.3, 3127.0])
def test_howl_is_found_with_its_growth_at_any_sample_rate(rate, frequency_hz):
    howl = _howl(frequency_hz, 80.0, start_s=1.0, hold_s=1.0, duration_s=4.0, rate=rate)
    (ring,) = _certain(howl + _noise(4.0, rate=rate), rate)
    assert ring.frequency_hz == pytest.approx(frequency_hz, rel=1e-3)
    assert ring.growth_db_per_s == pytest.approx(80.0, rel=0.05)
    assert ring.peak_dbfs == pytest.approx(-10.0, abs=0.5)
    assert ring.occurrences == 1
    assert ring.duration_s == pytest.approx(2.5, abs=0.3)  # stands out from about -85 dB


def test_two_howls_at_once_are_told_apart_and_the_faster_is_more_urgent():
    slow = _howl(450.0, 30.0, start_s=0.5, hold_s=0.5, duration_s=6.0)
    fast = _howl(2210.0, 90.0, start_s=1.5, hold_s=0.5, duration_s=6.0)
    rings = _certain(slow + fast + _noise(6.0))
    assert [round(r.frequency_hz) for r in rings] == [2210, 450]


def test_clipped_howl_gives_its_fundamental_only():
    howl = _howl(700.0, 60.0, start_s=0.5, hold_s=1.0, duration_s=4.0, top_db=12.0)
    (ring,) = _certain(np.clip(howl, -0.5, 0.5) + _noise(4.0))
    assert ring.frequency_hz == pytest.approx(700.0, rel=1e-3)
    assert ring.clipped
    assert "clip" in ring.evidence


def test_products_of_two_clipped_howls_are_left_out():
    """Clipped as an amplifier clips, before sampling: made at six times the rate."""
    fine = 6 * RATE
    one = _howl(700.0, 60.0, start_s=0.5, hold_s=1.5, duration_s=4.0, top_db=6.0, rate=fine)
    two = _howl(1130.0, 60.0, start_s=0.6, hold_s=1.4, duration_s=4.0, top_db=6.0, rate=fine)
    sampled = signal.resample_poly(np.clip(one + two, -0.7, 0.7), 1, 6)
    rings = _certain(sampled + _noise(4.0))
    assert sorted(round(r.frequency_hz) for r in rings) == [700, 1130]


def test_returning_howl_is_one_ring_with_its_occurrences():
    howls = sum(
        _howl(1250.0, 80.0, start_s=s, hold_s=0.4, duration_s=12.0) for s in (0.5, 4.0, 8.0)
    )
    (ring,) = _certain(howls + _noise(12.0))
    assert ring.occurrences == 3
    assert [round(start, 1) for start, _ in ring.spells] == [
        pytest.approx(s, abs=0.4) for s in (0.6, 4.1, 8.1)
    ]
    assert ring.onset_s == pytest.approx(0.7, abs=0.3)
    assert "3 times" in ring.evidence


def test_hum_is_no_ring():
    time = np.arange(6 * RATE) / RATE
    hum = sum(10 ** (-(30 + 3 * k) / 20) * np.sin(2 * np.pi * 50 * k * time) for k in range(1, 12))
    louder = np.interp(time, [0, 2, 4, 6], [1, 1, 4, 4])
    assert _certain(hum * louder + _noise(6.0)) == []


def test_held_notes_are_no_rings():
    """Quick attack, steady level, partials, vibrato: what players do."""
    time = np.arange(8 * RATE) / RATE
    vibrato = 5 / 5.5 * np.sin(2 * np.pi * 5.5 * time)
    notes = np.zeros_like(time)
    for onset, pitch in ((0.5, 262.0), (3.0, 392.0), (5.5, 523.0)):
        shape = np.interp(time, [onset, onset + 0.06, onset + 2, onset + 2.2], [0, 1, 0.8, 0])
        for k in range(1, 8):
            notes += 0.2 / k * shape * np.sin(2 * np.pi * k * pitch * time + k * vibrato)
    assert _certain(notes + _noise(8.0)) == []


def test_steady_tone_from_the_start_is_no_certain_ring():
    time = np.arange(5 * RATE) / RATE
    assert _certain(0.1 * np.sin(2 * np.pi * 1000 * time) + _noise(5.0)) == []


@pytest.mark.parametrize("count", [0, 1, 500, 4 * RATE])
def test_silence_and_scraps_hold_no_ring(count):
    assert find_rings(np.zeros(count, np.float32), RATE) == ()


def test_howl_late_in_a_long_capture_keeps_its_time():
    samples = _noise(130.0, rate=8000)
    samples[-10 * 8000 :] += _howl(900.0, 60.0, start_s=2.0, hold_s=1.0, duration_s=10.0, rate=8000)
    (ring,) = _certain(samples, 8000)
    assert ring.onset_s == pytest.approx(122.0, abs=0.6)


def test_ringing_on_after_every_sound_is_a_possible_ring():
    time = np.arange(8 * RATE) / RATE
    samples = _noise(8.0, -75.0)
    for onset in (0.5, 2.0, 3.6, 5.5):
        since = time - onset
        fall = np.where(since >= 0, 10 ** (-(25 + 70 * since) / 20), 0)
        burst = (since >= 0) & (since < 0.05)
        samples += fall * np.sin(2 * np.pi * 1710 * time) + 0.3 * burst * _noise(8.0, -6.0, seed=5)
    rings = find_rings(samples.astype(np.float32), RATE)
    (ring,) = [r for r in rings if abs(r.frequency_hz - 1710) < 2]
    assert not ring.certain
    assert ring.growth_db_per_s == 0.0
    assert ring.decay_db_per_s == pytest.approx(70.0, rel=0.05)
    assert ring.occurrences >= 3
    assert "Rang on after" in ring.evidence


def test_fall_of_a_howl_is_measured():
    howl = _howl(1250.0, 80.0, start_s=0.5, hold_s=0.8, duration_s=4.0)
    (ring,) = _certain(howl + _noise(4.0))
    assert ring.decay_db_per_s == pytest.approx(150.0, rel=0.1)


def test_unresolved_neighbours_are_one_ring():
    one = _howl(1250.0, 60.0, start_s=0.5, hold_s=0.8, duration_s=4.0)
    two = _howl(1251.0, 60.0, start_s=0.5, hold_s=0.8, duration_s=4.0, top_db=-16.0)
    (ring,) = _certain(one + two + _noise(4.0))
    assert 1249.5 < ring.frequency_hz < 1251.5


def test_same_howl_at_two_pitches_has_a_width():
    one = _howl(1250.0, 60.0, start_s=0.5, hold_s=0.4, duration_s=8.0)
    two = _howl(1252.0, 60.0, start_s=4.5, hold_s=0.4, duration_s=8.0)
    (ring,) = _certain(one + two + _noise(8.0))
    assert ring.width_hz == pytest.approx(2.0, abs=0.2)
    assert ring.occurrences == 2
