"""The starting points as a table: what is dialled in for each use and amount.

Source: common practice, no published source (vocals, speech, guitar); the others are the
project's own inference, and say so. Somebody who changes one changes what people hear.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from shaping.equaliser.limits_file import load_limits
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.thinning.starting_points import (
    ThinningAmount,
    WedgeUse,
    left_out,
    thinning_filters,
    wide_cut,
)

FREE = load_limits("free")
AMOUNTS = (ThinningAmount.LIGHT, ThinningAmount.MEDIUM, ThinningAmount.STRONG)

CORNERS_HZ = {
    WedgeUse.VOCAL: (100.0, 120.0, 150.0),
    WedgeUse.SPEECH: (120.0, 150.0, 180.0),
    WedgeUse.ACOUSTIC_GUITAR: (70.0, 100.0, 150.0),
    WedgeUse.KEYS: (None, 40.0, 60.0),
    WedgeUse.DRUM_FILL: (30.0, 40.0, 50.0),
    WedgeUse.SIDE_FILL: (60.0, 70.0, 80.0),
    WedgeUse.IN_EAR: (None, 40.0, 60.0),
}
LOW_MIDS = ((-3.0, 1.4), (-4.5, 1.0), (-6.0, 0.7))


@pytest.mark.parametrize("use", WedgeUse)
def test_corners_and_low_mid_cuts_of_each_use(use: WedgeUse) -> None:
    for amount, corner_hz, (gain_db, q) in zip(AMOUNTS, CORNERS_HZ[use], LOW_MIDS, strict=True):
        expected = []
        if corner_hz is not None:
            expected.append(Filter(FilterKind.HIGH_PASS, corner_hz, order=2))
        if use not in (WedgeUse.DRUM_FILL, WedgeUse.IN_EAR):  # wanted for body; spills nothing
            expected.append(Filter(FilterKind.PEAKING, 250.0, q=q, gain_db=gain_db))
        assert [p.filter for p in thinning_filters(amount, FREE, use=use)] == expected


def test_reasons_tell_what_they_rest_on() -> None:
    vocal = thinning_filters(ThinningAmount.LIGHT, FREE)
    assert vocal[0].reason == (
        "starting point (common practice): little of use lies below 100 Hz here, and what does "
        "spills to the first rows"
    )
    assert vocal[1].reason == (
        "starting point (inference): low mids leave the wedge all round and lie over the mains in "
        "the first rows; depth and Q by ear"
    )
    (keys, _) = thinning_filters(ThinningAmount.MEDIUM, FREE, use=WedgeUse.KEYS)
    assert keys.reason.startswith("starting point (inference): little of use lies below 40 Hz")


@pytest.mark.parametrize(
    ("amount", "gains_db"),
    [
        (ThinningAmount.LIGHT, {200.0: -1.5, 250.0: -2.5, 315.0: -1.5}),
        (ThinningAmount.MEDIUM, {160.0: -1.5, 200.0: -2.5, 250.0: -3.5, 315.0: -2.5, 400.0: -1.5}),
        (ThinningAmount.STRONG, {160.0: -3.0, 200.0: -3.5, 250.0: -4.0, 315.0: -3.5, 400.0: -3.0}),
    ],
)
def test_sliders_of_a_graphic_equaliser(
    amount: ThinningAmount, gains_db: dict[float, float]
) -> None:
    """Regression only: as least squares gave them; how near they come has a test of its own."""
    found = thinning_filters(amount, load_limits("graphic-31"))
    sliders = {p.filter.frequency_hz: p.filter.gain_db for p in found if p.filter.order is None}
    assert sliders == gains_db


WANTED = Filter(FilterKind.PEAKING, 250.0, q=1.0, gain_db=-6.0)


@pytest.mark.parametrize(("lowest_q", "wide"), [(2.0, True), (2.1, False)])
def test_a_band_with_a_lowest_q_above_two_is_too_narrow_to_thin_with(
    lowest_q: float, wide: bool
) -> None:
    found = wide_cut(WANTED, replace(FREE, min_q=lowest_q))
    assert found == ((replace(WANTED, q=2.0),) if wide else ())


def test_without_a_peaking_band_or_a_step_to_go_there_is_no_wide_cut() -> None:
    assert wide_cut(WANTED, load_limits("narrow-notch")) == ()
    coarse = replace(FREE, gain_step_db=12.0, min_gain_db=-12.0, max_gain_db=12.0)
    assert wide_cut(replace(WANTED, gain_db=-3.0), coarse) == ()


def test_too_few_sliders_make_no_wide_cut() -> None:
    graphic = load_limits("graphic-31")
    needed = len(wide_cut(WANTED, graphic))
    assert len(wide_cut(WANTED, replace(graphic, bands=needed))) == needed
    assert wide_cut(WANTED, replace(graphic, bands=needed - 1)) == ()


NO_HIGH_PASS = (
    "This equaliser has no high-pass: use the one of the mic's channel, which does most of the "
    "thinning."
)


def test_what_an_equaliser_cannot_thin_is_told() -> None:
    light = ThinningAmount.LIGHT
    assert left_out(light, FREE) == ()
    assert left_out(ThinningAmount.NONE, load_limits("narrow-notch")) == ()
    first, second = left_out(light, load_limits("narrow-notch"))
    assert first == NO_HIGH_PASS
    assert "low-mid cut" in second
    without = replace(FREE, high_pass_min_hz=None, high_pass_max_hz=None, high_pass_orders=())
    assert left_out(light, without) == (NO_HIGH_PASS,)
    assert left_out(light, without, use=WedgeUse.KEYS) == ()  # light thinning leaves keys' lows
    assert left_out(ThinningAmount.MEDIUM, without, use=WedgeUse.KEYS) == (NO_HIGH_PASS,)
    narrow = replace(FREE, min_q=2.1)
    assert len(left_out(light, narrow)) == 1
    assert left_out(light, narrow, use=WedgeUse.DRUM_FILL) == ()
