"""Mic patterns against handbook values and a numerical integral."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate

from shaping.stage.description.stage import Pattern
from shaping.stage.placing import null_deg, random_efficiency, uptake


@pytest.mark.parametrize(
    ("pattern", "null"),
    [
        (Pattern.CARDIOID, 180),
        (Pattern.SUPERCARDIOID, 125),
        (Pattern.HYPERCARDIOID, 110),
        (Pattern.FIGURE_OF_EIGHT, 90),
    ],
)
def test_nulls(pattern, null):
    """Source: handbook tables of first-order patterns (from memory): 180, 125-127, 110, 90."""
    assert null_deg(pattern) == pytest.approx(null, abs=1.5)
    assert uptake(pattern, null_deg(pattern)) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("pattern", "efficiency", "behind_db"),
    [
        (Pattern.OMNI, 1.0, 0.0),
        (Pattern.CARDIOID, 0.333, None),
        (Pattern.SUPERCARDIOID, 0.268, -11.6),
        (Pattern.HYPERCARDIOID, 0.25, -6.0),
        (Pattern.FIGURE_OF_EIGHT, 0.333, 0.0),
    ],
)
def test_random_energy_and_rear_lobes(pattern, efficiency, behind_db):
    """Source: handbook tables of first-order patterns (from memory)."""
    assert random_efficiency(pattern) == pytest.approx(efficiency, abs=0.002)
    if behind_db is not None:
        assert 20 * np.log10(uptake(pattern, 180.0)) == pytest.approx(behind_db, abs=0.2)


@pytest.mark.parametrize("pattern", Pattern)
def test_random_energy_is_the_mean_over_the_sphere(pattern):
    """Source: definition of random energy efficiency, integrated numerically by scipy."""
    found, _ = integrate.quad(
        lambda angle: uptake(pattern, np.degrees(angle)) ** 2 * np.sin(angle) / 2, 0, np.pi
    )
    assert random_efficiency(pattern) == pytest.approx(found, rel=1e-6)


def test_supercardioid_has_the_most_front_over_back():
    """Source: definition of the supercardioid, searched for numerically over all patterns."""

    def front_over_back(a: float) -> float:
        def power(angle: float) -> float:
            return (a + (1 - a) * np.cos(angle)) ** 2 * np.sin(angle)

        front, _ = integrate.quad(power, 0, np.pi / 2)
        back, _ = integrate.quad(power, np.pi / 2, np.pi)
        return front / back

    patterns = np.linspace(0.2, 0.6, 401)
    best = patterns[int(np.argmax([front_over_back(a) for a in patterns]))]
    assert best == pytest.approx(Pattern.SUPERCARDIOID.value, abs=0.002)
