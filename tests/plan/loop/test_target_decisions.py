"""What gain is looked for, who is told of other equalisers, what holds elsewhere: by hand."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from shaping.equaliser.limits_file import load_limits
from shaping.errors import ParameterError
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.loop import best_cuts, choice
from shaping.plan.loop.best_cuts import NO_CUTS, OptimisedCuts, optimise_curves, ordinary_cuts
from shaping.plan.loop.choice import Choice, other_equalisers
from shaping.plan.loop.cut_search import CutSearch
from shaping.plan.loop.level_curve import LevelCurve, upper_points
from shaping.plan.loop.noise_curve import pink_doubts
from shaping.plan.loop.unseen import unseen_gain_db
from shaping.plan.loop.wishes import Favour, Wishes

FOUR, RATE = load_limits("parametric-4"), 48_000.0


def curve(*points: tuple[float, float], error_db: float = 0.0) -> LevelCurve:
    hz, level = np.array(points).T
    return LevelCurve(hz, level, np.full(hz.size, error_db))


def asked_of_the_search(
    monkeypatch: pytest.MonkeyPatch, favour: Favour, *, gain_db: float = -6.0, error_db: float = 0.0
) -> tuple[float, float]:
    """Return target and weight of the search, where one ordinary cut takes so much off."""
    asked: list[tuple[float, float]] = []

    class Noted(CutSearch):
        def __init__(self, *args: Any, **facts: Any) -> None:
            asked.append((facts["target_db"], facts["tone_weight"]))
            super().__init__(*args, **facts)

    monkeypatch.setattr(best_cuts, "CutSearch", Noted)
    level = curve((1000.0, 0.0), (4000.0, gain_db), error_db=error_db)
    optimise_curves([level], FOUR, cuts=1, favour=favour)
    return asked[0]


@pytest.mark.parametrize(
    ("favour", "top_db", "target_db"),
    [
        # One cut of -6 dB takes 5 dB off before the next peak is the highest.
        (Favour.BALANCED, -5.0, 5.05),
        (Favour.TONE, -5.0, 2.55),
        (Favour.BALANCED, -1.0, 2.05),  # at least 2 dB is looked for
        (Favour.TONE, -1.0, 1.05),
        (Favour.GAIN, -5.0, math.inf),
    ],
)
def test_all_or_half_of_what_ordinary_cuts_add_is_looked_for(
    monkeypatch: pytest.MonkeyPatch, favour: Favour, top_db: float, target_db: float
) -> None:
    found, weight = asked_of_the_search(monkeypatch, favour, gain_db=top_db)
    assert found == pytest.approx(target_db, abs=0.01)
    assert weight == (0.02 if favour is Favour.GAIN else 0.5)


def test_where_levels_are_unsure_one_and_a_half_deviations_more_are_looked_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Both points rise by their error alike, so that the ordinary cut adds the same 5 dB."""
    found, _ = asked_of_the_search(monkeypatch, Favour.BALANCED, gain_db=-5.0, error_db=0.4)
    assert found == pytest.approx(5.05 + 0.6, abs=0.01)


def test_errors_of_what_lies_6_db_below_the_top_do_not_count() -> None:
    def target(low_db: float) -> float:
        level = LevelCurve(
            np.array([1000.0, 4000.0]), np.array([0.0, low_db]), np.array([0.0, 1.0])
        )
        return best_cuts._unsure_db([level])

    assert target(-6.1) == 0.0
    assert target(-5.9) > 1.0  # 90 % of the way to 1 dB, one and a half times


class Endless:
    """A search that never ends by itself: every cut brings another decibel."""

    most_cuts = 40

    def __init__(self, *_: Any, **__: Any) -> None:
        pass

    def extend(self, found: list[tuple[int, int, int]]) -> list[tuple[int, int, int]]:
        return [*found, (len(found), 0, 0)]

    def net_db(self, found: list[Any]) -> float:
        return float(len(found))

    added_db = tone_db = net_db

    def without_shallow(self, found: list[Any]) -> list[Any]:
        return found

    polished = without_shallow

    def filters(self, found: list[Any]) -> tuple[Filter, ...]:
        return tuple(Filter(FilterKind.PEAKING, 100.0, q=8.0, gain_db=-3.0) for _ in found)

    def frontier(self, *_: Any) -> list[tuple[float, float]]:
        return []


def test_an_ordinary_cut_is_6_db_deep_with_q_8_and_six_are_the_most(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Of eight peaks an octave apart six are cut, which leaves the seventh: 0.6 dB below."""
    level = curve(*((60.0 * 2.0**n, -0.1 * n) for n in range(8)))
    hz, level_db = upper_points([level], (), sample_rate_hz=RATE)
    free = load_limits("free")
    (first,) = ordinary_cuts(hz, level_db, free, 1, sample_rate_hz=RATE)
    assert (first.gain_db, first.q) == (-6.0, pytest.approx(8.0, rel=0.02))
    monkeypatch.setattr(best_cuts, "CutSearch", Endless)
    assert optimise_curves([level], free, cuts=8).ordinary_db == pytest.approx(0.6, abs=0.08)
    assert optimise_curves([level], free, cuts=3).ordinary_db == pytest.approx(0.3, abs=0.08)


def test_twelve_cuts_are_looked_for_at_most(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(best_cuts, "CutSearch", Endless)
    many = load_limits("free")
    assert many.bands > 12
    assert len(optimise_curves([curve((1000.0, 0.0))], many).cuts) == 12


@pytest.mark.parametrize(
    ("got_db", "other_db", "told"),
    [(2.9, 3.91, True), (2.9, 3.89, False), (3.1, 9.0, False)],
)
def test_another_equaliser_is_told_where_little_is_added_and_1_db_more_could_be(
    monkeypatch: pytest.MonkeyPatch, got_db: float, other_db: float, told: bool
) -> None:
    found = OptimisedCuts((), other_db, 0.0, (0.0,), (0.0,), 0, 0.0, 0.0)
    monkeypatch.setattr(choice, "added_gain_db", lambda *_, **__: got_db)
    monkeypatch.setattr(choice, "optimise_curves", lambda *_, **__: found)
    said = other_equalisers(
        [curve((1000.0, 0.0))],
        FOUR,
        Choice((), NO_CUTS, gave_way=False),
        wishes=Wishes(),
        sample_rate_hz=RATE,
    )
    assert bool(said) is told


@pytest.mark.parametrize("places", [1, 3])
def test_a_further_place_follows_students_t(places: int) -> None:
    """Source: Gelman et al.: the next of n + 4 values; 95 % from a published table of t."""
    t = {4: 2.132, 6: 1.943}[3 + places]
    after = [-4.0] * places
    spread = math.sqrt(4 * 1.5**2 / (3 + places))  # before any is measured 1.5 dB, worth 4 places
    behind = 2.0 / (places + 1)
    expected = -4.0 - behind - t * spread * math.sqrt(1 + 1 / places)
    assert unseen_gain_db([-6.0] * places, after, added_db=2.0) == pytest.approx(expected, abs=2e-3)
    assert stats.t.ppf(0.95, 3 + places) == pytest.approx(t, abs=1e-3)


@pytest.mark.parametrize(("margin_db", "allowed"), [(0.0, True), (30.0, True), (30.1, False)])
def test_a_margin_of_30_db_is_the_most(margin_db: float, allowed: bool) -> None:
    if allowed:
        assert Wishes(margin_db=margin_db).margin_db == margin_db
        return
    with pytest.raises(ParameterError, match="between 0 and 30 dB"):
        Wishes(margin_db=margin_db)


def tilted(db_per_octave: float) -> np.ndarray:
    """Return 6 s of noise that tilts so against pink noise at 24 kHz."""
    rng = np.random.default_rng(4)
    size = 6 * 24_000
    hz = np.maximum(np.fft.rfftfreq(size, 1 / 24_000), 20.0)
    level_db = db_per_octave * np.log2(hz / 20.0)
    spectrum = np.fft.rfft(rng.standard_normal(size)) * 10 ** (level_db / 20)
    return (0.01 * np.fft.irfft(spectrum / np.sqrt(hz), size)).astype(np.float32)


@pytest.mark.parametrize(("tilt", "told"), [(2.3, False), (2.7, True), (-2.7, True)])
def test_two_and_a_half_db_per_octave_against_pink_is_too_steep(tilt: float, told: bool) -> None:
    assert any("per octave" in one for one in pink_doubts(tilted(tilt), 24_000)) is told
