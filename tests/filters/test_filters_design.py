import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shaping.errors import ParameterError
from shaping.filters import cookbook
from shaping.filters.butterworth import high_pass_cascade, low_pass_cascade, section_qs
from shaping.filters.design import cascade_sos, filter_sos
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.response import frequency_response, magnitude_db
from shaping.filters.width import (
    QConvention,
    convert_q,
    octaves_from_q,
    q_from_octaves,
)

rates_hz = st.sampled_from([8_000, 11_025, 16_000, 44_100, 48_000, 96_000, 192_000])
# Shares of the Nyquist frequency, crowded towards both ends.
shares = st.one_of(
    st.floats(3e-6, 1e-3), st.floats(1e-3, 0.999), st.floats(3e-6, 1e-3).map(lambda x: 1 - x)
)
qs = st.floats(0.1, 100.0)
gains_db = st.floats(-24.0, 24.0)


def is_stable(sos):
    """Whether all poles lie inside the unit circle (the triangle test on a1, a2)."""
    a1, a2 = sos[:, 4], sos[:, 5]
    return bool(np.all(np.isfinite(sos)) and np.all(np.abs(a2) < 1) and np.all(np.abs(a1) < 1 + a2))


@given(st.sampled_from(list(FilterKind)), shares, qs, gains_db, rates_hz)
def test_planned_filters_are_stable_from_zero_to_nyquist(kind, share, q, gain_db, rate_hz):
    planned = Filter(kind, share * rate_hz / 2, q=q, gain_db=gain_db)
    sos = filter_sos(planned, sample_rate_hz=rate_hz)
    assert is_stable(sos)
    if kind is FilterKind.PEAKING and 1e-3 < share < 0.999:
        centre_db = magnitude_db(sos, share * rate_hz / 2, sample_rate_hz=rate_hz)
        assert centre_db == pytest.approx(gain_db, abs=1e-3)


@given(shares, st.integers(1, 16), rates_hz)
def test_butterworth_cascades_are_stable(share, order, rate_hz):
    for cascade in (high_pass_cascade, low_pass_cascade):
        sos = cascade(share * rate_hz / 2, order, sample_rate_hz=rate_hz)
        assert sos.shape == ((order + 1) // 2, 6)
        assert is_stable(sos)


@given(shares, st.floats(0.02, 5.0), gains_db, rates_hz)
def test_octave_forms_are_stable(share, octaves, gain_db, rate_hz):
    frequency_hz = share * rate_hz / 2
    for section in (
        cookbook.peaking(frequency_hz, gain_db, octaves=octaves, sample_rate_hz=rate_hz),
        cookbook.notch(frequency_hz, octaves=octaves, sample_rate_hz=rate_hz),
        cookbook.low_shelf(frequency_hz, gain_db, octaves=octaves, sample_rate_hz=rate_hz),
    ):
        assert is_stable(section)


@given(qs)
def test_q_and_octaves_are_inverse(q):
    assert q_from_octaves(octaves_from_q(q)) == pytest.approx(q, rel=1e-12)


@pytest.mark.parametrize("share", [0.9, 0.99, 0.9999])
def test_wide_bell_at_nyquist_leaves_low_frequencies_alone(share):
    bell = Filter(FilterKind.PEAKING, share * 24_000, q=1.0, gain_db=-12.0)
    sos = filter_sos(bell, sample_rate_hz=48_000)
    assert magnitude_db(sos, 1000.0, sample_rate_hz=48_000) == pytest.approx(0, abs=0.25)
    assert magnitude_db(sos, share * 24_000, sample_rate_hz=48_000) == pytest.approx(-12, abs=1e-3)


def test_a_high_pass_with_order_is_a_cascade_and_one_with_q_a_section():
    cascade = filter_sos(Filter(FilterKind.HIGH_PASS, 120.0, order=4), sample_rate_hz=48_000)
    section = filter_sos(Filter(FilterKind.HIGH_PASS, 120.0, q=0.8), sample_rate_hz=48_000)
    assert cascade.shape == (2, 6)
    level_db = magnitude_db(cascade, [60.0, 120.0], sample_rate_hz=48_000)
    # |H|^2 = 1 / (1 + W^-2n), by the definition of Butterworth's filters.
    np.testing.assert_allclose(level_db, -10 * np.log10(1 + np.array([2.0**8, 1.0])), atol=1e-3)
    corner_db = magnitude_db(section, 120.0, sample_rate_hz=48_000)
    assert corner_db == pytest.approx(20 * math.log10(0.8), abs=1e-9)


def test_cascade_joins_sections_in_order_and_none_is_a_wire():
    filters = [
        Filter(FilterKind.HIGH_PASS, 100.0, order=3),
        Filter(FilterKind.PEAKING, 400.0, q=2.0, gain_db=-4.0),
    ]
    sos = cascade_sos(iter(filters), sample_rate_hz=48_000)
    assert sos.shape == (3, 6)
    apart = [filter_sos(one, sample_rate_hz=48_000) for one in filters]
    np.testing.assert_array_equal(sos, np.concatenate(apart))
    wire = cascade_sos([], sample_rate_hz=48_000)
    response = frequency_response(wire, [0.0, 1000.0], sample_rate_hz=48_000)
    np.testing.assert_array_equal(response, [1, 1])


@pytest.mark.parametrize("frequency_hz", [23_999.99, 24_000.0, 30_000.0])
def test_a_filter_at_or_above_nyquist_says_what_to_do(frequency_hz):
    for planned in (
        Filter(FilterKind.PEAKING, frequency_hz, q=4.0, gain_db=-3.0),
        Filter(FilterKind.HIGH_PASS, frequency_hz, order=2),
    ):
        with pytest.raises(ParameterError, match=r"needs a sample rate above .* leave it out"):
            filter_sos(planned, sample_rate_hz=48_000)


@pytest.mark.parametrize(
    ("planned", "message"),
    [
        (Filter(FilterKind.PEAKING, 1000.0, gain_db=-3.0), "needs a Q"),
        (Filter(FilterKind.PEAKING, 1000.0, q=3.0), "needs a gain"),
        (Filter(FilterKind.HIGH_PASS, 1000.0), "needs a Q"),
        (Filter(FilterKind.HIGH_PASS, 1000.0, order=0), "between 1 and 16"),
        (Filter(FilterKind.NOTCH, math.nan, q=3.0), "positive number"),
        (Filter(FilterKind.NOTCH, 1000.0, q=-1.0), "positive number"),
        (Filter(FilterKind.PEAKING, 1000.0, q=3.0, gain_db=math.inf), "gain must lie"),
        (Filter(FilterKind.NOTCH, 1e-3, q=1.0), "too low"),
    ],
)
def test_impossible_filters_are_refused(planned, message):
    with pytest.raises(ParameterError, match=message):
        filter_sos(planned, sample_rate_hz=48_000)


def test_a_width_is_given_once():
    with pytest.raises(ParameterError, match="either Q or octaves"):
        cookbook.peaking(1000.0, -3.0, sample_rate_hz=48_000)
    with pytest.raises(ParameterError, match="either Q or octaves"):
        cookbook.notch(1000.0, 3.0, octaves=1.0, sample_rate_hz=48_000)
    with pytest.raises(ParameterError, match="Q, octaves or slope"):
        cookbook.low_shelf(1000.0, -3.0, 3.0, slope=1.0, sample_rate_hz=48_000)
    with pytest.raises(ParameterError, match="cannot have a slope"):
        cookbook.low_shelf(1000.0, -24.0, slope=9.0, sample_rate_hz=48_000)


@pytest.mark.parametrize("gain_db", [-3.0, 0.0, 2.0])
def test_three_db_widths_of_shallow_bells_are_refused(gain_db):
    for convention in (QConvention.THREE_DB_FROM_FLAT, QConvention.THREE_DB_FROM_BOTTOM):
        with pytest.raises(ParameterError, match="no 3 dB points"):
            convert_q(4.0, gain_db, source=QConvention.COOKBOOK, target=convention)


@given(qs, st.floats(3.5, 24.0), st.sampled_from(list(QConvention)))
def test_q_conversion_runs_both_ways(q, depth_db, convention):
    there = convert_q(q, -depth_db, source=QConvention.COOKBOOK, target=convention)
    back = convert_q(there, -depth_db, source=convention, target=QConvention.COOKBOOK)
    assert back == pytest.approx(q, rel=1e-9)


def test_butterworth_qs():
    np.testing.assert_allclose(section_qs(2), [math.sqrt(0.5)])
    assert section_qs(1) == ()
