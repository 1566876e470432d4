"""Resonances in spectra made without any noise, so that every figure has one right answer."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from shaping.analysis.findings import LoopResponse
from shaping.analysis.noise.resonances import (
    PinkSpectrum,
    _cell_edges,
    _effective,
    _lively,
    _sounding,
    _strongest,
    _trend,
    pink_spectrum,
    resonances_of,
    response_spectrum,
)
from shaping.errors import CaptureError

Peak = tuple[float, float, float]
"""Centre in Hz, Q, and prominence in dB."""


def shape(hz: np.ndarray, *peaks: Peak) -> np.ndarray:
    total = np.ones(hz.size)
    for centre_hz, q, prominence_db in peaks:
        u = q * (hz / centre_hz - centre_hz / hz)
        total *= 1 + (10 ** (prominence_db / 10) - 1) / (1 + u * u)
    return total


def spectrum(
    *peaks: Peak, count: float = 400.0, tilt_db_per_octave: float = 0.0, cells: int = 192
) -> PinkSpectrum:
    """Return cells from 50 Hz to 16 kHz with resonances on a straight trend."""
    edges = 50 * 2 ** (np.arange(cells * 8 + 1) / cells)
    low, high = edges[:-1], edges[1:]
    middle = np.sqrt(low * high)
    fine = low[:, None] * (high / low)[:, None] ** ((np.arange(9) + 0.5) / 9)
    mean = np.stack([shape(part, *peaks) for part in fine.T]).mean(axis=0)
    trend = 1e-4 * 10 ** (tilt_db_per_octave * np.log2(middle / 1000) / 10)
    return PinkSpectrum(middle, low, high, trend * mean, np.full(middle.size, count))


@pytest.mark.parametrize("tilt", [0.0, -3.0])
@pytest.mark.parametrize(
    "peak", [(1000.0, 12.0, 10.0), (250.0, 30.0, 6.0), (5000.0, 20.0, 15.0), (700.0, 60.0, 8.0)]
)
def test_a_resonance_is_read_off_a_spectrum_without_noise(peak: Peak, tilt: float) -> None:
    (found,) = resonances_of(spectrum(peak, tilt_db_per_octave=tilt))
    assert found.frequency_hz == pytest.approx(peak[0], rel=2e-4)
    assert found.q == pytest.approx(peak[1], rel=0.06)
    assert found.prominence_db == pytest.approx(peak[2], abs=0.3)


def test_its_errors_are_those_of_maximum_likelihood() -> None:
    """Source: Fisher information of gamma means (Whittle 1957), derivatives taken here."""
    count, centre_hz, q, prominence_db = 400.0, 1000.0, 12.0, 10.0
    made = spectrum((centre_hz, q, prominence_db), count=count)
    (found,) = resonances_of(made)
    near = np.abs(np.log(made.frequency_hz / centre_hz)) < 3 / q
    hz = made.frequency_hz[near]
    theta = np.log([centre_hz, q, 10 ** (prominence_db / 10) - 1])

    def level(values: np.ndarray) -> np.ndarray:
        u = np.exp(values[1]) * (hz / np.exp(values[0]) - np.exp(values[0]) / hz)
        return np.log1p(np.exp(values[2]) / (1 + u * u))

    steps = 1e-5 * np.eye(3)
    slopes = [(level(theta + s) - level(theta - s)) / 2e-5 for s in steps]
    x = np.log(hz / centre_hz) / (3 / q)
    jacobian = np.column_stack([*slopes, np.ones_like(x), x, x * x])
    prior = np.diag([0, 0, 0, *[0.15**-2] * 3])  # how far the trend may be off
    sd = np.sqrt(np.diag(np.linalg.inv(count * jacobian.T @ jacobian + prior)))
    height = 10 ** (prominence_db / 10) - 1
    assert found.frequency_error_hz == pytest.approx(centre_hz * sd[0], rel=0.1)
    assert found.q_error == pytest.approx(q * sd[1], rel=0.1)
    expected_db = 10 / np.log(10) * height / (1 + height) * sd[2]
    assert found.error_db == pytest.approx(expected_db, rel=0.1)


def test_neighbours_are_told_apart_and_the_most_prominent_comes_first() -> None:
    peaks = [(800.0, 25.0, 6.0), (1000.0, 25.0, 9.0), (3000.0, 15.0, 12.0)]
    found = resonances_of(spectrum(*peaks))
    assert [round(one.frequency_hz, -1) for one in found] == [3000, 1000, 800]
    for one, (_, q, prominence_db) in zip(found, reversed(peaks), strict=True):
        assert one.q == pytest.approx(q, rel=0.15)
        assert one.prominence_db == pytest.approx(prominence_db, abs=1.0)  # they share a base


def test_a_flat_or_tilted_spectrum_has_none() -> None:
    assert resonances_of(spectrum()) == ()
    assert resonances_of(spectrum(tilt_db_per_octave=3.0)) == ()


@pytest.mark.parametrize(("prominence_db", "seen"), [(1.9, 1), (1.3, 0)])
def test_less_than_1_5_db_is_not_worth_a_word(prominence_db: float, seen: int) -> None:
    found = resonances_of(spectrum((1000.0, 20.0, prominence_db), count=4000.0))
    assert len(found) == seen


def test_sixteen_resonances_are_enough() -> None:
    peaks = [(80 * 2 ** (n / 3), 30.0, 8.0 + 0.1 * n) for n in range(21)]
    assert 14 <= len(resonances_of(spectrum(*peaks))) <= 16


def test_ends_of_the_band_are_left_out() -> None:
    """A tenth of a neper: 55.3 Hz and 11.6 kHz for cells from 50 Hz to 12.8 kHz."""
    assert resonances_of(spectrum((54.0, 30.0, 10.0))) == ()
    assert resonances_of(spectrum((12_000.0, 30.0, 10.0))) == ()
    assert len(resonances_of(spectrum((58.0, 30.0, 10.0)))) == 1


def test_fewer_averages_hide_a_small_resonance() -> None:
    peak = (1000.0, 20.0, 3.0)
    assert len(resonances_of(spectrum(peak, count=100.0))) == 1
    assert resonances_of(spectrum(peak, count=3.0)) == ()


def test_level_and_error_of_cells() -> None:
    """Source: the relative variance of a mean of n exponential values is 1 / n."""
    made = spectrum(count=100.0)
    assert made.level_db == pytest.approx(np.full(made.power.size, -40.0))
    assert made.error_db == pytest.approx(np.full(made.power.size, 0.4343), abs=1e-4)


def test_cells_are_equal_in_octaves_and_hold_three_lines_at_least() -> None:
    edges = _cell_edges(0.1, 16_000.0)
    assert edges[0] == 500
    assert np.diff(edges)[:10].tolist() == [3] * 10  # 500 lines grow by 1.8 a cell
    assert edges[-1] >= 160_000 > edges[-2]
    late = np.diff(np.log2(edges))[-100:]
    assert late == pytest.approx(np.full(100, 1 / 192), rel=0.01)


def test_the_ends_where_the_level_falls_away_are_not_alive() -> None:
    power = np.full(1000, 1e-4)
    power[:100] = 1e-4 * 10**-3.3
    power[900:] = 1e-4 * 10**-3.8
    kept = _lively(power)
    assert kept.start <= 5  # 33 dB below the rest, but for the smoothing over the edge
    assert kept.stop == pytest.approx(912, abs=1)  # 38 dB below; half the smoothing over the edge


def test_silence_around_the_noise_is_cut_away() -> None:
    rng = np.random.default_rng(1)
    noise = rng.standard_normal(80_000).astype(np.float32)
    padded = np.concatenate([np.zeros(16_000, np.float32), noise, np.zeros(24_000, np.float32)])
    found = _sounding(padded, 8000)
    assert found.size == 80_000 - 2 * 800  # without the frames at the edges
    np.testing.assert_array_equal(found, noise[800:-800])
    quiet = padded.copy()
    quiet[:16_000] = 0.35 * rng.standard_normal(16_000)  # power 0.12 of the usual
    assert _sounding(quiet, 8000).size == 96_000 - 2 * 800
    quiet[:16_000] *= 0.8  # 0.08
    assert _sounding(quiet, 8000).size == 80_000 - 2 * 800
    short = noise[:2000]
    assert _sounding(short, 8000) is short


def test_the_trend_passes_under_peaks_and_follows_a_parabola() -> None:
    made = spectrum((1000.0, 30.0, 6.0), tilt_db_per_octave=-2.0)
    clean = spectrum(tilt_db_per_octave=-2.0)
    off_db = 10 * np.log10(_trend(made.power, made.count) / clean.power)
    assert np.abs(off_db).max() < 0.5
    few = np.full(clean.power.size, 5.0)
    # The logarithm of a mean of 5 lies low by 1 / 10 neper.
    lifted = np.log(_trend(clean.power, few) / clean.power)
    assert np.median(lifted) == pytest.approx(0.1, abs=0.01)


def test_the_strongest_excess_is_sought_at_its_own_width() -> None:
    for q, centre_hz in ((5.0, 400.0), (60.0, 4000.0)):
        made = spectrum((centre_hz, q, 6.0))
        start = _strongest(made, np.full(made.power.size, 1e-4), [])
        assert start is not None
        assert np.exp(start[0]) == pytest.approx(centre_hz, rel=0.02)
        assert 0.3 * q < np.exp(start[1]) < 1.5 * q
        assert start[3:].tolist() == [0.0, 0.0, 0.0]
    flat = spectrum()
    assert _strongest(flat, np.full(flat.power.size, 1e-4), []) is None


def test_a_peak_must_stand_five_deviations_out() -> None:
    """One wide block of cells: z is the excess times the root of the averages in it."""
    made = spectrum(count=10.0)
    bump = (made.frequency_hz > 800) & (made.frequency_hz < 1250)  # Q of about 2.2

    def found(excess: float) -> bool:
        power = np.where(bump, 1 + excess, 1.0)
        raised = PinkSpectrum(made.frequency_hz, made.low_hz, made.high_hz, power, made.count)
        return _strongest(raised, np.ones(power.size), []) is not None

    z_per_excess = np.sqrt(10.0 * bump.sum())
    assert found(5.6 / z_per_excess)
    assert not found(4.6 / z_per_excess)


def test_scatter_beyond_chance_counts_as_less_known() -> None:
    made = spectrum(count=400.0)
    rng = np.random.default_rng(5)
    rough = made.power * np.exp(0.2 * rng.standard_normal(made.power.size))
    shaken = PinkSpectrum(made.frequency_hz, made.low_hz, made.high_hz, rough, made.count)
    trend = np.full(rough.size, 1e-4)
    assert np.median(_effective(shaken, trend, []).count) == pytest.approx(1 / 0.04, rel=0.15)
    calm = _effective(made, trend, []).count
    assert calm == pytest.approx(np.full(calm.size, 400.0))


def test_white_noise_rises_by_3_db_an_octave_over_pink() -> None:
    """Source: closed form: power per hertz times frequency, 3.01 dB an octave."""
    noise = np.random.default_rng(3).standard_normal(8 * 32_000)
    found = pink_spectrum(noise, 32_000)
    slope = np.polyfit(np.log2(found.frequency_hz), found.level_db, 1, w=1 / found.error_db)[0]
    assert slope == pytest.approx(10 * np.log10(2), abs=0.1)
    assert found.low_hz[0] == pytest.approx(50.0, abs=0.5)
    assert found.high_hz[-1] == pytest.approx(0.45 * 32_000, rel=0.01)
    spread = found.level_db - np.polyval(
        np.polyfit(np.log2(found.frequency_hz), found.level_db, 1), np.log2(found.frequency_hz)
    )
    few = found.count > 20
    assert np.std(spread[few] / found.error_db[few]) == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize(("seconds", "enough"), [(3.9, False), (4.3, True)])
def test_four_seconds_of_noise_are_the_least(seconds: float, enough: bool) -> None:
    noise = np.random.default_rng(3).standard_normal(round(seconds * 8000))
    if enough:
        assert pink_spectrum(noise, 8000).power.size > 0
    else:
        with pytest.raises(CaptureError, match="too short"):
            pink_spectrum(noise, 8000)


def test_a_loops_response_in_cells_keeps_what_can_be_trusted() -> None:
    hz = np.arange(0, 8000.0, 0.5)
    trusted = (hz > 100) & (hz < 4000)
    response = LoopResponse(
        frequency_hz=hz,
        response=np.full(hz.size, 0.1 + 0j),
        coherence=np.ones(hz.size),
        error_db=np.full(hz.size, 0.5),
        variance=np.zeros(hz.size),
        excited=trusted,
        trusted=trusted,
        delay_s=0.01,
        clock_ppm=0.0,
        coherence_median=1.0,
    )
    found = response_spectrum(response)
    assert found.level_db == pytest.approx(np.full(found.power.size, -20.0))
    assert found.frequency_hz[0] == pytest.approx(100.0, rel=0.02)
    assert found.frequency_hz[-1] == pytest.approx(4000.0, rel=0.01)
    # 0.5 dB of magnitude are (0.5 / 8.686)^2 in relative variance, four times that in power;
    # half of the lines count.
    per_line = 1 / (4 * (0.5 / 8.686) ** 2)
    lines = (found.high_hz - found.low_hz) / 0.5
    assert found.count == pytest.approx(np.clip(0.5 * lines * per_line, 1, 1000), rel=0.01)
    sure = response_spectrum(replace(response, error_db=0 * hz))
    assert sure.count == pytest.approx(np.full(sure.count.size, 1000.0))


@pytest.mark.parametrize(("count", "seen"), [(13.0, 1), (10.0, 0)])
def test_a_prominence_is_five_times_its_own_error(count: float, seen: int) -> None:
    """Of 6 dB at a Q of 100 thirteen averages make 5.4 deviations, ten 4.7."""
    found = resonances_of(spectrum((1000.0, 100.0, 6.0), count=count))
    assert len(found) == seen
    assert all(one.prominence_db > 5 * one.error_db for one in found)
