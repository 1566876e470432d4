"""What fitting weighs, tries and says, figure by figure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from shaping.analysis.first_row.spill import Spill
from shaping.equaliser.limits_file import load_limits
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.thinning.effect import MODEL_BANDS_HZ, Listening, band_change_db
from shaping.plan.thinning.fit import (
    _COST_BANDS_HZ,
    ThinningFit,
    _cost,
    _high_passes,
    _low_mid_cuts,
    _under,
    fit_cautions,
    fit_thinning,
)
from shaping.plan.thinning.starting_points import WedgeUse

FREE = load_limits("free")


def fit(**facts: float) -> ThinningFit:
    plain = {
        "target_db": 6.0,
        "margin_before_db": 1.0,
        "margin_after_db": 6.0,
        "margin_error_db": 0.1,
    }
    return ThinningFit(filters=(), **(plain | facts))


@pytest.mark.parametrize(("after_db", "short_db"), [(6.0, 0.0), (7.5, 0.0), (4.5, 1.5)])
def test_the_shortfall_is_what_is_missing(after_db: float, short_db: float) -> None:
    found = fit(margin_after_db=after_db)
    assert found.shortfall_db == short_db
    told = [one for one in fit_cautions(found) if "short of the target" in one]
    assert bool(told) is (short_db > 0)
    if told:
        assert "falls 1.5 dB short of the target; turn the wedge down by 1.5 dB" in told[0]


@pytest.mark.parametrize(("error_db", "told"), [(0.5, False), (0.6, True)])
def test_half_a_db_of_doubt_is_told(error_db: float, told: bool) -> None:
    said = fit_cautions(fit(margin_error_db=error_db))
    assert any("uncertain by 0.6 dB" in one for one in said) is told
    assert said[0].startswith("The two first-row recordings must come from one microphone")


def test_margins_in_words() -> None:
    assert _under(0.0) == "0.0 dB under the mains"
    assert _under(3.26) == "3.3 dB under the mains"
    assert _under(-3.26) == "3.3 dB over the mains"


def test_what_is_taken_from_the_musician_is_weighed_by_its_importance_to_speech() -> None:
    """Source: ANSI S3.5-1997, table 3: 0.0818 at 1 kHz, 0.0083 at 160 Hz; 0.005 for body."""
    high_passes = [(), (Filter(FilterKind.HIGH_PASS, 100.0, order=2),)]
    bands = len(_COST_BANDS_HZ)

    def cost(hz: float, change_db: float) -> float:
        change = np.zeros((2, 1, bands))
        change[:, :, _COST_BANDS_HZ.index(hz)] = change_db
        return float(_cost(change, high_passes)[1, 0])

    assert cost(1000.0, -2.0) == pytest.approx(4 * (0.0818 + 0.005))
    assert cost(160.0, 3.0) == pytest.approx(9 * (0.0083 + 0.005))
    assert cost(125.0, 1.0) == pytest.approx(0.005)
    assert cost(100.0, 1.0) == pytest.approx(0.005)
    assert cost(80.0, 1.0) == 0.0  # below the lightest high-pass nothing is missed
    assert float(_cost(np.ones((1, 1, bands)), [()])[0, 0]) > cost(1000.0, 1.0)
    assert (_COST_BANDS_HZ[0], _COST_BANDS_HZ[-1]) == (50.0, 8000.0)


def test_high_passes_that_the_use_allows_are_tried() -> None:
    corners = [[one.frequency_hz for one in some] for some in _high_passes(FREE, WedgeUse.VOCAL)]
    assert corners == [[], [100.0], [120.0], [150.0]]
    keys = [[one.frequency_hz for one in some] for some in _high_passes(FREE, WedgeUse.KEYS)]
    assert keys == [[], [40.0], [60.0]]


def test_wide_cuts_down_to_12_db_are_tried() -> None:
    deep = replace(FREE, min_gain_db=-18.0, gain_step_db=3.0)
    cuts = _low_mid_cuts(deep)
    assert cuts[0] == ()
    assert len(cuts) == 1 + 4 * 4 * 3
    assert {cut[0].gain_db for cut in cuts[1:]} == {-3.0, -6.0, -9.0, -12.0}
    assert {cut[0].frequency_hz for cut in cuts[1:]} == {200.0, 250.0, 315.0, 400.0}
    assert {cut[0].q for cut in cuts[1:]} == {0.7, 1.0, 1.4}


@pytest.mark.parametrize("target_db", [-20.0, 30.0])
def test_the_ends_of_what_can_be_asked(target_db: float) -> None:
    level = np.full(len(MODEL_BANDS_HZ), -30.0)
    spill = Spill(MODEL_BANDS_HZ, level, level, level - level, np.full(level.size, 0.05))
    found = fit_thinning(spill, FREE, below_mains_db=target_db)
    assert found.target_db == target_db
    assert found.margin_before_db == pytest.approx(0.0, abs=1e-9)
    if target_db < 0:
        assert found.filters == ()
    else:
        assert found.shortfall_db > 10
        assert found.filters[0].reason.startswith(
            "fitted to the first row: all thinning together brings 125-500 Hz of the wedge from "
            "0.0 dB under the mains to "
        )
        assert found.filters[1].reason == "fitted together with the first"


@pytest.mark.parametrize(("level", "heard"), [(0.0, True), (130.0, True)])
def test_levels_an_ear_can_meet(level: float, heard: bool) -> None:
    assert (Listening(voice_db=level).voice_db == level) is heard
    assert Listening() == Listening(90.0, 85.0)


def test_a_filters_change_of_a_band_is_its_mean_power() -> None:
    """A wide bell of -6 dB at 1 kHz: all of it in its own band, little two octaves off."""
    wide = Filter(FilterKind.PEAKING, 1000.0, q=0.7, gain_db=-6.0)
    change = band_change_db([wide], (250.0, 1000.0, 4000.0))
    assert change[1] == pytest.approx(-5.9, abs=0.1)
    # x^2 = (0.7 * 3.75)^2 = 6.89: 10 lg((6.89 + 0.501) / (6.89 + 1.995)) = -0.80 dB.
    assert change[0] == pytest.approx(-0.80, abs=0.05)
    assert change[2] == pytest.approx(-0.80, abs=0.1)
