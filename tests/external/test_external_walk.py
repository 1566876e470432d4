"""The bound along a walk against the exact distribution that it bounds.

Source: M. K. Simon, M.-S. Alouini, "Exponential-type bounds on the generalized Marcum Q-function
with application to error probability analysis over fading channels", IEEE Trans. Commun. 48(3),
2000; the exact values are scipy's non-central chi-square.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from shaping.analysis.walk.along import PLACES, highest


@pytest.mark.parametrize("ratio", [0.0, 0.5, 2.0, 8.0])
def test_one_frequency_passes_its_bound_no_more_often_than_told(ratio):
    """``P(|a + d| > u)`` is Marcum's Q, here by the non-central chi-square with 2 degrees.

    Source: as above.
    """
    variance = 1.0
    level, _ = highest(np.array([ratio]), np.array([variance]), 0.01)
    exact = stats.ncx2.sf(2 * level**2 / variance, 2, 2 * ratio**2 / variance)
    assert exact * PLACES / 2 <= 0.01 + 1e-6
    assert exact > 1e-5


def test_many_frequencies_together_pass_it_no_more_often_than_told():
    """Draws of two unlike places at every second line, as the grid is twice as fine.

    Source: as above; the draws are numpy's.
    """
    rng = np.random.default_rng(3)
    size = np.abs(rng.standard_normal(400)) * 0.5
    variance = rng.uniform(0.05, 0.4, 400)
    level, _ = highest(size, variance, 0.1)
    shape = (2000, int(PLACES), 200)
    deviation = rng.standard_normal(shape) + 1j * rng.standard_normal(shape)
    drawn = np.abs(size[::2] + np.sqrt(variance[::2] / 2) * deviation)
    over = float(np.mean(drawn.max(axis=(1, 2)) > level))
    assert 0.001 < over <= 0.11
