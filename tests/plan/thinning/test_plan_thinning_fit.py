import numpy as np
import pytest

from shaping.analysis.first_row.radiation import WedgeModel
from shaping.analysis.first_row.spill import Spill
from shaping.equaliser.limits_file import load_limits
from shaping.equaliser.quantise import allows
from shaping.errors import ParameterError
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.plan import Purpose
from shaping.plan.thinning.effect import (
    MODEL_BANDS_HZ,
    Listening,
    band_change_db,
    intelligibility,
    thinning_summary,
)
from shaping.plan.thinning.fit import fit_cautions, fit_thinning
from shaping.plan.thinning.starting_points import WedgeUse

PRESETS = ["free", "parametric-4", "parametric-6", "graphic-31", "narrow-notch"]


def spill(mains_over_db=0.0, error_db=0.05):
    """Wedges that fall by 1 dB per third octave from 200 Hz, mains flat."""
    bands = np.arange(len(MODEL_BANDS_HZ))
    wedges = -20.0 - np.maximum(bands - 6.0, 0.0)
    mains = np.full(bands.size, -20.0 + mains_over_db)
    return Spill(MODEL_BANDS_HZ, wedges, mains, mains - wedges, np.full(bands.size, error_db))


def dialled(fit):
    return [planned.filter for planned in fit.filters]


def margin_by_hand_db(filters):
    """Mains over wedges of `spill`, 125 to 500 Hz, under analogue filters; powers added.

    Source: the cookbook's bell and the Butterworth high-pass before any sampling, from memory;
    third octaves a tenth of a decade wide (IEC 61260-1).
    """
    centres_hz = 10 ** (np.arange(21, 28) / 10)  # 125 to 500 Hz
    wedges_db = -20.0 - np.array([0.0, 0.0, 0.0, 1.0, 2.0, 3.0, 4.0])
    hz = centres_hz[:, None] * 10 ** (np.linspace(-0.05, 0.05, 41))
    for filter in filters:
        s = 1j * hz / filter.frequency_hz
        if filter.kind is FilterKind.HIGH_PASS:
            assert filter.order == 2
            response = s**2 / (s**2 + np.sqrt(2) * s + 1)
        else:
            a = 10 ** (filter.gain_db / 40)
            response = (s**2 + s * a / filter.q + 1) / (s**2 + s / (a * filter.q) + 1)
        wedges_db = wedges_db + np.mean(20 * np.log10(np.abs(response)), axis=1)
    wedges, mains = (np.sum(10 ** (db / 10)) for db in (wedges_db, np.full(7, -20.0)))
    return 10 * np.log10(mains / wedges)


def test_the_margin_by_hand_starts_where_the_spill_does():
    fit = fit_thinning(spill(), load_limits("free"), below_mains_db=3.0)
    assert fit.margin_before_db == pytest.approx(margin_by_hand_db(()), abs=1e-9)


@pytest.mark.parametrize("preset", ["free", "parametric-4", "parametric-6", "graphic-31"])
@pytest.mark.parametrize("target_db", [3.0, 5.0, 8.0])
def test_target_is_reached_without_overshoot_within_limits(preset, target_db):
    limits = load_limits(preset)
    fit = fit_thinning(spill(), limits, below_mains_db=target_db)
    assert fit.shortfall_db == 0.0
    assert target_db <= fit.margin_after_db <= target_db + 1.0
    assert len([f for f in dialled(fit) if f.kind is FilterKind.PEAKING]) <= limits.bands
    for planned in fit.filters:
        assert allows(limits, planned.filter)
        assert planned.purpose is Purpose.THINNING
        assert "fitted" in planned.reason
    # The margin it says is the margin its filters give.
    assert fit.margin_after_db == pytest.approx(margin_by_hand_db(dialled(fit)), abs=0.1)


def test_nothing_is_cut_where_nothing_needs_it():
    fit = fit_thinning(spill(mains_over_db=9.0), load_limits("free"), below_mains_db=6.0)
    assert fit.filters == ()
    assert fit.margin_after_db == fit.margin_before_db > 6.0


def test_a_greater_target_takes_more():
    costs = []
    for target_db in (2.0, 4.0, 6.0, 8.0):
        fit = fit_thinning(spill(), load_limits("free"), below_mains_db=target_db)
        costs.append(float(np.sum(band_change_db(dialled(fit), MODEL_BANDS_HZ) ** 2)))
    assert costs == sorted(costs)
    assert costs[0] > 0


def test_out_of_reach_says_by_how_much_and_what_to_do_instead():
    for preset in PRESETS:
        fit = fit_thinning(spill(mains_over_db=-15.0), load_limits(preset), below_mains_db=6.0)
        assert fit.shortfall_db > 3.0
        assert fit.margin_after_db >= fit.margin_before_db
        said = " ".join(fit_cautions(fit))
        assert f"turn the wedge down by {fit.shortfall_db:.1f} dB" in said
        assert "not sound pressure levels" in said


def test_short_recordings_are_said_to_be_uncertain():
    sure = fit_thinning(spill(), load_limits("free"), below_mains_db=3.0)
    unsure = fit_thinning(spill(error_db=3.0), load_limits("free"), below_mains_db=3.0)
    assert "uncertain" not in " ".join(fit_cautions(sure))
    assert "uncertain" in " ".join(fit_cautions(unsure))


def test_a_drum_fill_keeps_its_lows():
    fit = fit_thinning(
        spill(), load_limits("parametric-4"), below_mains_db=5.0, use=WedgeUse.DRUM_FILL
    )
    assert all(f.frequency_hz <= 60.0 for f in dialled(fit) if f.kind is FilterKind.HIGH_PASS)


@pytest.mark.parametrize("target_db", [-21.0, 31.0, float("nan")])
def test_senseless_targets_are_refused(target_db):
    with pytest.raises(ParameterError, match="-20 to 30 dB"):
        fit_thinning(spill(), load_limits("free"), below_mains_db=target_db)


FILTERS = (
    Filter(FilterKind.HIGH_PASS, 120.0, order=2),
    Filter(FilterKind.PEAKING, 250.0, q=1.0, gain_db=-6.0),
)


def test_no_filters_change_nothing():
    summary = thinning_summary(())
    assert summary.spill_change_db == summary.spill_change_a_db == summary.spill_change_c_db == 0.0
    assert summary.sii_before == summary.sii_after


def test_thinning_saves_spill_and_costs_little_speech():
    summary = thinning_summary(FILTERS)
    assert -7.0 < summary.spill_change_db < -4.0
    assert summary.spill_change_a_db < 0
    assert summary.spill_change_c_db < 0
    assert 0.0 < summary.sii_before - summary.sii_after < 0.05
    assert any(
        "model" in sentence and "not measured" in sentence for sentence in summary.assumptions
    )


def test_a_measurement_takes_the_place_of_the_model():
    measured = thinning_summary(FILTERS, spill=spill())
    expected_db = margin_by_hand_db(()) - margin_by_hand_db(FILTERS)
    assert measured.spill_change_db == pytest.approx(expected_db, abs=0.1)
    assert "as measured" in measured.assumptions[0]


def test_the_model_wedge_matters():
    near = thinning_summary(FILTERS, wedge=WedgeModel())
    beside = thinning_summary(FILTERS, wedge=WedgeModel(audience_angle_deg=30.0))
    assert near.spill_change_a_db < beside.spill_change_a_db - 0.1


def test_loud_low_mids_close_to_the_mic_cost_more_than_thinning_does():
    # Speech louder than normal distorts, and masks its own upper bands: a mic at the lips with
    # its proximity effect gains less from its bass, so thinning costs less there.
    listening = Listening(voice_db=105.0, stage_noise_db=90.0)

    def cost(distance_m):
        before = intelligibility((), mic_distance_m=distance_m, listening=listening)
        return before - intelligibility(FILTERS, mic_distance_m=distance_m, listening=listening)

    assert cost(0.02) < cost(0.10)


def test_levels_no_ear_meets_are_refused():
    with pytest.raises(ParameterError, match="between 0 and 130"):
        Listening(voice_db=150.0)
