"""How much gain for how much tone, whose band it is, and what holds where nobody measured."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pytest
from scipy import signal

from shaping.equaliser.limits_file import load_limits
from shaping.errors import ParameterError
from shaping.filters.kinds import FilterKind
from shaping.plan.loop.best_cuts import (
    added_gain_db,
    optimise_curves,
    ordinary_cuts,
)
from shaping.plan.loop.choice import choose, other_equalisers
from shaping.plan.loop.level_curve import LevelCurve
from shaping.plan.loop.noise_curve import noise_curve, pink_doubts
from shaping.plan.loop.unseen import unseen_gain_db
from shaping.plan.loop.wishes import Favour, Wishes
from shaping.plan.thinning.starting_points import ThinningAmount, thinning_filters
from tests.analysis.loop.loop_makers import RATE, diffuse_path, pink_noise, true_response

EQUAL_HZ = (200.0, 330.0, 545.0, 900.0, 1485.0, 2450.0)


def _curve(peaks_hz: Sequence[float], *, floor_db: float = -12.0) -> LevelCurve:
    """Return peaks of 0 dB, a twentieth of an octave wide, over a floor."""
    frequency_hz = np.geomspace(60, 12_000, 1500)
    octaves = np.log2(frequency_hz[None] / np.array(peaks_hz)[:, None])
    level_db = floor_db - floor_db * np.exp(-((octaves / 0.1) ** 2)).max(axis=0)
    return LevelCurve(frequency_hz, level_db, np.zeros(level_db.size))


def _chosen(curve: LevelCurve, name: str, amount: ThinningAmount = ThinningAmount.LIGHT):
    limits = load_limits(name)
    thin = thinning_filters(amount, limits)
    return choose([curve], limits, thin, wishes=Wishes(), sample_rate_hz=RATE)


def test_many_equal_peaks_are_met_with_broad_cuts_rather_than_none() -> None:
    curve = _curve(EQUAL_HZ)
    chosen = _chosen(curve, "parametric-4")
    assert chosen.cuts.cuts
    assert added_gain_db([curve], chosen.filters, sample_rate_hz=RATE) >= 1.9


def test_the_low_mid_cut_gives_way_only_where_feedback_needs_its_band() -> None:
    four = (700.0, 1300.0, 2600.0, 5200.0)
    needs = _chosen(_curve(four), "parametric-4")
    assert needs.gave_way
    assert all(one.filter.kind is FilterKind.HIGH_PASS for one in needs.thinning)
    assert len(needs.cuts.cuts) == 4
    spared = _chosen(_curve(four[:2]), "parametric-4")
    assert not spared.gave_way
    assert any(one.filter.kind is FilterKind.PEAKING for one in spared.thinning)


def test_a_slider_that_thins_goes_deeper_rather_than_its_neighbour() -> None:
    chosen = _chosen(_curve([315.0, 2500.0]), "graphic-31")
    depth = {one.frequency_hz: one.gain_db for one in chosen.filters if one.gain_db is not None}
    assert len(depth) == sum(one.gain_db is not None for one in chosen.filters)
    assert depth[315.0] < -4.0
    assert depth.get(400.0, 0.0) > -3.0
    assert depth[250.0] <= -2.0


def test_other_equalisers_are_told_where_the_bands_are_too_few() -> None:
    curve = _curve(EQUAL_HZ)
    limits = load_limits("parametric-4")
    said = other_equalisers(
        [curve],
        limits,
        _chosen(curve, "parametric-4"),
        wishes=Wishes(),
        sample_rate_hz=RATE,
    )
    assert "six parametric bands" in said[0]
    one = _curve([2450.0])
    assert not other_equalisers(
        [one], limits, _chosen(one, "parametric-4"), wishes=Wishes(), sample_rate_hz=RATE
    )


def test_tone_and_gain_are_favoured_in_their_order() -> None:
    curve, limits = _curve(EQUAL_HZ[:4]), load_limits("parametric-6")
    tone, balanced, gain = (optimise_curves([curve], limits, favour=one) for one in Favour)
    assert tone.added_db < balanced.added_db < gain.added_db
    assert tone.tone_db < balanced.tone_db < gain.tone_db
    ordinary = ordinary_cuts(curve.frequency_hz, curve.level_db, limits, 6, sample_rate_hz=RATE)
    ordinary_db = added_gain_db([curve], ordinary, sample_rate_hz=RATE)
    assert balanced.ordinary_db == pytest.approx(ordinary_db, abs=0.05)
    assert balanced.added_db >= ordinary_db - 0.1
    with pytest.raises(ParameterError, match="tone or balanced or gain"):
        Wishes(favour="loud")


def test_the_curve_of_gain_against_tone_rises_through_the_plan() -> None:
    plan = optimise_curves([_curve(EQUAL_HZ[:3])], load_limits("parametric-6"))
    assert plan.gain_for_tone[0] == (0.0, 0.0)
    assert (plan.tone_db, plan.added_db) in plan.gain_for_tone
    for (tone, gain), (more_tone, more_gain) in itertools.pairwise(plan.gain_for_tone):
        assert more_tone >= tone
        assert more_gain >= gain


def test_less_is_promised_of_a_place_nobody_measured_and_more_after_more_places() -> None:
    one = unseen_gain_db([-9.0], [-4.0], added_db=5.0)
    three = unseen_gain_db([-9.0, -9.2, -8.9], [-4.0, -4.0, -4.0], added_db=5.0)
    apart = unseen_gain_db([-9.0, -5.0, -13.0], [-4.0, -4.0, -4.0], added_db=5.0)
    plain = unseen_gain_db([-9.0], [-9.0], added_db=0.0)
    assert one < three < -4.0
    assert apart < three
    assert -14.5 < plain < -11.5


def test_an_unmeasured_place_is_counted_from_the_mean_of_those_measured() -> None:
    """Source: A. Gelman et al., Bayesian Data Analysis, ch. 3 (Student's t of the next value).

    The 95 % point of Student's t is 2.1318 with 4 degrees of freedom and 1.9432 with 6 (tables);
    the usual spread of 1.5 dB counts as four places.
    """
    one = unseen_gain_db([-9.0], [-4.0], added_db=5.0)
    assert one == pytest.approx(-4.0 - 5.0 / 2 - 2.1318 * 1.5 * 2**0.5, abs=1e-3)
    three = unseen_gain_db([-9.0] * 3, [-4.0, -2.0, -3.0], added_db=6.0)
    spread_db = 1.5 * (4 / 6) ** 0.5
    assert three == pytest.approx(-3.0 - 6.0 / 4 - 1.9432 * spread_db * (4 / 3) ** 0.5, abs=1e-3)
    far = unseen_gain_db([-9.0] * 3, [-20.0, 0.0, 0.0], added_db=0.0)
    assert far == -20.0  # never more than the worst place measured bears


def test_noise_alone_gives_the_level_of_the_path_up_to_a_constant() -> None:
    rng = np.random.default_rng(30)
    path = diffuse_path(rng, t60_s=0.2)
    heard = signal.oaconvolve(pink_noise(20, rng), path).astype(np.float32)
    found = noise_curve(heard, RATE)
    inside = (found.frequency_hz > 200) & (found.frequency_hz < 8000)
    truth_db = 20 * np.log10(np.abs(true_response(path, found.frequency_hz[inside])))
    measured_db = found.level_db[inside] + found.error_db[inside]
    loud = truth_db > np.median(truth_db)
    off_db = (measured_db - truth_db)[loud]
    assert np.std(off_db) < 0.8
    assert np.all(found.error_db < 0.5)


def test_what_is_not_pink_noise_in_a_room_is_said() -> None:
    rng = np.random.default_rng(31)
    noise = pink_noise(10, rng)
    (dry,) = pink_doubts(noise, RATE)
    assert "may be the test signal itself" in dry
    heard = signal.oaconvolve(noise, diffuse_path(rng)).astype(np.float32)
    assert pink_doubts(heard, RATE) == []
    white = signal.oaconvolve(rng.standard_normal(10 * RATE), diffuse_path(rng))
    (rising,) = pink_doubts(white.astype(np.float32), RATE)
    assert "rises by 3" in rising or "rises by 2." in rising
