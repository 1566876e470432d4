"""Two side fills with one signal, against the textbook's sum of two sources and an own sum.

Source: sum of two coherent sources and of two powers, as in any textbook of acoustics (L. L.
Beranek, Acoustics, 1954, ch. 4); the table of levels is common practice.
"""

from __future__ import annotations

import numpy as np
import pytest

from shaping.analysis.first_row.pairs import pair_sum


@pytest.mark.parametrize(
    ("softer_db", "powers_db", "peak_db", "dip_db"),
    [(3.0, 1.8, 4.6, -10.7), (6.0, 1.0, 3.5, -6.0), (10.0, 0.4, 2.4, -3.3), (20.0, 0.0, 0.8, -0.9)],
)
def test_sums_are_those_of_the_table(softer_db, powers_db, peak_db, dip_db):
    """Level differences of 3, 6, 10 and 20 dB, as 10 lg(1 + r^2) and 20 lg(1 +- r).

    Source: as above, computed by hand.
    """
    found = pair_sum(1.0, 10 ** (softer_db / 20))
    assert found.softer_db == pytest.approx(softer_db)
    assert found.powers_db == pytest.approx(powers_db, abs=0.06)
    assert found.peak_db == pytest.approx(peak_db, abs=0.06)
    assert found.dip_db == pytest.approx(dip_db, abs=0.06)


def test_dips_and_delay_are_those_of_the_two_arrivals_added():
    """Two phasors added at every frequency: the least lie where the dips are told.

    Source: as above; speed of sound 343 m/s.
    """
    found = pair_sum(2.5, 4.0)
    hz = np.arange(20.0, 700.0, 0.05)
    ways = [np.exp(-2j * np.pi * hz * r / 343.0) / r for r in (2.5, 4.0)]
    level = 20 * np.log10(np.abs(ways[0] + ways[1]) * 2.5)
    inner = np.flatnonzero((level[1:-1] < level[:-2]) & (level[1:-1] <= level[2:])) + 1
    np.testing.assert_allclose(hz[inner][:3], found.dips_hz, atol=0.1)
    assert level.min() == pytest.approx(found.dip_db, abs=0.01)
    assert level.max() == pytest.approx(found.peak_db, abs=0.01)
    assert found.later_s == pytest.approx(1.5 / 343.0)


def test_wide_bands_hear_the_sum_of_powers():
    """A third octave above the frequency told holds a whole comb and averages it out
    within a decibel.

    Source: as above, powers averaged over the band.
    """
    found = pair_sum(2.0, 4.0)
    middle_hz = found.even_from_hz * 1.5
    hz = np.linspace(middle_hz * 10**-0.05, middle_hz * 10**0.05, 4000)
    power = np.abs(1 + 0.5 * np.exp(-2j * np.pi * hz * found.later_s)) ** 2
    assert 10 * np.log10(power.mean()) == pytest.approx(found.powers_db, abs=0.8)
