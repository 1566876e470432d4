"""From an impulse response and a noise density to coherence, error bars and trust, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.analysis.findings import LoopResponse
from shaping.analysis.loop.alignment import Alignment
from shaping.analysis.loop.faults import MeasurementFault
from shaping.analysis.loop.response import _assemble, _excited, _smooth, _spectrum

HZ = np.arange(0, 12_000.0, 50.0)
FOUND = Alignment(0.012, 30.0, 20.0, 1.0)


def assembled(
    *, noise: float = 0.0, variance: float = 0.0, excited: np.ndarray | None = None
) -> LoopResponse:
    return _assemble(
        HZ,
        np.full(HZ.size, 0.2 + 0j),
        np.full(HZ.size, noise),
        np.full(HZ.size, variance),
        np.ones(HZ.size, bool) if excited is None else excited,
        FOUND,
    )


@pytest.mark.parametrize(
    ("noise", "coherence", "trusted"), [(0.0, 1.0, True), (0.04, 0.5, True), (0.041, 0.494, False)]
)
def test_coherence_is_signal_over_signal_and_noise_and_half_is_trusted(
    noise: float, coherence: float, trusted: bool
) -> None:
    found = assembled(noise=noise)
    assert found.coherence == pytest.approx(np.full(HZ.size, coherence), abs=1e-3)
    assert bool(found.trusted.all()) is bool(found.trusted.any()) is trusted
    assert found.coherence_median == pytest.approx(coherence, abs=1e-3)


def test_the_estimates_own_variance_is_taken_from_its_power() -> None:
    """0.04 - 0.01 against noise of 0.03: a coherence of a half."""
    assert assembled(noise=0.03, variance=0.01).coherence[9] == pytest.approx(0.5)


def test_the_error_is_that_of_bendat_and_piersol() -> None:
    """Source: Bendat and Piersol: relative error sqrt(variance / (2 power)); 8.686 dB a neper."""
    found = assembled(variance=0.0004)
    assert found.error_db == pytest.approx(
        np.full(HZ.size, 8.686 * np.sqrt(0.0004 / (2 * 0.0396))), rel=1e-3
    )
    assert assembled(variance=1.0).error_db.max() == 99.0


@pytest.mark.parametrize(("noise", "snr_db"), [(0.0004, 20.0), (0.04, 0.0), (0.02, 3.01)])
def test_the_signal_to_noise_ratio_is_that_of_pink_noise_from_100_hz_to_10_khz(
    noise: float, snr_db: float
) -> None:
    found = assembled(noise=noise)
    assert found.snr_db == pytest.approx(snr_db, abs=0.01)
    codes = [note.code for note in found.quality]
    assert codes == ([MeasurementFault.LOW_SNR] if snr_db < 6 else [])


def test_octaves_count_alike_in_the_ratio() -> None:
    noise = np.where(HZ < 1000, 0.04, 1e-9)
    found = _assemble(HZ, np.full(HZ.size, 0.2 + 0j), noise, np.zeros(HZ.size), HZ > 0, FOUND)
    voice = (HZ > 100) & (HZ < 10_000)
    low = np.sum(1 / HZ[voice & (HZ < 1000)]) / np.sum(1 / HZ[voice])
    assert found.snr_db == pytest.approx(-10 * np.log10(low), abs=0.01)


def test_what_was_not_played_has_no_coherence() -> None:
    excited = (HZ > 200) & (HZ < 5000)
    found = assembled(noise=0.01, excited=excited)
    assert not found.coherence[~excited].any()
    assert not found.trusted[~excited].any()
    assert found.coherence_median == pytest.approx(0.8)
    assert assembled(excited=np.zeros(HZ.size, bool)).coherence_median == 0.0
    assert (found.delay_s, found.clock_ppm) == (0.012, 30.0)


def test_edges_of_what_was_played_are_left_out_by_four_bins() -> None:
    density_hz = np.arange(0, 4000.0, 10.0)
    density = np.where((density_hz >= 200) & (density_hz <= 2000), 1.0, 1e-9)
    density /= np.maximum(density_hz, 10.0)
    kept = _excited(density_hz, density_hz, density)
    assert density_hz[kept].min() == 240.0
    assert density_hz[kept].max() == 1960.0


def test_nothing_below_40_hz_counts() -> None:
    density_hz = np.arange(0, 4000.0, 1.0)
    kept = _excited(density_hz, density_hz, 1 / np.maximum(density_hz, 1.0))
    assert density_hz[kept].min() == 40.0


def test_noise_is_smoothed_over_a_third_of_an_octave() -> None:
    hz = np.arange(0, 4000.0, 1.0)
    assert _smooth(np.full(hz.size, 3.0), hz) == pytest.approx(np.full(hz.size, 3.0))
    spike = np.zeros(hz.size)
    spike[1000] = 1.0
    smooth = _smooth(spike, hz)
    assert smooth[1000] == pytest.approx(1 / (1000 * (2 ** (1 / 6) - 2 ** (-1 / 6))), rel=0.02)
    touched = hz[smooth > 0]
    assert touched.min() == pytest.approx(1000 * 2 ** (-1 / 6), rel=0.003)
    assert touched.max() == pytest.approx(1000 * 2 ** (1 / 6), rel=0.003)


def test_the_spectrum_has_a_fine_grid_no_lead_and_ends_at_20_khz() -> None:
    impulse = np.zeros(100)
    impulse[[20, 24]] = [1.0, 0.5]
    hz, response = _spectrum(impulse, 20, 8000.0)
    assert hz[1] == 8000 / 256  # twice the length, to the next power of two
    assert hz[-1] <= 3600.0 < hz[-1] + hz[1]
    assert response == pytest.approx(1 + 0.5 * np.exp(-2j * np.pi * hz * 4 / 8000))
    assert _spectrum(impulse, 20, 96_000.0)[0][-1] <= 20_000.0
