"""Radiation of a wedge and proximity effect against textbook closed forms."""

import math

import numpy as np
import pytest
from scipy import integrate

from shaping.analysis.first_row.radiation import (
    WedgeModel,
    directivity_db,
    floor_loading_db,
    piston_db,
    proximity_db,
)


@pytest.mark.parametrize("x", [0.3, 1.0, 1.6163, 2.2151, 3.0])
def test_piston_directivity(x):
    """Directivity of a baffled piston, by integrating over its surface.

    Source: Rayleigh's integral for a rigid piston in a baffle, far field; Bessel's closed form
    2 J1(x) / x follows from it.
    Tolerance: 1e-6 dB.
    """
    # A piston of radius 1 as strips at height y, 2 sqrt(1 - y^2) long, in phase e^(jxy).
    field, _ = integrate.quad(lambda y: 2 * math.sqrt(1 - y * y) * math.cos(x * y), -1, 1)
    assert piston_db(x) == pytest.approx(20 * math.log10(abs(field) / math.pi), abs=1e-6)


@pytest.mark.parametrize(("x", "level_db"), [(1.6163, -3.01), (2.2151, -6.02)])
def test_piston_beam_widths(x, level_db):
    """Where a piston is 3 and 6 dB down, and its first null at the first zero of J1, 3.83.

    Source: Beranek, Acoustics (1954), directivity of a piston in an infinite baffle.
    """
    assert piston_db(x) == pytest.approx(level_db, abs=0.01)
    assert piston_db(3.8317) < -59


def test_piston_off_axis_in_round_numbers():
    """A 12-inch woofer (radius 127 mm) at 90 degrees: 250 Hz -0.4 dB, 500 -1.5, 800 -4.1, 1k -6.7.

    Source: Bessel's closed form 2 J1(ka) / ka, speed of sound 343 m/s.
    """
    frequency_hz = np.array([250.0, 500.0, 800.0, 1000.0])
    level_db = piston_db(2 * np.pi * frequency_hz * 0.127 / 343)
    np.testing.assert_allclose(level_db, [-0.4, -1.5, -4.1, -6.7], atol=0.06)


def test_box_gains_six_db_in_front_half_of_it_at_the_baffle_step():
    """From full to half space: 0 dB at low, 6 dB at high frequencies, 3 dB at 115 Hz / width.

    Source: Olson, "Direct radiator loudspeaker enclosures", JAES 17(1), 1969 (rule from memory).
    """
    point = WedgeModel(radius_m=1e-6, width_m=0.4)  # no piston, the box alone

    def beside_re_front(frequency_hz):
        return float(directivity_db(point, frequency_hz, 90.0))

    assert beside_re_front(2.0) == pytest.approx(0, abs=0.01)
    assert beside_re_front(115 / 0.4) == pytest.approx(-3.01, abs=0.01)
    assert beside_re_front(50_000.0) == pytest.approx(-6.02, abs=0.01)
    assert float(directivity_db(point, 2.0, 180.0)) == pytest.approx(0, abs=0.01)


def test_horn_holds_its_coverage():
    """A horn of 90 degrees nominal coverage is 6 dB down at 45 degrees.

    Source: definition of nominal coverage, the -6 dB angles; common practice, no published source.
    """
    wedge = WedgeModel(width_m=1e-6)  # no box step, the piston and horn alone
    for frequency_hz in (2000.0, 8000.0):
        assert directivity_db(wedge, frequency_hz, 45.0) == pytest.approx(-6.02, abs=0.01)


def test_floor_is_a_mirror():
    """6 dB at low frequencies; the first dip where the paths differ by half a wavelength.

    Source: image source at a rigid boundary, closed form; path lengths by Pythagoras.
    """
    options = {"source_height_m": 0.3, "ear_height_m": 1.2, "distance_m": 4.0}
    assert floor_loading_db(5.0, **options) == pytest.approx(6.02, abs=0.2)
    mirrored_m = math.hypot(math.sqrt(4.0**2 - 0.9**2), 1.5)
    dip_hz = 343 / (2 * (mirrored_m - 4.0))
    around_hz = np.linspace(0.8 * dip_hz, 1.2 * dip_hz, 401)
    level_db = floor_loading_db(around_hz, **options)
    assert around_hz[np.argmin(level_db)] == pytest.approx(dip_hz, rel=0.01)
    expected_db = 20 * math.log10(1 - 4.0 / mirrored_m)
    assert floor_loading_db(dip_hz, **options) == pytest.approx(expected_db, abs=0.01)


@pytest.mark.parametrize(("distance_m", "boost_db"), [(0.05, (15, 9, 5)), (0.10, (9, 5, 2))])
def test_proximity_effect_in_round_numbers(distance_m, boost_db):
    """Boost at 100, 200 and 400 Hz.

    Source: closed form of an ideal cardioid near a point source, |1 + 1 / (2jkr)|, rounded.
    """
    ours_db = proximity_db([100.0, 200.0, 400.0], distance_m)
    np.testing.assert_allclose(ours_db, boost_db, atol=0.6)


def test_proximity_effect_of_two_pressures():
    """A cardioid made of two pressure points near a point source.

    Source: first principles: p = e^(-jkr) / r at two points 1 mm apart; half the pressure plus
    half the gradient over jk, relative to the same far away.
    Tolerance: 0.01 dB.
    """
    for frequency_hz in (80.0, 250.0, 1000.0):
        k = 2 * math.pi * frequency_hz / 343

        def cardioid(r, k=k):
            near, far = (np.exp(-1j * k * d) / d for d in (r - 5e-4, r + 5e-4))
            pressure = np.exp(-1j * k * r) / r
            return abs(0.5 * pressure + 0.5 * (near - far) / (1e-3 * 1j * k)) * r

        expected_db = 20 * math.log10(cardioid(0.05) / cardioid(1000.0))
        assert proximity_db(frequency_hz, 0.05) == pytest.approx(expected_db, abs=0.01)
