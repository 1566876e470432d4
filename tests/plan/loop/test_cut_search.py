"""The search for cuts on curves of a few points, where the best answer can be seen."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.equaliser.limits_file import load_limits
from shaping.equaliser.menu import Settings, feedback_settings
from shaping.plan.loop.cut_search import CutSearch

RATE_HZ = 48_000.0


def settings_of(name: str = "free") -> Settings:
    settings = feedback_settings(load_limits(name), sample_rate_hz=RATE_HZ)
    assert settings is not None
    return settings


def search(
    *peaks: tuple[float, float], name: str = "free", tone_weight: float = 2.0
) -> tuple[CutSearch, Settings]:
    """Return a search over narrow peaks (Hz, dB) on a floor of -12 dB."""
    settings = settings_of(name)
    hz = 100 * 2 ** (np.arange(700) / 96)
    level = np.full(hz.size, -12.0)
    for centre_hz, height_db in peaks:
        level[int(np.abs(hz - centre_hz).argmin())] = height_db
    made = CutSearch(hz, level, settings, tone_weight=tone_weight, sample_rate_hz=RATE_HZ)
    return made, settings


def at(settings: Settings, hz: float, gain_db: float) -> tuple[int, int, int]:
    """Return the indices of the narrowest cut at a place."""
    centre = int(np.abs(settings.centres_hz - hz).argmin())
    gain = int(np.abs(settings.gain_db[:, 0] - gain_db).argmin())
    return centre, gain, settings.q.shape[1] - 1


def test_added_gain_is_what_the_highest_point_loses() -> None:
    made, settings = search((1000.0, 0.0), (3000.0, -4.0))
    cut = at(settings, 1000.0, -6.0)
    assert made.added_db([]) == 0.0
    assert made.added_db([cut]) == pytest.approx(4.0, abs=0.05)  # then 3 kHz is the highest
    second = at(settings, 3000.0, -3.0)
    assert made.added_db([cut, second]) == pytest.approx(5.7, abs=0.1)  # not 6: beside its peak


def test_tone_costs_what_it_weighs() -> None:
    made, settings = search((1000.0, 0.0))
    cut = at(settings, 1000.0, -6.0)
    tone = float(settings.tone_db[cut[1], cut[2]])
    assert made.tone_db([]) == 0.0
    assert made.tone_db([cut, cut]) == pytest.approx(2 * tone)
    assert made.net_db([cut]) == pytest.approx(made.added_db([cut]) - 2.0 * tone)
    dear, _ = search((1000.0, 0.0), tone_weight=5.0)
    assert dear.net_db([cut]) == pytest.approx(made.added_db([cut]) - 5.0 * tone)


def test_the_height_under_a_cut_is_looked_up_within_its_reach() -> None:
    """Half an octave over Q to either side, a fiftieth at least: 0.02 for a Q of 30."""
    made, settings = search((1000.0, 0.0))
    assert made.height_db(at(settings, 1000.0, -6.0)) == 0.0
    assert made.height_db(at(settings, 1000.0 * 2**0.04, -6.0)) == -12.0
    wide = (at(settings, 1000.0 * 2**0.1, -6.0)[0], 5, 0)  # a Q of 3 reaches 0.167 octaves
    assert made.height_db(wide) == 0.0
    beyond = (at(settings, 1000.0 * 2**0.2, -6.0)[0], 5, 0)
    assert made.height_db(beyond) == -12.0


def test_filters_come_by_the_height_they_stand_on() -> None:
    made, settings = search((1000.0, -3.0), (3000.0, 0.0))
    low, high = at(settings, 1000.0, -3.0), at(settings, 3000.0, -6.0)
    filters = made.filters([low, high])
    assert [round(f.frequency_hz, -2) for f in filters] == [3000.0, 1000.0]
    assert [f.gain_db for f in filters] == [-6.0, -3.0]
    assert filters[0].q == pytest.approx(30.0)


@pytest.mark.parametrize("hz", [400.0, 1000.0, 5000.0])
def test_one_peak_is_cut_where_it_is(hz: float) -> None:
    made, _ = search((hz, 0.0))
    (cut,) = made.filters(made.extend([]))
    assert abs(np.log2(cut.frequency_hz / hz)) < 1 / 48
    assert cut.gain_db is not None
    assert cut.gain_db < -8.0
    assert (cut.q or 0) > 15  # the narrowest removes least tone


def test_a_second_cut_goes_to_the_second_peak() -> None:
    made, _ = search((1000.0, 0.0), (3000.0, -2.0))
    one = made.extend([])
    two = made.extend(one)
    places = sorted(f.frequency_hz for f in made.filters(two))
    assert places == pytest.approx([1000.0, 3000.0], rel=0.02)
    assert made.net_db(two) > made.net_db(one) + 3.0
    assert made.added_db(one) == pytest.approx(2.0, abs=0.3)


def test_a_slider_moves_once() -> None:
    made, _ = search((1000.0, 0.0), (1010.0, 0.0), name="graphic-31")
    solution = made.extend(made.extend([]))
    assert len({index[0] for index in solution}) == 2
    around = made._neighbours(solution[0], 1, [solution[1]])
    assert solution[1][0] not in around[:, 0]


def test_neighbours_are_one_and_so_many_steps_away_within_the_range() -> None:
    made, settings = search((1000.0, 0.0))
    index = at(settings, 1000.0, -6.0)
    around = made._neighbours(index, 4, [])
    for axis in range(2):
        steps = np.unique(around[:, axis] - index[axis])
        assert steps.tolist() == [-4, -1, 0, 1, 4]
    assert np.unique(around[:, 2] - index[2]).tolist() == [-4, -1, 0]  # the narrowest already
    assert len(around) == 5 * 5 * 3
    first = made._neighbours((0, 0, 0), 2, [])
    assert first.min() == 0
    assert len(first) == 27


@pytest.mark.parametrize("name", ["free", "narrow-notch", "graphic-31"])
def test_a_lone_peak_far_over_all_else_is_cut(name: str) -> None:
    hz = 100 * 2 ** (np.arange(700) / 96)
    level = np.full(hz.size, -60.0)
    level[int(np.abs(hz - 1000.0).argmin())] = 0.0
    settings = settings_of(name)
    made = CutSearch(hz, level, settings, tone_weight=0.02, sample_rate_hz=RATE_HZ)
    (cut,) = made.extend([])
    assert abs(np.log2(settings.centres_hz[cut[0]] / 1000.0)) < 0.2
    assert made.added_db([cut]) > 3.0


def test_what_shallow_cuts_held_is_held_by_cuts_worth_a_move() -> None:
    hz = 100 * 2 ** (np.arange(700) / 96)
    level = np.full(hz.size, -12.0)
    for centre_hz, height_db in ((500.0, 0.0), (1000.0, -2.6), (3000.0, -2.5)):
        level[int(np.abs(hz - centre_hz).argmin())] = height_db
    settings = settings_of()
    made = CutSearch(hz, level, settings, tone_weight=0.5, target_db=3.0, sample_rate_hz=RATE_HZ)
    shallow = [at(settings, *one) for one in ((500.0, -3.5), (1000.0, -0.5), (3000.0, -0.5))]
    assert made.added_db(shallow) == pytest.approx(3.0, abs=0.1)
    kept = made.without_shallow(list(shallow))
    assert made.added_db(kept) > 2.95
    assert all(settings.gain_db[cut[1], cut[2]] <= -1.0 for cut in kept)


def test_a_shallow_cut_goes_where_the_others_can_do_without_it() -> None:
    made, settings = search((500.0, 0.0))
    solution = [at(settings, 500.0, -4.0), at(settings, 3000.0, -0.5)]
    kept = made.without_shallow(solution)
    assert [round(float(settings.centres_hz[cut[0]]), -2) for cut in kept] == [500.0]


def test_a_notch_on_a_lone_peak_takes_it_further_down_than_is_looked_for() -> None:
    settings = settings_of("narrow-notch")
    centre_hz = settings.centres_hz[np.abs(settings.centres_hz - 1000.0).argmin()]
    hz = centre_hz * 2 ** (np.arange(-300, 400) / 96)
    level = np.where(hz == centre_hz, 0.0, -30.0)
    made = CutSearch(hz, level, settings, tone_weight=0.5, target_db=3.0, sample_rate_hz=RATE_HZ)
    on_it = (int(np.argmin(np.abs(settings.centres_hz - centre_hz))), 0, 0)
    assert made.added_db([on_it]) > 25.0
    assert made.added_db(made.extend([on_it])) >= 3.0  # nothing is left above what is looked for
