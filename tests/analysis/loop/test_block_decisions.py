"""Into which stretches a measurement is parted, and which bands are compared."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.analysis.loop import changes
from shaping.analysis.loop.compression import _bent
from shaping.analysis.loop.faults import fluctuation
from shaping.analysis.loop.live_mic import noise_likeness
from shaping.analysis.loop.reach import fall_db, roughness
from shaping.analysis.loop.traces import Traces, answer, traces

LOW_RATE = 12_000.0


def silent(seconds: float) -> Traces:
    nothing = np.zeros(round(LOW_RATE * seconds))
    return Traces(LOW_RATE, nothing, nothing, nothing)


@pytest.mark.parametrize(
    ("seconds", "block_s"),
    [(6.0, 1.5), (20.0, 2.5), (24.9, 24.9 / 9), (25.0, 2.5), (60.0, 6.0)],
)
def test_blocks_are_2_5_s_from_four_to_ten_of_them(
    monkeypatch: pytest.MonkeyPatch, seconds: float, block_s: float
) -> None:
    sizes = []

    def heard(sound: np.ndarray, *_: object, **__: object) -> np.ndarray:
        sizes.append(sound.size)
        return np.zeros(3240)

    monkeypatch.setattr(changes, "answer", heard)
    changes.path_change(silent(seconds))
    assert sizes[1:] == pytest.approx([LOW_RATE * block_s] * (len(sizes) - 1), abs=1.0)
    assert len(sizes) - 1 == int(seconds / block_s + 1e-6)


@pytest.mark.parametrize(("alike", "told"), [(0.28, False), (0.32, True)])
def test_stretches_of_0_7_s_that_are_alike_by_three_tenths_tell_a_jump(
    monkeypatch: pytest.MonkeyPatch, alike: float, told: bool
) -> None:
    """A pulse, and four samples later a pulse of so much of the power's root among others."""
    first, second = np.zeros(400), np.zeros(400)
    first[50] = 1.0
    second[54] = alike
    second[100:400] = np.sqrt((1 - alike**2) / 300) * np.random.default_rng(1).choice(
        [-1.0, 1.0], 300
    )
    turns = iter([first, second] * 20)
    monkeypatch.setattr(changes, "answer", lambda *_, **__: next(turns))
    jumps = changes.jumps_s(silent(7.1))
    assert jumps.size == 9  # ten whole stretches of 0.7 s
    assert jumps[0] == pytest.approx(4 / LOW_RATE if told else 0.0, abs=1e-5)


def test_levels_are_compared_in_the_octaves_from_500_hz_to_4_khz() -> None:
    """Noise that swings in one third of an octave alone: no swing counts but in two of four."""
    rng = np.random.default_rng(2)
    rate, size = 16_000, 160_000
    time = np.arange(size) / rate
    swing = 10 ** (8 * np.sin(2 * np.pi * time) / 20)
    hz = np.fft.rfftfreq(size, 1 / rate)

    def swings_in(*bands_hz: float) -> float:
        noise = rng.standard_normal(size)
        for band_hz in bands_hz:
            inside = np.abs(np.log2(np.maximum(hz, 1.0) / band_hz)) < 0.3
            part = np.fft.irfft(np.fft.rfft(noise) * inside, size)
            noise = noise - part + part * swing
        return fluctuation(noise.astype(np.float32), sample_rate_hz=rate)

    assert swings_in(500.0, 1000.0, 2000.0) > 3.0
    assert swings_in(500.0, 1000.0, 4000.0) > 3.0
    assert swings_in(1000.0, 2000.0, 4000.0) > 3.0
    assert swings_in(500.0, 2000.0, 4000.0) > 3.0
    assert swings_in(250.0, 700.0, 1500.0, 6000.0) < 2.0


def test_noise_is_compared_with_the_response_from_150_hz_to_8_khz() -> None:
    rng = np.random.default_rng(11)
    hz = np.arange(0, 12_500.0, 1.0)
    bumps = np.interp(hz, np.arange(0, 12_501.0, 15.0), rng.standard_normal(834))
    response = 10 ** (4 * bumps / 20) + 0j
    count = 25_000 * 10
    line_hz = np.fft.rfftfreq(count, 1 / 25_000)
    white = np.fft.rfft(rng.standard_normal(count))

    def likeness(low_hz: float, high_hz: float) -> float:
        inside = (line_hz > low_hz) & (line_hz < high_hz)
        shape = np.where(inside, np.interp(line_hz, hz, 4 * bumps), 0.0)
        noise = np.fft.irfft(white * 10 ** (shape / 20), count).astype(np.float32)
        trusted = np.ones(hz.size, bool)
        return noise_likeness(noise, hz, response, trusted, sample_rate_hz=25_000)

    assert likeness(150.0, 8000.0) > 0.85
    assert likeness(5500.0, 8000.0) > 0.3
    assert abs(likeness(8000.0, 12_500.0)) < 0.06


def test_the_level_over_5_30_and_150_ms_bends_the_signal() -> None:
    """A step of level: after it each memory has still to rise, by 1 / e after its own time.

    What is bent has none of the signal in it, and its first and last 0.3 s are left out.
    """
    rate = 1000.0
    rng = np.random.default_rng(1)
    played = rng.standard_normal(20_000) * np.where(np.arange(20_000) % 4000 < 2000, 0.2, 1.0)
    at_once, *bent = _bent(played, rate)
    assert len(bent) == 3
    for one in (at_once, *bent):
        assert np.dot(one, played) == pytest.approx(0.0, abs=1e-6 * np.dot(played, played))
    unit = played / np.std(played)
    for one, memory_s in zip(bent, (0.005, 0.03, 0.15), strict=True):
        gain = one / played  # the memory's level over its mean, less a constant
        edge_gain = gain[299]
        assert np.allclose(gain[:300], edge_gain)
        assert np.allclose(gain[-300:], edge_gain)
        assert not np.isclose(gain[301], edge_gain)
        keep = np.exp(-1 / (memory_s * rate))
        inner = slice(1000, 18_000)
        power = unit[1001:18_001] ** 2
        following = gain[1001:18_001] - keep * gain[inner]
        assert np.corrcoef(following, power)[0, 1] == pytest.approx(1.0, abs=1e-6)


def impulse(t60_s: float, *, rate: float = 48_000.0, noise: float = 1e-4) -> np.ndarray:
    rng = np.random.default_rng(7)
    made = noise * rng.standard_normal(4000 + 24_000)
    decay = np.exp(-6.91 * np.arange(24_000) / (t60_s * rate))
    made[4000:] += rng.standard_normal(24_000) * decay
    return made


def test_fewer_than_four_frames_of_20_ms_above_the_noise_tell_no_slope() -> None:
    """Past the first 10 ms the room must stand out for 80 ms."""
    short, long = impulse(5.0), impulse(5.0)
    short[4000 + 480 + 2 * 960 :] = 1e-6
    long[4000 + 480 + 5 * 960 :] = 1e-6
    assert fall_db(short, 4000, sample_rate_hz=48_000) == np.inf
    assert np.isfinite(fall_db(long, 4000, sample_rate_hz=48_000))


def test_white_noise_is_as_rough_as_chance_makes_it() -> None:
    """Source: Welch 1967: half overlapping Hann windows count for 1 / 1.06 each."""
    noise = np.random.default_rng(3).standard_normal(20 * 48_000).astype(np.float32)
    assert roughness(noise, sample_rate_hz=48_000) == pytest.approx(1.0, abs=0.1)
    echo = noise + 0.7 * np.roll(noise, 480)  # ripple that repeats every 100 Hz: 17 lines of 6 Hz
    assert roughness(echo, sample_rate_hz=48_000) > 2.5


def test_everything_is_brought_down_to_12_khz_and_120_hz_to_5_khz_answer() -> None:
    rng = np.random.default_rng(4)
    played = rng.standard_normal(96_000).astype(np.float32)
    low = traces(played, played, played, sample_rate_hz=48_000.0)
    assert low.sample_rate_hz == pytest.approx(12_000.0, rel=0.01)
    assert low.played.size == pytest.approx(24_000, rel=0.01)
    found = answer(low.played, low.played, sample_rate_hz=low.sample_rate_hz)
    hz = np.fft.rfftfreq(found.size, 1 / low.sample_rate_hz)
    size = np.abs(np.fft.rfft(found)) * np.sqrt(np.maximum(hz, 1.0))
    inside = (hz > 200) & (hz < 4800)
    usual = np.median(size[inside])
    assert np.median(size[(hz > 130) & (hz < 180)]) > 0.5 * usual
    assert size[(hz > 10) & (hz < 90)].max() < 0.3 * usual
    assert size[hz > 5150].max() < 0.3 * usual
