import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shaping.analysis.first_row.radiation import (
    REAR_FLOOR_DB,
    WedgeModel,
    directivity_db,
    first_row_bands_db,
    power_db,
    proximity_db,
    room_db,
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


def test_first_row_gets_the_low_mids_and_less_above():
    bands = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0)
    near = first_row_bands_db(WedgeModel(audience_distance_m=3.0), bands)
    far = first_row_bands_db(WedgeModel(audience_distance_m=6.0), bands)
    assert near[1] - near[4] > 7
    dry = [
        first_row_bands_db(WedgeModel(audience_distance_m=m, critical_distance_m=1e6), bands)
        for m in (3.0, 6.0)
    ]
    np.testing.assert_allclose((dry[0] - dry[1])[:2], 20 * np.log10(2), atol=0.5)
    assert np.all(near[:2] - far[:2] > 0.5)
    assert np.all(near[:2] - far[:2] < 4.0)  # a room evens out


def test_no_box_shades_deeper_than_25_db():
    assert directivity_db(WedgeModel(), [2000.0, 8000.0], 180.0).tolist() == [REAR_FLOOR_DB] * 2
    assert REAR_FLOOR_DB == -25.0
    assert directivity_db(WedgeModel(), 500.0, 180.0) > REAR_FLOOR_DB


def test_a_source_that_radiates_evenly_is_as_loud_as_the_room_at_the_critical_distance():
    """Source: Kuttruff, Room Acoustics (from memory): that is what the distance means."""
    even = WedgeModel(radius_m=1e-3, width_m=1e-4, height_m=50.0)
    assert power_db(even, 500.0) == pytest.approx(0.0, abs=0.02)
    assert room_db(even, 500.0, even.critical_distance_m) == pytest.approx(0.0, abs=0.02)
    assert room_db(even, 500.0, 1.0) == pytest.approx(-6.02, abs=0.05)


def test_the_floor_doubles_the_power_of_low_frequencies():
    """Source: a monopole over a rigid floor radiates 1 + sin(2kh) / 2kh (any textbook)."""
    even = WedgeModel(radius_m=1e-3, width_m=1e-4, height_m=0.25)
    assert power_db(even, 20.0) == pytest.approx(3.0, abs=0.05)
    kh2 = 2 * 2 * np.pi * 300.0 / 343.0 * 0.25
    assert power_db(even, 300.0) == pytest.approx(10 * np.log10(1 + np.sin(kh2) / kh2), abs=0.02)


def test_a_horn_of_90_degrees_has_a_directivity_index_of_8_to_11_db():
    """Source: a piston with ka = 3.13 in front of a box: 20 lg ka = 9.9 dB (Beranek, 1954)."""
    assert -11.0 < power_db(WedgeModel(), 4000.0) < -8.0


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


@pytest.mark.slow
def test_the_model_agrees_with_a_room_of_mirror_images():
    """The wedge of the virtual hall, heard at its musician and beside the middle of the first row.

    Source: image sources and a diffuse tail (Allen and Berkley, 1979) as in `shaping.simulation`,
    whose hall has a critical distance of 1.8 to 2.6 m by Eyring's formula. One seat and one ear
    ripple by some dB, so halves of the range are compared.
    """
    from dataclasses import replace

    from scipy import signal

    from shaping.analysis.third_octave import band_levels
    from shaping.capture.signals import pink_noise
    from shaping.simulation import quillhaven as hall
    from shaping.simulation.room import path_response

    rate = hall.SAMPLE_RATE_HZ
    noise = pink_noise(12, sample_rate_hz=rate, level_dbfs=-20, seed=1)
    levels = []
    for position in (hall.FIRST_ROW.position_m, (6.0, 11.7, 1.6)):
        ear = replace(hall.FIRST_ROW, position_m=position)
        path = path_response(
            hall.HALL, hall.VOCAL_WEDGE.wedge, ear, sample_rate_hz=rate, length_s=0.6,
            latency_s=0.004, seed=41,
        )  # fmt: skip
        levels.append(band_levels(signal.fftconvolve(noise, path).astype(np.float32), rate))
    row, musician = levels
    model = first_row_bands_db(
        WedgeModel(musician_distance_m=1.6, audience_distance_m=2.9), row.nominal_hz
    )
    apart = row.level_dbfs - musician.level_dbfs - model
    hz = np.array(row.nominal_hz)
    for low, high in ((125, 500), (630, 2000), (2500, 8000)):
        assert abs(np.mean(apart[(hz >= low) & (hz <= high)])) < 3.0, (low, high)
