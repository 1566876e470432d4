"""Thinning as a starting point fits the equaliser and says what it rests on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from shaping.equaliser.limits_file import load_limits, preset_names
from shaping.equaliser.quantise import allows
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.response import total_db
from shaping.filters.width import QConvention
from shaping.plan.plan import Purpose
from shaping.plan.thinning.starting_points import (
    COMMON_PRACTICE,
    INFERENCE,
    ThinningAmount,
    WedgeUse,
    thinning_filters,
)


@pytest.mark.parametrize("use", WedgeUse)
@pytest.mark.parametrize("amount", ThinningAmount)
@pytest.mark.parametrize("name", preset_names())
def test_thinning_obeys_the_limits_and_is_labelled(
    name: str, amount: ThinningAmount, use: WedgeUse
) -> None:
    limits = load_limits(name)
    planned = thinning_filters(amount, limits, use=use)
    assert sum(p.filter.kind is not FilterKind.HIGH_PASS for p in planned) <= limits.bands
    for one in planned:
        assert allows(limits, one.filter)
        assert one.purpose is Purpose.THINNING
        assert one.effect_db is None
        assert one.reason.startswith((COMMON_PRACTICE, INFERENCE))
        if one.filter.kind is not FilterKind.HIGH_PASS:
            assert one.reason.startswith(INFERENCE)


def test_none_is_nothing() -> None:
    assert thinning_filters(ThinningAmount.NONE, load_limits("free")) == ()


def test_more_thinning_removes_more_low_mids_and_leaves_the_voice() -> None:
    changes = [
        total_db(
            [p.filter for p in thinning_filters(amount, load_limits("free"))],
            [125.0, 250.0, 2000.0],
            sample_rate_hz=48_000,
        )
        for amount in (ThinningAmount.LIGHT, ThinningAmount.MEDIUM, ThinningAmount.STRONG)
    ]
    below, centre, voice = np.array(changes).T
    assert np.all(np.diff(below) < -1.0)
    assert np.all(np.diff(centre) < -1.0)
    assert np.all(np.abs(voice) < 0.5)


def test_sliders_come_near_the_wide_bell_they_stand_for() -> None:
    graphic, free = load_limits("graphic-31"), load_limits("free")
    frequency_hz = np.geomspace(180.0, 350.0, 30)
    for amount in (ThinningAmount.LIGHT, ThinningAmount.MEDIUM, ThinningAmount.STRONG):
        sliders, bell = (
            total_db(
                [p.filter for p in thinning_filters(amount, limits)],
                frequency_hz,
                sample_rate_hz=48_000,
            )
            for limits in (graphic, free)
        )
        assert np.max(np.abs(sliders - bell)) < 1.5
        assert len(thinning_filters(amount, graphic)) > 3


def test_what_the_equaliser_cannot_do_is_left_out() -> None:
    parametric = load_limits("parametric-4")
    medium = ThinningAmount.MEDIUM
    assert thinning_filters(medium, load_limits("narrow-notch")) == ()
    no_high_pass = replace(
        parametric, high_pass_min_hz=None, high_pass_max_hz=None, high_pass_orders=()
    )
    assert [p.filter.kind for p in thinning_filters(medium, no_high_pass)] == [FilterKind.PEAKING]
    for narrow in (replace(parametric, min_q=3.0), replace(parametric, bands=0)):
        assert [p.filter.kind for p in thinning_filters(medium, narrow)] == [FilterKind.HIGH_PASS]
    few_sliders = replace(load_limits("graphic-31"), bands=2)
    assert [p.filter.kind for p in thinning_filters(medium, few_sliders)] == [FilterKind.HIGH_PASS]
    shallow_dial = replace(parametric, q_convention=QConvention.THREE_DB_FROM_FLAT)
    light = thinning_filters(ThinningAmount.LIGHT, shallow_dial)  # 3 dB has no 3 dB points
    assert [p.filter.kind for p in light] == [FilterKind.HIGH_PASS]


def test_a_fixed_high_pass_is_used_as_it_is() -> None:
    fixed = replace(load_limits("parametric-4"), high_pass_min_hz=80.0, high_pass_max_hz=80.0)
    first = thinning_filters(ThinningAmount.STRONG, fixed)[0]
    assert first.filter == Filter(FilterKind.HIGH_PASS, 80.0, order=2)
    assert "below 80 Hz" in first.reason


def test_a_drum_fill_keeps_its_body_and_a_voice_does_not() -> None:
    free = load_limits("free")
    drum = thinning_filters(ThinningAmount.MEDIUM, free, use=WedgeUse.DRUM_FILL)
    voice = thinning_filters(ThinningAmount.MEDIUM, free, use=WedgeUse.SPEECH)
    assert [p.filter.frequency_hz for p in drum] == [40.0]
    assert [p.filter.frequency_hz for p in voice] == [150.0, 250.0]
