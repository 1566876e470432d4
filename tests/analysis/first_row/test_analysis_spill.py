import numpy as np
import pytest

from shaping.analysis.first_row.spill import (
    compare_first_rows,
    level_change,
    low_mid_margin_db,
    low_mid_margin_error_db,
    low_mid_margins_db,
    low_mids,
)
from shaping.analysis.third_octave import BandLevels, band_levels, band_mean_db, band_points_hz
from shaping.errors import CaptureError


def levels(nominal_hz, level_dbfs, error_db=0.1):
    return BandLevels(
        tuple(nominal_hz), np.array(level_dbfs, float), np.full(len(nominal_hz), error_db)
    )


LOW_MIDS = [125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0]


def test_shared_bands_are_compared():
    wedges = levels([100.0, *LOW_MIDS, 630.0], np.full(9, -30.0))
    mains = levels([*LOW_MIDS, 630.0, 800.0], np.full(9, -24.0))
    spill = compare_first_rows(wedges, mains)
    assert spill.nominal_hz == (*LOW_MIDS, 630.0)
    np.testing.assert_allclose(spill.mains_over_wedges_db, 6.0)
    np.testing.assert_allclose(spill.error_db, 0.1 * np.sqrt(2))
    assert low_mid_margin_db(spill) == pytest.approx(6.0)
    assert low_mid_margins_db(spill, np.full(8, -3.0)) == pytest.approx(9.0)


def test_margin_sums_power_not_decibels():
    # One band 10 dB over six others: 10 log10((10 + 6) / 7) = 3.59 dB.
    loud = [-20.0, *[-30.0] * 6]
    spill = compare_first_rows(levels(LOW_MIDS, loud), levels(LOW_MIDS, np.full(7, -30.0)))
    assert low_mid_margin_db(spill) == pytest.approx(-10 * np.log10(16 / 7))


def test_margin_error_matches_repeated_noise(rng):
    margins, said = [], []
    for _ in range(40):
        pair = [
            band_levels(rng.standard_normal(2 * 8_000).astype(np.float32), 8_000) for _ in range(2)
        ]
        spill = compare_first_rows(*pair)
        margins.append(low_mid_margin_db(spill))
        said.append(low_mid_margin_error_db(spill))
    # Forty trials know a standard deviation to 11 %; overlap and rounding take some more.
    assert np.std(margins) == pytest.approx(np.mean(said), rel=0.35)


def test_recordings_without_all_low_mids_are_refused():
    wedges = levels(LOW_MIDS[1:], np.zeros(6))
    with pytest.raises(CaptureError, match="125 to 500 Hz"):
        compare_first_rows(wedges, wedges)


def test_level_change_by_weighting():
    bands = [50.0, *LOW_MIDS, 630.0, 1000.0]
    flat = np.zeros(len(bands))
    cut = np.where(low_mids(bands), -6.0, 0.0)
    change = level_change(bands, flat, cut)
    assert change.low_mids_db == pytest.approx(-6.0)
    # What is not cut keeps the whole from falling as far; A hears less of the low mids than C.
    assert -6.0 < change.c_weighted_db < change.a_weighted_db < 0.0
    everywhere = level_change(bands, flat, flat - 4.0)
    for value in (everywhere.low_mids_db, everywhere.a_weighted_db, everywhere.c_weighted_db):
        assert value == pytest.approx(-4.0)


def test_band_levels_need_enough_recording():
    with pytest.raises(CaptureError, match=r"0\.10 s is too short for band levels down to 50 Hz"):
        band_levels(np.zeros(4_800, np.float32), 48_000)


def test_band_levels_leave_out_bands_beyond_nyquist():
    result = band_levels(np.zeros(16_000, np.float32), 8_000)
    assert result.nominal_hz[-1] == 3150.0
    assert np.all(result.level_dbfs <= -250)


def test_band_points_fill_each_band_evenly():
    points = band_points_hz([1000.0], points=4)
    edges = 1000.0 * 10.0 ** np.linspace(-0.05, 0.05, 5)
    np.testing.assert_allclose(points[0], np.sqrt(edges[1:] * edges[:-1]))
    assert band_mean_db(np.array([[0.0, 0.0], [0.0, -300.0]])) == pytest.approx(
        [0.0, 10 * np.log10(0.5)]
    )
