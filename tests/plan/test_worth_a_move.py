"""What is proposed is worth a hand's move: no cut shallower than 1 dB, in any route.

Source: 1 dB as about the least change of level that is heard; textbooks of hearing, from memory.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shaping.analysis.findings import LoopResponse, Ring
from shaping.analysis.first_row.spill import Spill
from shaping.equaliser.limits_file import load_limits, preset_names
from shaping.equaliser.quantise import worth_a_move
from shaping.plan.loop.best_cuts import optimise_cuts
from shaping.plan.ring_out.planner import plan_from_rings
from shaping.plan.thinning.fit import fit_thinning
from shaping.plan.thinning.starting_points import ThinningAmount
from tests.plan.plan_makers import capture, ring, rings

LEAST_DB = 1.0


def shallow(gains_db: list[float | None]) -> list[float]:
    return [gain for gain in gains_db if gain is not None and gain > -LEAST_DB]


@pytest.mark.parametrize(
    ("gain_db", "worth"),
    [(-6.0, True), (-1.0, True), (-0.999, False), (-0.5, False), (0.0, False), (None, True)],
)
def test_the_boundary_is_1_db(gain_db, worth):
    assert worth_a_move(gain_db) is worth


@pytest.mark.parametrize("name", preset_names())
@settings(max_examples=40, deadline=None)
@given(found=rings(), amount=st.sampled_from(list(ThinningAmount)))
def test_no_ring_is_answered_by_less(name: str, found: list[Ring], amount: ThinningAmount) -> None:
    plan = plan_from_rings([capture()], found, load_limits(name), thinning=amount)
    assert not shallow([planned.filter.gain_db for planned in plan.filters])


def test_sliders_beside_a_slider_move_by_1_db_or_not_at_all() -> None:
    """Rings all over the range, so that neighbouring sliders miss a little everywhere."""
    rng = np.random.default_rng(0)
    moved = []
    for _ in range(40):
        found = [
            ring(float(2 ** rng.uniform(7, 13)), growth_db_per_s=float(rng.uniform(0, 120)))
            for _ in range(6)
        ]
        plan = plan_from_rings(
            [capture()], found, load_limits("graphic-31"), thinning=ThinningAmount.LIGHT
        )
        moved += [planned.filter.gain_db for planned in plan.filters]
        assert not plan.unserved
    assert not shallow(moved)
    assert min(gain for gain in moved if gain is not None) < -6.0


def diffuse(seed: int) -> LoopResponse:
    """The path of a reverberant room: half a second of decaying noise."""
    rng = np.random.default_rng(seed)
    tail = rng.standard_normal(19_200) * np.exp(-6.91 * np.arange(19_200) / 19_200)
    response = np.fft.rfft(tail, 96_000)[120:32_000]
    frequency_hz = np.arange(120, 32_000) * 0.5
    nothing = np.zeros(frequency_hz.size)
    return LoopResponse(
        frequency_hz=frequency_hz,
        response=response,
        coherence=nothing + 1,
        error_db=nothing,
        variance=nothing,
        excited=nothing < 1,
        trusted=nothing < 1,
        delay_s=0.01,
        clock_ppm=0.0,
        coherence_median=1.0,
    )


@pytest.mark.parametrize("cuts", [None, 6])
@pytest.mark.parametrize("name", ["free", "graphic-31"])
def test_no_peak_of_a_measured_loop_is_answered_by_less(name: str, cuts: int | None) -> None:
    chosen = [optimise_cuts([diffuse(seed)], load_limits(name), cuts=cuts) for seed in (1, 2, 3)]
    assert sum(len(one.cuts) for one in chosen) >= 3
    for one in chosen:
        assert not shallow([cut.gain_db for cut in one.cuts])
        assert cuts is not None or one.paying == len(one.cuts)
        assert one.added_db == pytest.approx(one.curve_db[len(one.cuts)], abs=0.01)


@pytest.mark.parametrize("name", ["free", "parametric-4", "graphic-31"])
def test_thinning_fitted_to_the_first_row_is_not_finer_either(name: str) -> None:
    bands = (100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0)
    wedges, mains = np.full(9, -30.0), np.full(9, -28.0)
    spill = Spill(bands, wedges, mains, mains - wedges, np.full(9, 0.1))
    for target_db in np.arange(2.0, 5.0, 0.25):  # they lie 2 dB under the mains already
        fit = fit_thinning(spill, load_limits(name), below_mains_db=float(target_db))
        assert not shallow([planned.filter.gain_db for planned in fit.filters])
