"""What an equaliser cannot thin with is told, whichever way the plan was made."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from shaping.analysis.findings import LoopResponse, Resonance
from shaping.capture.recording import Capture, CaptureKind
from shaping.equaliser.limits import Limits
from shaping.equaliser.limits_file import load_limits, preset_names
from shaping.filters.kinds import FilterKind
from shaping.plan.loop.planner import plan_from_loop, plan_from_resonances
from shaping.plan.plan import Plan
from shaping.plan.ring_out.planner import plan_from_rings
from shaping.plan.thinning.planner import thin, thin_to_first_row
from shaping.plan.thinning.starting_points import ThinningAmount, WedgeUse
from tests.plan.plan_makers import capture, ring

RATE = 24_000
NO_BELL = "This equaliser has no band wide enough for a low-mid cut."
FEW_SLIDERS = "This equaliser has too few sliders for a low-mid cut."
NO_HIGH_PASS = (
    "This equaliser has no high-pass: use the one of the mic's channel, which does most of the "
    "thinning."
)
NO_Q = (
    "The low-mid cut is left out: one of 3.0 dB has no Q as this equaliser counts it; medium "
    "thinning has one."
)
SAID = {NO_BELL, FEW_SLIDERS, NO_HIGH_PASS, NO_Q}

OWN = {
    "narrow bells": (
        "bands = 6\nmin_gain_db = -12\nmin_q = 3\nmax_q = 20\nhigh_pass_min_hz = 20\n"
        "high_pass_max_hz = 400\nhigh_pass_orders = [2]",
        {NO_BELL},
    ),
    "no high-pass": ("bands = 4\nmin_gain_db = -12\nmin_q = 0.5\nmax_q = 10", {NO_HIGH_PASS}),
    "neither": ("bands = 4\nmin_gain_db = -12\nmin_q = 3\nmax_q = 10", {NO_BELL, NO_HIGH_PASS}),
    # A cut of 3 dB has no points 3 dB below flat but its own bottom.
    "Q from flat": (
        'bands = 4\nmin_gain_db = -12\nmin_q = 0.5\nmax_q = 10\nq_convention = "3db-from-flat"\n'
        "high_pass_min_hz = 20\nhigh_pass_max_hz = 400\nhigh_pass_orders = [2]",
        {NO_Q},
    ),
    "one slider": (
        'bands = 1\ngrid_hz = "third-octave"\nmin_gain_db = -12\nmin_q = 4.32\nmax_q = 4.32\n'
        "high_pass_min_hz = 20\nhigh_pass_max_hz = 400\nhigh_pass_orders = [2]",
        {FEW_SLIDERS},
    ),
}


def noise(seed: int, kind: CaptureKind) -> Capture:
    samples = 0.1 * np.random.default_rng(seed).standard_normal(12 * RATE)
    return Capture("noise.wav", RATE, 1, samples.astype(np.float32), kind)


def ring_out(limits: Limits, amount: ThinningAmount) -> Plan:
    return plan_from_rings([capture()], [ring(2500.0)], limits, thinning=amount)


def quiet(limits: Limits, amount: ThinningAmount) -> Plan:
    hz = np.arange(60.0, 9_000.0)
    level_db = -40.0 + 8.0 / (1 + ((hz / 2000.0 - 2000.0 / hz) * 8.0) ** 2)
    nothing = np.zeros(hz.size)
    response = LoopResponse(
        frequency_hz=hz,
        response=10 ** (level_db / 20) + 0j,
        coherence=nothing + 1,
        error_db=nothing,
        variance=nothing,
        excited=nothing < 1,
        trusted=nothing < 1,
        delay_s=0.01,
        clock_ppm=0.0,
        coherence_median=1.0,
        measured_hz=((60.0, 9_000.0),),
    )
    captured = noise(1, CaptureKind.PINK_NOISE)
    return plan_from_loop([captured], [response], limits, thinning=amount)


def pink(limits: Limits, amount: ThinningAmount) -> Plan:
    captured = noise(2, CaptureKind.PINK_NOISE)
    found = (Resonance(2000.0, 8.0, 10.0, 0.5),)
    return plan_from_resonances([captured], [found], limits, thinning=amount)


def model(limits: Limits, amount: ThinningAmount) -> Plan:
    return thin(limits, amount=amount).plan


ROUTES: tuple[Callable[[Limits, ThinningAmount], Plan], ...] = (ring_out, quiet, pink, model)


def own(tmp_path, name: str) -> Limits:
    path = tmp_path / "desk.toml"
    path.write_text(OWN[name][0], encoding="utf-8")
    return load_limits(str(path))


@pytest.mark.parametrize("route", ROUTES, ids=lambda route: route.__name__)
@pytest.mark.parametrize("name", OWN)
def test_an_own_equaliser_that_cannot_thin_is_told_so_in_every_route(tmp_path, name, route):
    plan = route(own(tmp_path, name), ThinningAmount.LIGHT)
    assert SAID & set(plan.cautions) == OWN[name][1]


@pytest.mark.parametrize("name", sorted({*OWN} - {"Q from flat"}))  # a fit goes deeper there
def test_it_is_told_where_thinning_was_fitted_to_the_first_row(tmp_path, name):
    wedges, mains = (noise(seed, CaptureKind.FIRST_ROW) for seed in (3, 4))
    plan = thin_to_first_row(wedges, mains, own(tmp_path, name)).plan
    assert SAID & set(plan.cautions) == OWN[name][1]


@pytest.mark.parametrize("route", ROUTES, ids=lambda route: route.__name__)
@pytest.mark.parametrize("name", OWN)
def test_nothing_is_missed_where_nobody_wants_to_thin(tmp_path, name, route):
    assert not SAID & set(route(own(tmp_path, name), ThinningAmount.NONE).cautions)


@pytest.mark.parametrize("route", ROUTES, ids=lambda route: route.__name__)
@pytest.mark.parametrize("name", sorted({*preset_names()} - {"narrow-notch"}))
def test_an_equaliser_that_can_thin_hears_nothing_of_it(name, route):
    plan = route(load_limits(name), ThinningAmount.MEDIUM)
    assert not SAID & set(plan.cautions)
    assert any(planned.filter.kind is FilterKind.HIGH_PASS for planned in plan.filters)


def test_a_drum_fill_keeps_its_low_mids_and_misses_no_bell(tmp_path):
    plan = thin(own(tmp_path, "narrow bells"), use=WedgeUse.DRUM_FILL).plan
    assert not SAID & set(plan.cautions)
