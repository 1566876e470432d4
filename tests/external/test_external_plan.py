"""Plans against published tables and closed forms worked outside the package."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, signal

from shaping.equaliser.limits_file import load_limits
from shaping.equaliser.quantise import bandwidth_oct, centres_hz, dial_q, quantise
from shaping.filters.closed_forms import bell_db, notch_db
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.response import total_db
from shaping.filters.width import QConvention
from shaping.plan.ring_out.needs import DRIFT_RATIO, EDGE_LOSS_DB, FIRST_CUT_DB, MARGIN_DB, need_of
from shaping.plan.ring_out.placing import NARROWEST_RING_CUT_Q
from tests.plan.plan_makers import ring

FREE = load_limits("free")

ISO_266_HZ = (
    "20 25 31.5 40 50 63 80 100 125 160 200 250 315 400 500 630 800 1000 1250 1600 2000 2500 "
    "3150 4000 5000 6300 8000 10000 12500 16000 20000"
)

OCTAVES_AND_Q = [
    (2.0, 0.67),
    (1.0, 1.41),
    (2 / 3, 2.14),
    (1 / 2, 2.87),
    (1 / 3, 4.32),
    (1 / 6, 8.65),
    (1 / 10, 14.4),
    (1 / 12, 17.3),
    (1 / 20, 28.9),
    (1 / 30, 43.3),
]


def prototype_db(w: float, gain_db: float, q: float) -> float:
    """Analogue peaking prototype of the cookbook, by scipy from its polynomial coefficients."""
    a = 10 ** (gain_db / 40)
    _, h = signal.freqs([1, a / q, 1], [1, 1 / (a * q), 1], worN=[w])
    return float(20 * np.log10(abs(h[0])))


def test_graphic_centres_are_the_preferred_frequencies() -> None:
    """The sliders of the graphic preset stand at the preferred frequencies.

    Source: ISO 266:1997, preferred frequencies in one-third-octave intervals, 20 Hz to 20 kHz.
    """
    assert centres_hz(load_limits("graphic-31")) == tuple(map(float, ISO_266_HZ.split()))


@pytest.mark.parametrize(("octaves", "q"), OCTAVES_AND_Q)
def test_width_in_octaves_of_a_planned_filter(octaves: float, q: float) -> None:
    """A plan states the octaves that the handbook table gives for its Q.

    Source: table of bandwidth against Q as printed in equaliser handbooks (common practice); its
    formula is in the W3C Audio EQ Cookbook. Tolerance: the table's own rounding, 1 %.
    """
    for kind in (FilterKind.PEAKING, FilterKind.NOTCH):
        width = bandwidth_oct(Filter(kind, 1000.0, q=q, gain_db=-6.0))
        assert width == pytest.approx(octaves, rel=0.01)


def test_slider_of_the_graphic_preset_is_a_third_of_an_octave_wide() -> None:
    """Q 4.32 for third-octave sliders.

    Source: the same table: one third of an octave is Q 4.32.
    """
    slider = quantise(
        Filter(FilterKind.PEAKING, 990.0, q=1.0, gain_db=-6.0), load_limits("graphic-31")
    )
    assert bandwidth_oct(slider) == pytest.approx(1 / 3, rel=1e-3)


@pytest.mark.parametrize(
    ("octaves_off", "q", "expected_db"),
    [
        (1 / 6, 4.32, -3.0),
        (1 / 6, 8.65, -1.2),
        (1 / 6, 14.4, -0.5),
        (1 / 6, 30.0, -0.1),
        (1 / 24, 4.32, -5.6),
        (1 / 24, 8.65, -4.8),
        (1 / 24, 14.4, -3.5),
        (1 / 24, 30.0, -1.5),
    ],
)
def test_effect_of_a_cut_that_misses_its_ring(
    octaves_off: float, q: float, expected_db: float
) -> None:
    """What is left of a 6 dB cut whose centre misses the ring.

    Source: worked by hand from the cookbook's analogue peaking prototype:
    |H|^2 = (x^2 + A^2) / (x^2 + 1 / A^2), x = q |W - 1 / W|. Tolerance: rounding to 0.1 dB.
    """
    filter = quantise(Filter(FilterKind.PEAKING, 1000.0, q=q, gain_db=-6.0), FREE)
    effect_db = total_db([filter], 1000.0 * 2**octaves_off, sample_rate_hz=48_000)
    assert float(effect_db) == pytest.approx(expected_db, abs=0.06)
    w = 2**octaves_off
    assert float(effect_db) == pytest.approx(prototype_db(w, -6.0, q), abs=0.02)


@pytest.mark.parametrize("gain_db", [-1.5, -6.0, -12.0, -24.0])
@pytest.mark.parametrize("q", [0.7, 4.32, 30.0])
def test_search_formulas_equal_the_prototypes(gain_db: float, q: float) -> None:
    """The closed forms used while searching are the cookbook's analogue filters.

    Source: W3C Audio EQ Cookbook, prototypes of peakingEQ and notch, evaluated by scipy.signal.
    """
    w = np.array([0.3, 0.9, 0.97, 1.02, 1.5, 4.0])
    bell = [prototype_db(value, gain_db, q) for value in w]
    np.testing.assert_allclose(bell_db(w, centre_hz=1.0, gain_db=gain_db, q=q), bell, atol=1e-9)
    _, h = signal.freqs([1, 0, 1], [1, 1 / q, 1], worN=w)
    notch = 20 * np.log10(abs(h))
    np.testing.assert_allclose(notch_db(w, centre_hz=1.0, q=q), notch, atol=1e-9)


def measured_width_q(gain_db: float, q: float, level_db: float) -> float:
    """Centre over the distance of the points at `level_db`, measured on the prototype."""

    def above(w: float) -> float:
        return prototype_db(w, gain_db, q) - level_db

    high = optimize.brentq(above, 1.0 + 1e-9, 1e3)
    return float(1.0 / (high - 1.0 / high))


@pytest.mark.parametrize(
    ("gain_db", "from_flat", "from_bottom", "pole"),
    [
        (-6.0, 10.0, 10.0, 7.1),
        (-9.0, 6.9, 14.5, 6.0),
        (-12.0, 5.4, 18.6, 5.0),
        (-18.0, 3.6, 27.7, 3.5),
    ],
)
def test_q_to_dial_in_other_conventions(
    gain_db: float, from_flat: float, from_bottom: float, pole: float
) -> None:
    """What a cookbook Q of 10 reads on equalisers that mean something else by Q.

    Source: worked from the definitions on the cookbook's prototype (3 dB below flat, 3 dB above
    the bottom, Q of the poles). Tolerance 1.2 %: that table took half power, 3.01 dB, where the
    package takes 3 dB. The widths at 3 dB are measured here with scipy.
    """
    filter = Filter(FilterKind.PEAKING, 1000.0, q=10.0, gain_db=gain_db)
    expected = {
        QConvention.COOKBOOK: 10.0,
        QConvention.THREE_DB_FROM_FLAT: from_flat,
        QConvention.THREE_DB_FROM_BOTTOM: from_bottom,
        QConvention.POLE: pole,
    }
    for convention, value in expected.items():
        limits = replace(FREE, q_convention=convention)
        assert dial_q(filter, limits) == pytest.approx(value, rel=0.012, abs=0.06)
    flat = replace(FREE, q_convention=QConvention.THREE_DB_FROM_FLAT)
    bottom = replace(FREE, q_convention=QConvention.THREE_DB_FROM_BOTTOM)
    assert dial_q(filter, flat) == pytest.approx(measured_width_q(gain_db, 10.0, -3.0), rel=1e-6)
    assert dial_q(filter, bottom) == pytest.approx(
        measured_width_q(gain_db, 10.0, gain_db + 3.0), rel=1e-6
    )


@pytest.mark.parametrize(
    ("growth_db_per_s", "delay_s", "excess_db"),
    [(50.0, 0.010, 0.5), (5.0, 0.100, 0.5), (200.0, 0.005, 1.0), (300.0, 0.010, 3.0)],
)
def test_depth_follows_from_growth_and_delay(
    growth_db_per_s: float, delay_s: float, excess_db: float
) -> None:
    """The cut asked for is the excess gain that the growth betrays, and the margin.

    Source: growth = excess loop gain / loop delay, as worked in trade articles on feedback
    (0.5 dB at 10 ms grow by 50 dB/s); it follows from one trip round the loop per delay.
    """
    need = need_of(ring(1000.0, growth_db_per_s=growth_db_per_s), loop_delay_s=delay_s)
    assert need is not None
    assert need.depth_db == pytest.approx(max(FIRST_CUT_DB, excess_db + MARGIN_DB))


def test_narrowest_cut_survives_the_drift_of_a_ring() -> None:
    """A cut of the narrowest Q keeps its depth, but 1 dB, wherever a ring drifts.

    Source: speed of sound rises by 0.17-0.18 % per kelvin (from memory; sqrt of absolute
    temperature: 0.5 / 293.15 = 0.171 % at 20 degrees C), so 5 K move a ring by 0.9 %.
    """
    assert DRIFT_RATIO >= 5 * 0.5 / 293.15
    for gain_db in (-3.0, -6.0, -9.0):
        lost_db = prototype_db(1 + DRIFT_RATIO, gain_db, NARROWEST_RING_CUT_Q) - gain_db
        assert 0 < lost_db <= EDGE_LOSS_DB
