import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shaping.analysis.first_row.radiation import (
    WedgeModel,
    directivity_db,
    first_row_bands_db,
    proximity_db,
)
from shaping.errors import ParameterError


@given(st.floats(20, 16_000), st.floats(0, 179))
def test_nothing_is_louder_than_the_axis_and_all_falls_towards_the_back(frequency_hz, angle_deg):
    here, further = directivity_db(WedgeModel(), frequency_hz, [angle_deg, angle_deg + 1])
    assert further <= here + 1e-9
    assert here <= 1e-9


def test_low_frequencies_go_all_round_and_high_ones_do_not():
    low_db = directivity_db(WedgeModel(), 80.0, [90.0, 135.0, 180.0])
    high_db = directivity_db(WedgeModel(), 2000.0, [90.0, 135.0, 180.0])
    assert low_db.min() > -1.5
    assert high_db.max() < -15


def test_first_row_gets_the_low_mids_and_little_above():
    bands = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0)
    near = first_row_bands_db(WedgeModel(audience_distance_m=3.0), bands)
    far = first_row_bands_db(WedgeModel(audience_distance_m=6.0), bands)
    assert near[1] - near[4] > 10
    np.testing.assert_allclose((near - far)[:2], 20 * np.log10(2), atol=0.5)


@pytest.mark.parametrize(
    "wrong",
    [{"radius_m": 0.0}, {"audience_distance_m": float("nan")}, {"audience_angle_deg": 181.0}],
)
def test_impossible_wedges_are_refused(wrong):
    with pytest.raises(ParameterError):
        WedgeModel(**wrong)


def test_a_mic_at_no_distance_is_refused():
    with pytest.raises(ParameterError, match="distance"):
        proximity_db(100.0, 0.0)
