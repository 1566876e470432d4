"""Mains and wedges together: powers added, words of the mains, and what one seat hears."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from shaping.analysis.first_row.interference import interference, wedges_later_s
from shaping.analysis.first_row.speech import BANDS_HZ
from shaping.analysis.first_row.spill import Spill
from shaping.analysis.first_row.together import together_change, together_db, words_of_mains
from shaping.filters.design import cascade_sos
from shaping.filters.kinds import Filter, FilterKind

RATE = 16_000
LOW_MIDS = (125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0)
NO_FILTER = cascade_sos((), sample_rate_hz=RATE)


def spill(over_db: float) -> Spill:
    level = np.full(len(LOW_MIDS), -40.0)
    return Spill(LOW_MIDS, level, level + over_db, level * 0 + over_db, level * 0)


@pytest.mark.parametrize(
    ("over_db", "sum_db"), [(0, 3.0), (3, 1.8), (6, 1.0), (10, 0.4), (15, 0.1)]
)
def test_powers_add(over_db, sum_db):
    """What a wedge adds to the mains, d dB under them: 10 lg(1 + 10^(-d / 10)).

    Source: textbook sum of two incoherent sources.
    """
    assert together_db(spill(over_db)) + 40 - over_db == pytest.approx(np.full(7, sum_db), abs=0.05)


def test_thinning_the_wedge_takes_less_from_both_than_from_the_wedge():
    change = together_change(spill(3.0), np.full(7, -3.0))
    # 10 lg((2 + 1/2) / (2 + 1)) = -0.79 dB, with 10^0.3 = 1.995.
    assert change.low_mids_db == pytest.approx(-0.79, abs=0.01)
    assert together_change(spill(-40.0), np.full(7, -3.0)).low_mids_db == pytest.approx(
        -3, abs=0.01
    )


def words(low_db: float, high_db: float, from_hz: float = 630.0) -> float:
    over = -np.where(np.array(BANDS_HZ) < from_hz, low_db, high_db)
    found = words_of_mains(BANDS_HZ, over)
    assert found is not None
    return found


def test_the_same_decibels_above_630_hz_cost_three_to_four_times_as_much():
    """Spill as loud as the mains in the low mids alone, and in all above alone.

    Source: formula of ANSI S3.5-1997, held against MoSQITo in tests/external; the ratio is what
    the page says beside the number.
    """
    clear = words(-60.0, -60.0)
    low, high = clear - words(0.0, -60.0), clear - words(-60.0, 0.0)
    assert 3.0 < high / low < 4.5


def test_cutting_low_mids_of_spill_that_falls_above_helps_by_a_few_hundredths():
    bands = np.array(BANDS_HZ)
    slope = np.where(bands > 500, -12 * np.log2(bands / 500), 0.0)  # heard from behind
    cut = np.where(bands <= 500, 6.0, 0.0)
    before, after = words_of_mains(BANDS_HZ, -slope), words_of_mains(BANDS_HZ, -slope + cut)
    assert 0.02 < after - before < 0.06


def test_bands_that_are_missing_leave_the_words_untold():
    assert words_of_mains(LOW_MIDS, np.zeros(7)) is None


def pair(delay: int, rng, *, gain: float = 0.7):
    source = rng.standard_normal(12 * RATE)
    mains = np.roll(source, 200) + 0.01 * rng.standard_normal(source.size)
    wedges = gain * np.roll(source, 200 + delay) + 0.01 * rng.standard_normal(source.size)
    return wedges, mains


@pytest.mark.parametrize("delay", [-120, 0, 33, 700])
def test_the_difference_of_arrival_is_found(delay, rng):
    wedges, mains = pair(delay, rng)
    assert wedges_later_s(wedges, mains, RATE) == pytest.approx(delay / RATE, abs=0.5 / RATE)


def test_different_sounds_or_starts_too_far_apart_tell_nothing(rng):
    wedges, mains = pair(2000, rng)  # 0.125 s
    assert wedges_later_s(wedges, mains, RATE) is None
    other = rng.standard_normal(mains.size)
    assert wedges_later_s(other, mains, RATE) is None
    assert interference(other, mains, RATE, bands_hz=LOW_MIDS, sos=NO_FILTER) is None


def test_a_comb_adds_and_cancels_where_it_should(rng):
    """A wedge 4 ms late: a peak at 250 Hz, a dip at 125 Hz.

    Source: |1 + r exp(-j 2 pi f d)|^2 over (1 + r^2), averaged over the band.
    """
    delay = 64
    wedges, mains = pair(delay, rng)
    found = interference(wedges, mains, RATE, bands_hz=LOW_MIDS, sos=NO_FILTER)
    assert found is not None
    # Bands narrower than 1 / (2 * 4 ms) = 125 Hz: those up to 500 Hz (116 Hz wide).
    assert found.nominal_hz == LOW_MIDS
    for hz, got in zip(found.nominal_hz, found.before_db, strict=True):
        f = np.linspace(hz * 10**-0.05, hz * 10**0.05, 500)
        exact = np.mean(np.abs(1 + 0.7 * np.exp(-2j * np.pi * f * delay / RATE)) ** 2) / 1.49
        assert got == pytest.approx(10 * np.log10(exact), abs=0.6)
    assert found.before_db[LOW_MIDS.index(125.0)] < -5 < 2 < found.before_db[LOW_MIDS.index(250.0)]
    assert found.after_db == pytest.approx(found.before_db)
    assert found.change_db == pytest.approx(np.zeros(7))
    late = interference(*pair(160, rng), RATE, bands_hz=LOW_MIDS, sos=NO_FILTER)
    assert late is not None
    assert late.nominal_hz == LOW_MIDS[:3]  # 10 ms: narrower than 50 Hz


def test_filters_on_the_wedge_change_what_really_adds(rng):
    """Against the sum made sample by sample with scipy's own filter."""
    wedges, mains = pair(64, rng)
    bell = [Filter(FilterKind.HIGH_PASS, 200.0, order=2)]
    sos = cascade_sos(bell, sample_rate_hz=RATE)
    found = interference(wedges, mains, RATE, bands_hz=LOW_MIDS, sos=sos)
    own = signal.butter(2, 200.0, "highpass", fs=RATE, output="sos")
    sums = [mains + wedges, mains + signal.sosfilt(own, wedges)]
    assert found is not None
    f, spectra = signal.welch(np.array(sums), fs=RATE, nperseg=RATE // 2)
    for hz, change_db in zip(found.nominal_hz, found.change_db, strict=True):
        exact_hz = 1000.0 * 10 ** (round(10 * np.log10(hz / 1000.0)) / 10)  # IEC 61260-1
        band = (f >= exact_hz * 10**-0.05) & (f < exact_hz * 10**0.05)
        before, after = spectra[:, band].sum(axis=1)
        assert change_db == pytest.approx(10 * np.log10(after / before), abs=0.4)
    low = (f >= 125 * 10**-0.05) & (f < 500 * 10**0.05)
    before, after = spectra[:, low].sum(axis=1)
    assert found.low_mids_change_db == pytest.approx(10 * np.log10(after / before), abs=0.3)
