"""The benches' populations are the same on every run, varied, and solvable."""

from __future__ import annotations

import runpy
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from shaping.filters.kinds import Filter, FilterKind
from shaping.simulation.ring_out import PlantedRing, RingOut, cuts_sos
from shaping.simulation.truth import stable_gain_db, unstable_modes

BENCH = Path(__file__).resolve().parents[1] / "bench"


@pytest.fixture(scope="module")
def populations() -> SimpleNamespace:
    return SimpleNamespace(**runpy.run_path(str(BENCH / "populations.py")))


def test_stages_come_out_the_same_and_differ_between_splits(populations):
    split = populations.Split
    (one,) = populations.stages(split.TUNING, 1)
    (again,) = populations.stages(split.TUNING, 1)
    (held_out,) = populations.stages(split.HELD_OUT, 1)
    np.testing.assert_array_equal(one.stage.path, again.stage.path)
    assert not np.array_equal(one.stage.path[:1000], held_out.stage.path[:1000])


def noticed(ring: PlantedRing) -> bool:
    """Tell whether a ring can be found in the capture at all."""
    return ring.clear or (ring.grown_db >= 12.0 and ring.prominence_db >= 12.0)


def knowing_cuts(case, truth: RingOut) -> tuple[Filter, ...]:
    """Cut the noticed rings by 3 dB, then deeper by 1 dB where the loop still grows; 9 dB at most.

    This plan knows the poles; it shows that a plan exists, not how to find it.
    """
    depth_db = {ring.frequency_hz: 3.0 for ring in truth.rings if noticed(ring)}
    for _ in range(40):
        cuts = tuple(Filter(FilterKind.PEAKING, f, 8.0, -d) for f, d in depth_db.items())
        sos = cuts_sos(cuts, sample_rate_hz=case.stage.sample_rate_hz)
        growing = unstable_modes(case.stage, truth.howl_gain_db, eq_sos=sos)
        if not growing:
            break
        worst_hz = growing[0].frequency_hz
        nearest = min(depth_db, key=lambda f: abs(np.log2(f / worst_hz)))
        depth_db[nearest] = min(depth_db[nearest] + 1.0, 9.0)
    return cuts


@pytest.mark.slow
def test_held_out_ring_outs_are_varied_and_can_all_be_solved(populations):
    found, wanted, clipped, backgrounds, delays_s = 0, 0, 0, set(), []
    for case in populations.ring_out_cases(populations.Split.HELD_OUT, 42):
        truth = case.truth
        found += len(truth.clear_rings)
        wanted += case.engineer.rings
        clipped += truth.clipped
        backgrounds.add(case.background)
        delays_s.append(case.stage.delay_s)
        if case.engineer.rings == 0:
            assert truth.rings == ()
            continue
        assert truth.clear_rings
        assert all(ring.excess_db <= 2.51 for ring in truth.rings)
        sos = cuts_sos(knowing_cuts(case, truth), sample_rate_hz=case.stage.sample_rate_hz)
        assert stable_gain_db(case.stage, eq_sos=sos) > truth.howl_gain_db, case.name
    assert found >= 0.9 * wanted
    assert 8 <= clipped <= 25
    assert backgrounds == set(populations.Background)
    assert np.percentile(delays_s, 95) - np.percentile(delays_s, 5) > 0.007
