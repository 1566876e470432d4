"""Test signals: what they promise about level, peak, length and repeatability."""

from __future__ import annotations

import errno
from pathlib import Path

import numpy as np
import pytest
import soundfile

from shaping.capture import cautions, signals
from shaping.capture.signals import (
    SignalKind,
    exponential_sweep,
    peak_dbfs,
    pink_noise,
    sweep_rate_s,
    write_signal,
)
from shaping.errors import OutputError, ParameterError

RATE = 48_000
MAKERS = {SignalKind.PINK_NOISE: pink_noise, SignalKind.SWEEP: exponential_sweep}


def db(value: float) -> float:
    return float(20 * np.log10(value))


@pytest.mark.parametrize("kind", list(SignalKind))
@pytest.mark.parametrize("level_dbfs", [-60.0, -30.0, -12.0])
@pytest.mark.parametrize(("duration_s", "rate"), [(2.0, 48_000), (10.0, 44_100), (3.0, 96_000)])
def test_level_and_peak(kind, level_dbfs, duration_s, rate):
    samples = MAKERS[kind](duration_s, sample_rate_hz=rate, level_dbfs=level_dbfs)
    assert samples.dtype == np.float32
    assert db(np.abs(samples).max()) <= peak_dbfs(kind, level_dbfs)
    steady = samples[round(0.5 * rate) : -round(0.5 * rate)].astype(np.float64)
    assert db(np.sqrt(np.mean(steady**2))) == pytest.approx(level_dbfs, abs=0.2)


@pytest.mark.parametrize("seed", range(8))
def test_stated_peak_is_never_passed(seed):
    noise = pink_noise(1.0 + seed, seed=seed, level_dbfs=-20.0, fade_s=0.0)
    assert db(np.abs(noise).max()) <= -8.0


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("duration_s", [4.0, 10.0])
def test_even_short_noise_is_pink(duration_s, seed):
    """Taken over its whole length, where no estimate adds scatter of its own."""
    noise = pink_noise(duration_s, seed=seed).astype(np.float64)
    power = np.abs(np.fft.rfft(noise)) ** 2
    frequency_hz = np.fft.rfftfreq(noise.size, 1 / RATE)
    midbands_hz = 1000 * 10 ** (np.arange(-14, 13) / 10)
    edges = np.searchsorted(frequency_hz, [midbands_hz * 10**-0.05, midbands_hz * 10**0.05])
    levels_db = 10 * np.log10([power[low:high].sum() for low, high in edges.T])
    assert np.abs(levels_db - levels_db.mean()).max() < 0.5


def test_narrow_noise_keeps_its_peak_too():
    noise = pink_noise(1.0, low_hz=100.0, high_hz=110.0, fade_s=0.0)
    assert db(np.abs(noise).max()) <= -18.0


def test_stated_peak_holds_even_where_the_search_gives_up(monkeypatch):
    monkeypatch.setattr(signals, "_MOST_PASSES", 0)
    assert db(np.abs(pink_noise(20.0)).max()) <= -18.0


def test_default_level_is_low():
    assert db(np.abs(pink_noise(2.0)).max()) <= -18.0
    assert db(np.abs(exponential_sweep(2.0)).max()) <= -26.9


def test_same_seed_same_noise():
    np.testing.assert_array_equal(pink_noise(2.0, seed=4), pink_noise(2.0, seed=4))
    assert not np.array_equal(pink_noise(2.0, seed=4), pink_noise(2.0, seed=5))


def test_noise_is_not_periodic_within_its_length():
    noise = pink_noise(8.0, fade_s=0.0).astype(np.float64)
    spectrum = np.abs(np.fft.rfft(noise, 2 * noise.size)) ** 2
    correlation = np.fft.irfft(spectrum)[: noise.size] / np.sum(noise**2)
    assert np.abs(correlation[RATE:]).max() < 0.1


@pytest.mark.parametrize("kind", list(SignalKind))
def test_fades_start_and_end_in_silence(kind):
    samples = MAKERS[kind](4.0, fade_s=1.0)
    loudest = np.abs(samples).max()
    assert np.abs(samples[:200]).max() < 1e-3 * loudest
    assert np.abs(samples[-200:]).max() < 1e-3 * loudest
    half = np.abs(samples[RATE // 2 - 480 : RATE // 2 + 480]).max()
    assert half < 0.75 * loudest


def test_noise_stays_within_its_band():
    """Energy below and above protects cones and horns from nothing they could use."""
    noise = pink_noise(10.0, low_hz=100.0, high_hz=8_000.0).astype(np.float64)
    power = np.abs(np.fft.rfft(noise)) ** 2
    frequency_hz = np.fft.rfftfreq(noise.size, 1 / RATE)
    outside = (frequency_hz < 70) | (frequency_hz > 11_500)
    assert 10 * np.log10(power[outside].sum() / power.sum()) < -80


def test_sweep_runs_from_low_to_high_and_is_synchronised():
    sweep = exponential_sweep(5.0, low_hz=50.0, high_hz=10_000.0, fade_s=0.0)
    rate_s = sweep_rate_s(5.0, low_hz=50.0, high_hz=10_000.0)
    assert rate_s * 50.0 == round(rate_s * 50.0)
    assert sweep.size / RATE == pytest.approx(rate_s * np.log(200.0), abs=1 / RATE)
    assert abs(sweep.size / RATE - 5.0) <= np.log(200.0) / (2 * 50.0) + 1 / RATE
    assert abs(sweep[0]) < 1e-9
    rising = np.flatnonzero((sweep[:-1] < 0) & (sweep[1:] >= 0))
    assert RATE / np.diff(rising)[0] == pytest.approx(50.0, rel=0.04)
    assert RATE / np.mean(np.diff(rising)[-20:]) == pytest.approx(10_000.0, rel=0.02)


@pytest.mark.parametrize("kind", list(SignalKind))
@pytest.mark.parametrize(
    ("wrong", "named"),
    [
        ({"duration_s": 0.5}, "duration_s"),
        ({"duration_s": 1e9}, "duration_s"),
        ({"duration_s": float("nan")}, "duration_s"),
        ({"sample_rate_hz": 4_000}, "sample_rate_hz"),
        ({"level_dbfs": 0.0}, "level_dbfs"),
        ({"level_dbfs": float("nan")}, "level_dbfs"),
        ({"low_hz": 1.0}, "low_hz"),
        ({"low_hz": 20_000.0}, "low_hz"),
        ({"high_hz": 23_900.0}, "high_hz"),
        ({"high_hz": 16_000.0, "sample_rate_hz": 32_000}, "high_hz"),
        ({"fade_s": 5.0}, "fade_s"),
        ({"fade_s": -1.0}, "fade_s"),
    ],
)
def test_values_out_of_range(kind, wrong, named):
    arguments = {"duration_s": 10.0} | wrong
    with pytest.raises(ParameterError, match=named):
        MAKERS[kind](**arguments)


def test_written_as_24_bits(tmp_path):
    noise = pink_noise(2.0)
    path = tmp_path / "noise.wav"
    write_signal(path, noise, RATE)
    assert soundfile.info(path).subtype == "PCM_24"
    read, rate = soundfile.read(path, dtype="float32")
    assert rate == RATE
    np.testing.assert_allclose(read, noise, rtol=0, atol=2.0**-23)
    assert [entry.name for entry in tmp_path.iterdir()] == ["noise.wav"]


def test_written_bytes_repeat(tmp_path):
    for name in ("one.wav", "two.wav"):
        write_signal(tmp_path / name, exponential_sweep(2.0), RATE)
    assert (tmp_path / "one.wav").read_bytes() == (tmp_path / "two.wav").read_bytes()


def test_existing_file_needs_force(tmp_path):
    path = tmp_path / "noise.wav"
    path.write_text("mine")
    with pytest.raises(OutputError, match="exists"):
        write_signal(path, pink_noise(1.0, fade_s=0.2), RATE)
    assert path.read_text() == "mine"
    write_signal(path, pink_noise(1.0, fade_s=0.2), RATE, force=True)
    assert soundfile.info(path).frames == RATE


def test_full_disk_leaves_nothing(tmp_path, monkeypatch):
    def full(*_: object) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OutputError, match="No space left"):
        write_signal(tmp_path / "noise.wav", pink_noise(1.0, fade_s=0.2), RATE)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("bad", [2.0, np.nan, np.inf])
def test_no_sample_beyond_full_scale_is_written(tmp_path, bad):
    with pytest.raises(ParameterError, match="full scale"):
        write_signal(tmp_path / "bad.wav", np.array([0.0, bad], np.float32), RATE)


def test_signals_are_wav_files(tmp_path):
    with pytest.raises(OutputError, match=r"\.wav"):
        write_signal(tmp_path / "noise.flac", pink_noise(1.0, fade_s=0.2), RATE)


def test_cautions_are_plain_sentences_that_say_what_matters():
    everything = [*cautions.RING_OUT, *cautions.TEST_SIGNAL, *cautions.LISTENING, cautions.EXPOSURE]
    assert all(
        text[0].isupper() and text.endswith(".") and text.isprintable() for text in everything
    )
    for said in (cautions.RING_OUT, cautions.TEST_SIGNAL):
        together = " ".join(said).lower()
        for words in ("start", "fader", "in-ear", "warn", "limiter"):
            assert words in together
    assert "local codes" in cautions.EXPOSURE
    assert "qualified" in cautions.EXPOSURE
