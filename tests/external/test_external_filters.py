"""Filter designs against general-purpose libraries, closed forms and published tables."""

import math

import control
import numpy as np
import pytest
from scipy import signal

from shaping.filters import cookbook
from shaping.filters.bands import EDGE_RATIO, NOMINAL_HZ, exact_midband_hz
from shaping.filters.butterworth import high_pass_cascade, low_pass_cascade
from shaping.filters.design import filter_sos
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.response import frequency_response, group_delay_s, magnitude_db
from shaping.filters.width import (
    QConvention,
    convert_q,
    octaves_from_q,
    q_from_octaves,
)

RATES_HZ = [8_000, 44_100, 48_000, 192_000]
SHARES = [0.001, 0.02, 0.2, 0.4, 0.49]  # of the sample rate
QS = [0.5, 1 / math.sqrt(2), 4.0, 30.0]


def analogue(kind, q, gain_db=0.0):
    """Return b and a of the analogue prototypes, corner at 1 rad/s, highest power first."""
    a = 10 ** (gain_db / 40)
    root = math.sqrt(a) / q
    return {
        "low_pass": ([1], [1, 1 / q, 1]),
        "high_pass": ([1, 0, 0], [1, 1 / q, 1]),
        "band_pass": ([1 / q, 0], [1, 1 / q, 1]),
        "notch": ([1, 0, 1], [1, 1 / q, 1]),
        "all_pass": ([1, -1 / q, 1], [1, 1 / q, 1]),
        "peaking": ([1, a / q, 1], [1, 1 / (a * q), 1]),
        "low_shelf": ([a, a * root, a * a], [a, root, 1]),
        "high_shelf": ([a * a, a * root, a], [1, root, a]),
    }[kind]


def design(kind, frequency_hz, gain_db, **options):
    gains = {"peaking", "low_shelf", "high_shelf"}
    arguments = (frequency_hz, gain_db) if kind in gains else (frequency_hz,)
    return getattr(cookbook, kind)(*arguments, **options)


KINDS = [
    "low_pass",
    "high_pass",
    "band_pass",
    "notch",
    "all_pass",
    "peaking",
    "low_shelf",
    "high_shelf",
]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_cookbook_equals_bilinear_analogue_prototypes(kind, rate_hz):
    """Q-form sections are the bilinear transforms of the analogue prototypes.

    Source: analogue prototypes of the W3C Audio EQ Cookbook (Group Note, 2021-06-08), taken
    through `scipy.signal.bilinear`.
    Tolerance: 1e-9 in coefficients.
    """
    for share in SHARES:
        for q in QS:
            for gain_db in (-18.0, -3.0, 6.0):
                w0 = 2 * math.pi * share
                b, a = signal.bilinear(*analogue(kind, q, gain_db), 0.5 / math.tan(w0 / 2))
                ours = design(kind, share * rate_hz, gain_db, q=q, sample_rate_hz=rate_hz)
                np.testing.assert_allclose(ours[0], [*b, *a], rtol=0, atol=1e-9)


@pytest.mark.parametrize("kind", KINDS)
def test_cookbook_equals_python_control(kind):
    """Q-form sections equal another library's prewarped bilinear transform.

    Source: python-control, `sample_system(..., "bilinear", prewarp_frequency)`, of the analogue
    prototypes of the W3C Audio EQ Cookbook (Group Note, 2021-06-08).
    Tolerance: 1e-9 in coefficients.
    """
    rate_hz = 48_000
    for frequency_hz, q, gain_db in [(100, 0.7071, -6.0), (1000, 1.0, 6.0), (9000, 8.65, -12.0)]:
        w = 2 * math.pi * frequency_hz
        b, a = analogue(kind, q, gain_db)
        powers = w ** np.arange(3)
        system = control.TransferFunction(
            np.pad(b, (3 - len(b), 0)) * powers, np.asarray(a) * powers
        )
        sampled = control.sample_system(system, 1 / rate_hz, "bilinear", prewarp_frequency=w)
        numerator, denominator = sampled.num[0][0], sampled.den[0][0]
        numerator = np.pad(numerator, (3 - len(numerator), 0)) / denominator[0]
        ours = design(kind, frequency_hz, gain_db, q=q, sample_rate_hz=rate_hz)
        np.testing.assert_allclose(
            ours[0], [*numerator, *denominator / denominator[0]], rtol=0, atol=1e-9
        )


@pytest.mark.parametrize("share", [0.001, 0.05, 0.2, 0.4, 0.46])
@pytest.mark.parametrize("q", [1.0, 4.0, 10.0])
def test_notch_equals_scipy_iirnotch_with_its_q_mapped(share, q):
    """The notch is `iirnotch` whose Q keeps the -3 dB width in hertz, once Q is mapped.

    Source: `scipy.signal.iirnotch`; with tan(bandwidth / 2) = sin(w0) / 2Q on its side and
    alpha = sin(w0) / 2Q on the cookbook's, Q = sin(w0) / (2 tan(w0 / 2 Q')).
    Tolerance: 1e-9 in coefficients.
    """
    w0 = 2 * math.pi * share
    mapped = math.sin(w0) / (2 * math.tan(w0 / (2 * q)))
    b, a = signal.iirnotch(share, q, fs=1.0)
    ours = cookbook.notch(share * 48_000, mapped, sample_rate_hz=48_000)
    np.testing.assert_allclose(ours[0], [*b, *a], rtol=0, atol=1e-9)


@pytest.mark.parametrize("order", range(1, 9))
@pytest.mark.parametrize("btype", ["highpass", "lowpass"])
def test_butterworth_cascades_equal_scipy(order, btype):
    """Cascades of any order have Butterworth's poles, zeros and gain.

    Source: `scipy.signal.butter`.
    Tolerance: 1e-9 in the response; 1e-9 in the coefficients of second order.
    """
    cascade = high_pass_cascade if btype == "highpass" else low_pass_cascade
    frequency_hz = np.linspace(0, 24_000, 500)
    for corner_hz in (80.0, 1000.0, 18_000.0):
        theirs = signal.butter(order, corner_hz, btype, fs=48_000, output="sos")
        ours = cascade(corner_hz, order, sample_rate_hz=48_000)
        if order == 2:
            np.testing.assert_allclose(ours, theirs, rtol=0, atol=1e-9)
        z = np.exp(-2j * np.pi * frequency_hz / 48_000)[:, None]
        powers = z ** np.arange(3)
        expected = np.prod(powers @ theirs[:, :3].T / (powers @ theirs[:, 3:].T), axis=1)
        response = frequency_response(ours, frequency_hz, sample_rate_hz=48_000)
        np.testing.assert_allclose(response, expected, rtol=0, atol=1e-9)


@pytest.mark.parametrize("gain_db", [-12.0, -3.0, 6.0])
@pytest.mark.parametrize("q", [0.7, 4.0, 30.0])
@pytest.mark.parametrize("frequency_hz", [80.0, 2500.0, 15_000.0])
def test_peaking_has_half_its_gain_at_band_edges(frequency_hz, gain_db, q):
    """Band edges of the bell sit at half the gain in dB.

    Source: closed form from the cookbook's analogue prototype: |H| = A exactly where
    |W - 1/W| = 1/Q, with frequencies mapped by the bilinear transform.
    Tolerance: 1e-6 dB.
    """
    edges = math.sqrt(1 + 1 / (4 * q * q)) + np.array([-1, 1]) / (2 * q)
    edges_hz = 48_000 / np.pi * np.arctan(edges * math.tan(math.pi * frequency_hz / 48_000))
    section = cookbook.peaking(frequency_hz, gain_db, q, sample_rate_hz=48_000)
    level_db = magnitude_db(section, [*edges_hz, frequency_hz], sample_rate_hz=48_000)
    np.testing.assert_allclose(level_db, [gain_db / 2, gain_db / 2, gain_db], rtol=0, atol=1e-6)


@pytest.mark.parametrize("q", [0.9, 8.65])
@pytest.mark.parametrize("frequency_hz", [80.0, 1000.0, 12_500.0])
def test_notch_is_3_db_down_at_its_band_edges(frequency_hz, q):
    """Band edges W1, W2 of the notch satisfy (W2 - W1) / W0 = 1/Q and W1 W2 = W0^2.

    Source: closed form from the cookbook's analogue prototype, half power where |W - 1/W| = 1/Q.
    Tolerance: 1e-9 dB.
    """
    edges = math.sqrt(1 + 1 / (4 * q * q)) + np.array([-1, 1]) / (2 * q)
    edges_hz = 48_000 / np.pi * np.arctan(edges * math.tan(math.pi * frequency_hz / 48_000))
    section = cookbook.notch(frequency_hz, q, sample_rate_hz=48_000)
    level_db = magnitude_db(section, edges_hz, sample_rate_hz=48_000)
    np.testing.assert_allclose(level_db, 10 * math.log10(0.5), rtol=0, atol=1e-9)


@pytest.mark.parametrize(
    ("octaves", "q"),
    [
        (2, 0.67),
        (1, 1.41),
        (2 / 3, 2.14),
        (1 / 2, 2.87),
        (1 / 3, 4.32),
        (1 / 6, 8.65),
        (1 / 10, 14.4),
        (1 / 12, 17.3),
        (1 / 20, 28.9),
        (1 / 30, 43.3),
    ],
)
def test_octaves_to_q_table(octaves, q):
    """Widths in octaves and their Q.

    Source: the bandwidth-to-Q table printed in sound reinforcement handbooks and equaliser
    application notes.
    Tolerance: half a unit of the last digit printed.
    """
    digits = 2 if q < 10 else 1
    assert round(q_from_octaves(octaves), digits) == q
    assert octaves_from_q(q) == pytest.approx(octaves, rel=0.005)


@pytest.mark.parametrize("cut_db", [-4, -6, -9, -12, -18])
def test_q_conventions_against_measured_curves(cut_db):
    """A cookbook Q of 10 in other conventions, measured on the analogue curve.

    Source: closed form; widths found by root search on |H| of the cookbook's analogue
    prototype, poles by `numpy.roots`.
    Tolerance: 1e-6.
    """
    b, a = analogue("peaking", 10.0, cut_db)

    def level(w):
        return 20 * np.log10(np.abs(np.polyval(b, 1j * w) / np.polyval(a, 1j * w)))

    def width(level_db):
        low, high = 0.2, 1.0
        for _ in range(80):
            middle = (low + high) / 2
            low, high = (middle, high) if level(middle) > level_db else (low, middle)
        return 1 / low - low

    pole_pair = np.roots(a)[0]
    measured = {
        QConvention.COOKBOOK: 1 / width(cut_db / 2),
        QConvention.THREE_DB_FROM_FLAT: 1 / width(-3.0),
        QConvention.THREE_DB_FROM_BOTTOM: 1 / width(cut_db + 3.0),
        QConvention.POLE: abs(pole_pair) / (-2 * pole_pair.real),
    }
    for convention, curve in measured.items():
        ours = convert_q(10.0, cut_db, source=QConvention.COOKBOOK, target=convention)
        assert ours == pytest.approx(curve, rel=1e-6)
        back = convert_q(ours, cut_db, source=convention, target=QConvention.COOKBOOK)
        assert back == pytest.approx(10.0, rel=1e-12)


@pytest.mark.parametrize(
    ("frequency_hz", "error_db"),
    [(4000, 0.03), (6300, 0.07), (8000, 0.11), (10_000, 0.18), (12_500, 0.30), (16_000, 0.60)],
)
def test_planned_bell_keeps_its_width_near_nyquist(frequency_hz, error_db):
    """A -12 dB sixth-octave bell at 48 kHz stays close to the analogue curve.

    Source: closed form, |H| of the cookbook's analogue prototype over 20 Hz to 23.9 kHz. The
    cookbook's Q form is off by 0.25 dB at 4 kHz and 4.6 dB at 16 kHz.
    """
    grid_hz = np.linspace(20, 23_900, 8000)
    s = 1j * grid_hz / frequency_hz
    b, a = analogue("peaking", 8.65, -12.0)
    expected_db = 20 * np.log10(np.abs(np.polyval(b, s) / np.polyval(a, s)))
    planned = Filter(FilterKind.PEAKING, frequency_hz, q=8.65, gain_db=-12.0)
    ours_db = magnitude_db(
        filter_sos(planned, sample_rate_hz=48_000), grid_hz, sample_rate_hz=48_000
    )
    assert np.max(np.abs(ours_db - expected_db)) < error_db


@pytest.mark.parametrize("gain_db", [-9.0, 6.0])
def test_shelf_of_slope_one_is_the_steepest_monotonic(gain_db):
    """Slope 1 equals Q of 1/sqrt(2), and its gain at the midpoint is half the shelf's.

    Source: W3C Audio EQ Cookbook (Group Note, 2021-06-08), definition of the shelf slope S.
    """
    for shelf in (cookbook.low_shelf, cookbook.high_shelf):
        by_slope = shelf(1000.0, gain_db, slope=1.0, sample_rate_hz=48_000)
        by_q = shelf(1000.0, gain_db, math.sqrt(0.5), sample_rate_hz=48_000)
        np.testing.assert_allclose(by_slope, by_q, rtol=0, atol=1e-12)
        grid_hz = np.geomspace(20, 20_000, 400)
        level_db = magnitude_db(by_slope, grid_hz, sample_rate_hz=48_000)
        steps = np.diff(level_db)
        assert np.all(steps * np.sign(level_db[-1] - level_db[0]) > -1e-9)
        middle_db = magnitude_db(by_slope, 1000.0, sample_rate_hz=48_000)
        assert middle_db == pytest.approx(gain_db / 2, abs=1e-9)


def test_group_delay_of_a_butterworth_high_pass():
    """Group delay near 0 Hz, where plain polynomial evaluation loses its digits.

    Source: closed form of the analogue prototype, delay (1/Q)(1 + W^2) / w0 over
    (1 - W^2)^2 + (W/Q)^2; at 100 Hz and 48 kHz the bilinear transform moves it by under 0.01 %.
    """
    q = math.sqrt(0.5)
    section = cookbook.high_pass(100.0, q, sample_rate_hz=48_000)
    frequency_hz = np.array([0.001, 0.1, 1.0, 30.0, 100.0, 300.0])
    w = frequency_hz / 100.0
    expected_s = (1 + w**2) / q / ((1 - w**2) ** 2 + (w / q) ** 2) / (2 * math.pi * 100.0)
    ours_s = group_delay_s(section, frequency_hz, sample_rate_hz=48_000)
    np.testing.assert_allclose(ours_s, expected_s, rtol=5e-4)


def test_third_octave_frequencies_of_iso_266_and_iec_61260():
    """Nominal and exact frequencies of the third-octave bands.

    Source: ISO 266:1997 (R10 series of ISO 3) for the nominal frequencies; IEC 61260-1:2014,
    base ten, for exact midbands 1000 * 10^(n/10) and the edges 891.2509 and 1122.0185 Hz of the
    1 kHz band.
    """
    r10 = [1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8]
    expected = [step * decade for decade in (10, 100, 1000, 10_000) for step in r10]
    expected = [hz for hz in expected if 20 <= hz <= 20_000]
    assert pytest.approx(expected) == list(NOMINAL_HZ)
    for n, nominal_hz in zip(range(-17, 14), NOMINAL_HZ, strict=True):
        assert exact_midband_hz(nominal_hz) == pytest.approx(1000 * 10 ** (n / 10), rel=1e-12)
    edges_hz = [1000 / EDGE_RATIO, 1000 * EDGE_RATIO]
    np.testing.assert_allclose(edges_hz, [891.2509, 1122.0185], rtol=0, atol=1e-4)
