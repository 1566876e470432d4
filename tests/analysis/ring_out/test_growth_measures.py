"""What is measured of one rise, on tracks written by hand and on tones made for it."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.analysis.ring_out.growth import (
    _company,
    _decimated,
    _inside,
    _new_overtones,
    _partials,
    _stands_until,
    find_slopes,
)
from shaping.analysis.ring_out.ridges import Peaks
from shaping.analysis.ring_out.tones import phasor, refine_tone
from shaping.analysis.ring_out.tracks import Track
from shaping.analysis.spectra import Spectrogram

HOP_S = 0.02
PLACE = 30  # 300 Hz in bins of 10 Hz
FRAMES = 40


def track(
    *others: tuple[int, int, float], level_db: np.ndarray | None = None, stood: str = ""
) -> Track:
    """Return a track at 300 Hz that rises by 1 dB a frame from -60 dB.

    `others` are peaks of other tones: frame, frequency in Hz and level; they are in the power too.
    """
    level = -60.0 + np.arange(FRAMES) if level_db is None else level_db
    power_db = np.full((FRAMES, 200), -120.0, np.float32)
    power_db[:, PLACE] = level
    for frame, hz, height in others:
        power_db[frame, round(hz / 10)] = height
    peaks = sorted([*((n, 300.0, float(level[n])) for n in range(FRAMES)), *others])
    frame, hertz, height = (np.array(part) for part in zip(*peaks, strict=True))
    return Track(
        Spectrogram(HOP_S * np.arange(FRAMES), 10.0 * np.arange(200), power_db),
        Peaks(frame, hertz.astype(float), height.astype(float), np.full(frame.size, 20.0)),
        0,
        300.0,
        np.asarray(level, float),
        np.array([c == "x" for c in stood], bool) if stood else np.ones(FRAMES, bool),
    )


def test_partials_are_looked_for_two_thirds_up() -> None:
    assert [_inside(0, 30), _inside(10, 13), _inside(5, 5)] == [20, 12, 5]


@pytest.mark.parametrize(
    ("stood", "until"),
    [
        ("xxxxx", 4),
        ("xxxxx..........", 4),
        ("xxxxx.........xx", 15),  # 0.2 s from one to the next
        ("xxxxx..........xx", 4),  # 0.22 s
        ("xx.............", 2),  # nothing later: where the rise ended
    ],
)
def test_it_stands_until_a_gap_of_a_fifth_of_a_second(stood: str, until: int) -> None:
    assert _stands_until(track(stood=stood), 2) == until


@pytest.mark.parametrize(
    ("hz", "counts"),
    [
        (600, True),
        (900, True),
        (1200, True),
        (150, True),
        (100, True),
        (450, True),
        (200, True),
        (1500, False),  # no member of the family that is asked for
        (750, False),
        (609, True),  # within a bin at twice the frequency
        (610, False),
        (153, True),  # within 0.35 bins below
        (154, False),
    ],
)
def test_tones_at_simple_ratios_that_rise_along_are_family(hz: int, counts: bool) -> None:
    assert _company(track((20, hz, -50.0)), 0, 30)[0] == int(counts)


@pytest.mark.parametrize(
    ("height_db", "before_db", "counts"),
    [
        (-74.9, -120.0, True),  # 35 dB below the tone, which is at -40 there
        (-75.1, -120.0, False),
        (-50.0, -60.1, True),  # has risen by more than half of the tone's 20 dB
        (-50.0, -59.9, False),
    ],
)
def test_family_is_near_in_level_and_has_risen_half_as_far(
    height_db: float, before_db: float, counts: bool
) -> None:
    made = track((0, 600, before_db), (20, 600, height_db))
    assert _company(made, 0, 30)[0] == int(counts)


@pytest.mark.parametrize(("height_db", "counts"), [(-74.9, 1), (-75.0, 0)])
def test_harmonics_from_the_second_to_the_fifth_are_partials(height_db: float, counts: int) -> None:
    for hz, named in ((600, 1), (900, 1), (1200, 1), (1500, 1), (1800, 0), (450, 0)):
        assert _partials(track((20, hz, height_db)), 20) == counts * named
    assert _partials(track((20, 604, -50.0)), 20) == 1
    assert _partials(track((20, 605, -50.0)), 20) == 0  # half a bin off
    assert _partials(track((19, 600, -50.0)), 20) == 0
    assert _partials(track((20, 600, -50.0), (20, 900, -50.0)), 20) == 2


@pytest.mark.parametrize(
    ("height_db", "before_db", "counts"),
    [
        (-50.0, -70.0, 1),
        (-50.0, -66.1, 1),  # 6 dB more than the tone's own 10 dB from frame 20 to 30
        (-50.0, -65.9, 0),
        (-79.9, -120.0, 1),  # 50 dB below the tone's -30
        (-80.1, -120.0, 0),
    ],
)
def test_overtones_that_come_up_late_and_faster_are_a_clipped_howls(
    height_db: float, before_db: float, counts: int
) -> None:
    made = track((20, 900, before_db), (30, 900, height_db))
    assert _new_overtones(made, 20, 30) == counts


def test_samples_are_thinned_out_as_far_as_the_band_allows() -> None:
    noise = np.random.default_rng(1).standard_normal(4800).astype(np.float32)
    same, rate = _decimated(noise, 48_000, 12_000.0)
    assert (same is noise, rate) == (True, 48_000.0)  # 2.6 times 12 kHz are 31.2 kHz
    third, rate = _decimated(noise, 48_000, 6000.0)
    assert (third.size, rate) == (1600, 16_000.0)
    same, rate = _decimated(noise, 8000, 6000.0)
    assert rate == 8000.0


RATE = 16_000


def made_up(
    hz: float,
    slope_db_per_s: float,
    *,
    start_s: float = 1.0,
    rise_db: float = 50.0,
    hold_s: float = 1.0,
) -> np.ndarray:
    """Return a tone that grows from -60 dB to -10 dB and holds, over noise at -90 dB a bin."""
    time = np.arange(5 * RATE) / RATE
    level = np.minimum(-60 + slope_db_per_s * (time - start_s), -60 + rise_db)
    stop_s = start_s + rise_db / slope_db_per_s + hold_s
    level = np.where((time < start_s) | (time > stop_s), -200.0, level)
    noise = 10 ** (-70 / 20) * np.random.default_rng(2).standard_normal(time.size)
    return (10 ** (level / 20) * np.sin(2 * np.pi * hz * time) + noise).astype(np.float32)


def test_a_rise_is_measured_from_foot_to_top() -> None:
    slopes = find_slopes(made_up(700.0, 50.0), RATE)
    best = max(slopes.growths, key=lambda g: g.rise_db)
    assert best.frequency_hz == pytest.approx(700.0, abs=0.05)
    assert best.slope_db_per_s == pytest.approx(50.0, abs=1.0)
    assert best.steepest_db_per_s == pytest.approx(50.0, abs=2.5)
    assert best.deviation_db < 1.0
    assert (best.family, best.partials, best.overtones) == (0, 0, 0)
    assert best.stop_s == pytest.approx(2.0, abs=0.1)
    assert best.stood_until_s == pytest.approx(3.0, abs=0.15)
    assert best.peak_db == pytest.approx(-10.0, abs=0.3)
    assert best.share_db == pytest.approx(0.0, abs=0.01)
    assert best.held_db == pytest.approx(1.5, abs=1.5)  # the line ends a little below the top
    assert best.wander_hz < 0.3
    assert best.contrast_db > 40
    assert best.contrast_before_db < best.contrast_db - 25


def test_a_fall_is_a_rise_backwards() -> None:
    forwards = made_up(700.0, 50.0)
    slopes = find_slopes(forwards[::-1].copy(), RATE)
    best = max(slopes.falls, key=lambda g: g.rise_db)
    assert best.slope_db_per_s == pytest.approx(50.0, abs=1.0)
    assert best.start_s == pytest.approx(5.0 - 2.0, abs=0.1)
    assert best.stop_s == pytest.approx(4.0, abs=0.3)
    assert best.start_s < best.stop_s
    assert not [g for g in slopes.growths if abs(g.frequency_hz - 700) < 5 and g.rise_db > 15]


@pytest.mark.parametrize(("rise_db", "seen"), [(25.0, True), (11.0, False)])
def test_small_falls_tell_nothing(rise_db: float, seen: bool) -> None:
    forwards = made_up(700.0, 40.0, rise_db=rise_db)
    falls = find_slopes(forwards[::-1].copy(), RATE).falls
    assert any(abs(f.frequency_hz - 700) < 5 for f in falls) is seen


def test_a_phasor_has_the_tones_size_at_the_windows_centres() -> None:
    time = np.arange(8000) / 8000
    samples = (0.3 * np.sin(2 * np.pi * 400 * time + 0.7)).astype(np.float32)
    at_s, value = phasor(samples, 8000, 400.0, start_s=0.2, stop_s=0.5, window_s=0.1)
    # From 0.15 to 0.55 s: windows of 0.1 s every 0.025 s.
    assert at_s == pytest.approx(0.2 + 0.025 * np.arange(13))
    assert np.abs(value) == pytest.approx(np.full(13, 0.3), rel=1e-3)
    assert np.angle(value) == pytest.approx(np.full(13, 0.7 - np.pi / 2), abs=1e-3)
    none = phasor(samples, 8000, 400.0, start_s=0.2, stop_s=0.2, window_s=0.1)
    assert none[0].size == none[1].size == 0
    three = phasor(samples, 8000, 400.0, start_s=0.2, stop_s=0.25, window_s=0.1)
    assert three[0].size == 3


def test_a_phasor_off_the_tone_turns_with_the_difference() -> None:
    time = np.arange(8000) / 8000
    samples = np.sin(2 * np.pi * 402 * time).astype(np.float32)
    at_s, value = phasor(samples, 8000, 400.0, start_s=0.1, stop_s=0.9, window_s=0.1)
    turned = np.polyfit(at_s, np.unwrap(np.angle(value)), 1)[0]
    assert turned / (2 * np.pi) == pytest.approx(2.0, abs=1e-3)


def test_the_error_of_a_tone_is_what_repeated_noise_shows() -> None:
    """The stated standard deviation against the spread over forty draws."""
    time = np.arange(4800) / 8000
    tone = np.sin(2 * np.pi * 500 * time)
    found = []
    for seed in range(40):
        noise = 0.5 * np.random.default_rng(seed).standard_normal(time.size)
        one = refine_tone((tone + noise).astype(np.float32), 8000, 500.5, start_s=0.0, stop_s=0.6)
        assert one is not None
        found.append((one.frequency_hz, one.error_hz))
    hz, error = np.array(found).T
    assert np.mean(hz) == pytest.approx(500.0, abs=0.05)
    assert 0.6 < np.std(hz) / np.median(error) < 1.7


def test_power_decides_which_part_of_a_tone_counts() -> None:
    """A tone that jumps from 500 to 503 Hz and is ten times as strong after."""
    time = np.arange(8000) / 8000
    loud = time >= 0.5
    phase = 2 * np.pi * np.cumsum(np.where(loud, 503.0, 500.0)) / 8000
    samples = (np.where(loud, 1.0, 0.1) * np.sin(phase)).astype(np.float32)
    found = refine_tone(samples, 8000, 501.0, start_s=0.0, stop_s=1.0)
    assert found is not None
    assert found.frequency_hz == pytest.approx(502.8, abs=0.1)
    assert found.wander_hz == pytest.approx(0.3, abs=0.2)  # 3 Hz in a hundredth of the power


def test_silence_and_scraps_are_no_tone() -> None:
    assert refine_tone(np.zeros(8000, np.float32), 8000, 500.0, start_s=0.0, stop_s=1.0) is None
    ones = np.ones(300, np.float32)
    assert refine_tone(ones, 8000, 500.0, start_s=0.0, stop_s=0.01) is None


def test_the_steepest_half_second_is_told_of_a_growth_that_quickens() -> None:
    """From 20 to 80 dB/s over two seconds: the last half second runs at 65 to 80 dB/s."""
    time = np.arange(6 * RATE) / RATE
    since = np.clip(time - 1.0, 0.0, 2.0)
    level = np.where(time < 1.0, -200.0, -110 + 20 * since + 15 * since**2)
    level = np.where(time > 3.5, -200.0, level)
    noise = 10 ** (-85 / 20) * np.random.default_rng(3).standard_normal(time.size)
    samples = 10 ** (level / 20) * np.sin(2 * np.pi * 700 * time) + noise
    growths = find_slopes(samples.astype(np.float32), RATE).growths
    best = max(growths, key=lambda g: g.steepest_db_per_s)
    assert best.steepest_db_per_s == pytest.approx(72.5, abs=2.0)
    assert best.slope_db_per_s < best.steepest_db_per_s - 2.0
