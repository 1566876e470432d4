"""What comes out of quantising can be dialled in, and is the nearest there is."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shaping.equaliser.limits import Limits
from shaping.equaliser.limits_file import load_limits, preset_names
from shaping.equaliser.quantise import allows, bandwidth_oct, centres_hz, dial_q, quantise
from shaping.errors import ParameterError
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.width import QConvention

PARAMETRIC = load_limits("parametric-4")
GRAPHIC = load_limits("graphic-31")


def bell(frequency_hz: float, gain_db: float = -6.0, q: float = 5.0) -> Filter:
    return Filter(FilterKind.PEAKING, frequency_hz, q=q, gain_db=gain_db)


@pytest.mark.parametrize("name", preset_names())
@given(
    frequency_hz=st.floats(1.0, 50_000.0),
    gain_db=st.floats(-100.0, 100.0),
    q=st.floats(0.01, 500.0),
    order=st.integers(1, 12),
)
def test_quantised_filters_are_allowed_and_stay(
    name: str, frequency_hz: float, gain_db: float, q: float, order: int
) -> None:
    limits = load_limits(name)
    wanted = [Filter(limits.band_kind, frequency_hz, q=q, gain_db=gain_db)]
    if limits.has_high_pass:
        wanted.append(Filter(FilterKind.HIGH_PASS, frequency_hz, order=order))
    for filter in wanted:
        once = quantise(filter, limits)
        assert allows(limits, once)
        assert quantise(once, limits) == once


def over_cookbook(convention: QConvention, gain_db: float) -> float:
    """Return Q in a convention over the cookbook's, from the analogue bell's own response.

    With x = Q |W - 1/W| its power is (x^2 + A^2) / (x^2 + 1 / A^2), A^2 = 10^(gain / 20): solved
    for the x at which it is 3 dB below flat or 3 dB above its bottom. Poles lie at A times Q.
    """
    if convention is QConvention.COOKBOOK:
        return 1.0
    if convention is QConvention.POLE:
        return float(10 ** (gain_db / 40))
    level_db = -3.0 if convention is QConvention.THREE_DB_FROM_FLAT else gain_db + 3.0
    power, a2 = 10 ** (level_db / 10), 10 ** (gain_db / 20)
    return float(((a2 - power / a2) / (power - 1)) ** -0.5)


@given(
    convention=st.sampled_from(list(QConvention)),
    steps=st.integers(7, 30),
    q=st.floats(0.1, 60.0),
)
def test_q_is_stepped_in_the_equalisers_own_convention(
    convention: QConvention, steps: int, q: float
) -> None:
    limits = replace(PARAMETRIC, q_convention=convention, min_q=0.5, max_q=20.0, q_step=0.25)
    filter = quantise(bell(1000.0, -0.5 * steps, q), limits)
    dialled = dial_q(filter, limits)
    assert dialled is not None
    assert 0.5 - 1e-9 <= dialled <= 20.0 + 1e-9
    assert (dialled - 0.5) / 0.25 == pytest.approx(round((dialled - 0.5) / 0.25), abs=1e-6)
    ratio = over_cookbook(convention, -0.5 * steps)
    assert abs(dialled - min(max(q * ratio, 0.5), 20.0)) <= 0.125 + 1e-9
    assert filter.q == pytest.approx(dialled / ratio)


@pytest.mark.parametrize(
    ("gain_db", "expected"),
    [(-6.1, -6.0), (-6.3, -6.5), (-6.25, -6.5), (-100.0, -15.0), (3.1, 3.0), (99.0, 15.0)],
)
def test_gain_goes_to_the_nearest_step_and_a_tie_to_the_deeper_cut(
    gain_db: float, expected: float
) -> None:
    assert quantise(bell(1000.0, gain_db), PARAMETRIC).gain_db == expected


def test_gain_range_that_is_no_whole_number_of_steps_is_kept() -> None:
    limits = replace(PARAMETRIC, min_gain_db=-10.0, gain_step_db=0.75)
    assert quantise(bell(1000.0, -50.0), limits).gain_db == -9.75


def test_frequency_steps_are_counted_from_1_khz() -> None:
    assert quantise(bell(1010.0), PARAMETRIC).frequency_hz == 1000.0
    assert quantise(bell(1020.0), PARAMETRIC).frequency_hz == pytest.approx(1000 * 2 ** (1 / 24))
    centres = centres_hz(PARAMETRIC)
    assert centres is not None
    assert centres[0] >= 20.0
    assert centres[-1] <= 20_000.0
    assert len(centres) == math.floor(24 * math.log2(20_000 / 20))


def test_graphic_slider_is_the_one_with_most_effect_at_the_intended_frequency() -> None:
    for frequency_hz in (281.0, 279.0, 1100.0, 1150.0, 19.0, 30_000.0):
        chosen = quantise(bell(frequency_hz), GRAPHIC)
        at = [abs(math.log(frequency_hz / hz)) for hz in GRAPHIC.grid_hz or ()]
        assert chosen.frequency_hz == (GRAPHIC.grid_hz or ())[at.index(min(at))]
        assert chosen.q == 4.32


def test_high_pass_takes_the_nearest_order_and_stays_in_range() -> None:
    limits = load_limits("parametric-6")
    assert quantise(Filter(FilterKind.HIGH_PASS, 100.0, order=8), limits).order == 4
    assert quantise(Filter(FilterKind.HIGH_PASS, 100.0, order=3), limits).order == 2
    assert quantise(Filter(FilterKind.HIGH_PASS, 5.0, order=2), limits).frequency_hz == 20.0
    assert quantise(Filter(FilterKind.HIGH_PASS, 900.0, order=2), limits).frequency_hz == 400.0


def test_a_notch_has_no_gain_and_a_q_within_range() -> None:
    limits = load_limits("narrow-notch")
    notch = quantise(Filter(FilterKind.NOTCH, 1000.0, q=3.0), limits)
    assert notch.gain_db is None
    assert notch.q == 14.4
    assert dial_q(notch, limits) == 14.4
    assert bandwidth_oct(notch) == pytest.approx(0.10017, abs=1e-5)  # 2 asinh(1 / 28.8) / ln 2


@pytest.mark.parametrize(
    ("filter", "limits", "message"),
    [
        (bell(1000.0), load_limits("narrow-notch"), "has no peaking band"),
        (Filter(FilterKind.NOTCH, 1000.0, q=9.0), PARAMETRIC, "has no notch band"),
        (Filter(FilterKind.LOW_SHELF, 100.0, q=0.7, gain_db=-3.0), PARAMETRIC, "no low-shelf"),
        (
            Filter(FilterKind.HIGH_PASS, 100.0, order=2),
            load_limits("narrow-notch"),
            "no high-pass",
        ),
        (Filter(FilterKind.HIGH_PASS, 100.0, q=0.7), PARAMETRIC, "needs an order"),
        (Filter(FilterKind.PEAKING, 100.0, gain_db=-3.0), PARAMETRIC, "needs a Q"),
        (Filter(FilterKind.PEAKING, 100.0, q=3.0), PARAMETRIC, "needs a gain"),
        (bell(math.nan), PARAMETRIC, "positive number"),
        (bell(100.0, math.nan), PARAMETRIC, "must be a number"),
        (
            bell(100.0, -3.0),
            replace(PARAMETRIC, q_convention=QConvention.THREE_DB_FROM_FLAT),
            "no 3 dB points",
        ),
    ],
)
def test_what_the_equaliser_does_not_have_is_refused(
    filter: Filter, limits: Limits, message: str
) -> None:
    with pytest.raises(ParameterError, match=message):
        quantise(filter, limits)
    assert not allows(limits, filter)


@pytest.mark.parametrize(
    "filter",
    [
        bell(1010.0),
        bell(1000.0, -6.2),
        bell(1000.0, -15.5),
        bell(1000.0, -6.0, 5.03),
        bell(1000.0, -6.0, 11.0),
        Filter(FilterKind.HIGH_PASS, 1000.0, order=2),
        Filter(FilterKind.HIGH_PASS, 125.0, order=4),
    ],
)
def test_what_lies_off_the_steps_or_out_of_range_is_not_allowed(filter: Filter) -> None:
    assert not allows(PARAMETRIC, filter)
    assert allows(PARAMETRIC, quantise(filter, PARAMETRIC))
