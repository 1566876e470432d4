"""What feedback cuts can be set to, and what they do to tone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate

from shaping.equaliser.limits_file import load_limits
from shaping.equaliser.menu import cuts_db, feedback_settings, removed_tone_db
from shaping.filters.design import filter_sos
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.response import magnitude_db
from shaping.filters.width import QConvention

RATE_HZ = 48_000.0
FREE = load_limits("free")


def test_widths_run_from_half_an_octave_to_what_air_allows() -> None:
    settings = feedback_settings(FREE, sample_rate_hz=RATE_HZ)
    assert settings is not None
    assert (settings.q.min(), settings.q.max()) == pytest.approx((3.0, 30.0))
    steps = settings.q[0, 1:] / settings.q[0, :-1]
    assert steps == pytest.approx(np.full(steps.size, steps[0]))
    assert 1.08 < steps[0] <= 1.09  # as few as keep within 9 %
    assert settings.gain_db[:3, 0].tolist() == [-0.5, -1.0, -1.5]
    assert np.all(settings.gain_db == settings.gain_db[:, :1])
    octaves = np.diff(np.log2(settings.centres_hz))
    assert octaves == pytest.approx(np.full(octaves.size, 1 / 96), rel=0.01)
    assert settings.centres_hz[0] == FREE.min_frequency_hz
    assert settings.centres_hz[-1] == pytest.approx(min(FREE.max_frequency_hz, 0.45 * RATE_HZ))
    assert not settings.one_per_centre


@pytest.mark.parametrize(
    ("min_q", "max_q", "low", "high"),
    [(0.4, 10.0, 3.0, 10.0), (5.0, 8.0, 5.0, 8.0), (0.4, 2.0, 2.0, 2.0), (40.0, 60.0, 40.0, 40.0)],
)
def test_widths_keep_to_the_equalisers_range(
    min_q: float, max_q: float, low: float, high: float
) -> None:
    settings = feedback_settings(replace(FREE, min_q=min_q, max_q=max_q), sample_rate_hz=RATE_HZ)
    assert settings is not None
    assert (settings.q.min(), settings.q.max()) == pytest.approx((low, high))


def test_a_graphic_equaliser_has_each_centre_once_and_one_width() -> None:
    settings = feedback_settings(load_limits("graphic-31"), sample_rate_hz=RATE_HZ)
    assert settings is not None
    assert settings.one_per_centre
    assert settings.centres_hz.size == 31
    assert settings.q.shape[1] == 1
    low_rate = feedback_settings(load_limits("graphic-31"), sample_rate_hz=10_000.0)
    assert low_rate is not None
    assert low_rate.centres_hz.max() == 4000.0  # below 0.45 times the rate


def test_a_notch_has_one_depth() -> None:
    narrow = load_limits("narrow-notch")
    settings = feedback_settings(narrow, sample_rate_hz=RATE_HZ)
    assert settings is not None
    assert settings.kind is FilterKind.NOTCH
    assert settings.gain_db.shape[0] == 1
    assert np.all(settings.gain_db == -np.inf)
    assert settings.filter(0, 0, 0) == Filter(
        FilterKind.NOTCH, float(settings.centres_hz[0]), q=14.4
    )


def test_without_bands_or_centres_there_is_nothing_to_set() -> None:
    assert feedback_settings(replace(FREE, bands=0), sample_rate_hz=RATE_HZ) is None
    high = replace(load_limits("graphic-31"), grid_hz=(8000.0,), min_frequency_hz=20.0)
    assert feedback_settings(high, sample_rate_hz=16_000.0) is None


def test_depths_without_a_meaning_in_the_dials_convention_are_left_out() -> None:
    flat = replace(FREE, q_convention=QConvention.THREE_DB_FROM_FLAT, gain_step_db=1.0)
    settings = feedback_settings(flat, sample_rate_hz=RATE_HZ)
    assert settings is not None
    assert settings.gain_db.max() == -4.0


@pytest.mark.parametrize("kind", [FilterKind.PEAKING, FilterKind.NOTCH])
def test_responses_in_bulk_are_those_of_the_designs(kind: FilterKind) -> None:
    hz = np.array([50.0, 900.0, 1100.0, 15_000.0])
    for centre_hz, q in ((1000.0, 3.0), (12_000.0, 8.0)):
        gain_db = -6.0 if kind is FilterKind.PEAKING else None
        sos = filter_sos(Filter(kind, centre_hz, q=q, gain_db=gain_db), sample_rate_hz=RATE_HZ)
        found = cuts_db(hz, centre_hz, -6.0, q, kind=kind, sample_rate_hz=RATE_HZ)
        assert found == pytest.approx(magnitude_db(sos, hz, sample_rate_hz=RATE_HZ), abs=1e-6)


@pytest.mark.parametrize(("gain_db", "q"), [(-3.0, 3.0), (-12.0, 8.0), (-30.0, 0.6), (-6.0, 30.0)])
def test_removed_tone_is_the_area_under_the_bell(gain_db: float, q: float) -> None:
    """Source: scipy.integrate over the analogue prototype, an independent quadrature."""
    a = 10 ** (gain_db / 40)

    def level_db(u: float) -> float:
        x = 2 * q * np.sinh(u)
        return float(10 * np.log10((x * x + a * a) / (x * x + 1 / a**2)))

    area, _ = integrate.quad(level_db, -12, 12, points=[0.0], limit=400)
    octaves = np.log2(10_000 / 100)
    expected = -area / np.log(2) / octaves
    found = float(removed_tone_db(gain_db, q, kind=FilterKind.PEAKING))
    assert found == pytest.approx(expected, rel=1e-4)


def test_removed_tone_of_a_notch_is_the_area_above_it() -> None:
    """Source: scipy.integrate over the analogue prototype, an independent quadrature."""
    q = 14.4

    def level_db(u: float) -> float:
        x2 = (2 * q * np.sinh(u)) ** 2
        return float(10 * np.log10(max(x2, 1e-300) / (x2 + 1)))

    area = 2 * integrate.quad(level_db, 1e-12, 12, points=[1e-3, 0.1], limit=400)[0]
    expected = -area / np.log(2) / np.log2(100)
    found = float(removed_tone_db(-np.inf, q, kind=FilterKind.NOTCH))
    assert found == pytest.approx(expected, rel=1e-3)
