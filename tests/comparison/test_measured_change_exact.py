"""Changes of responses band by band, on densities of which every integral is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from shaping.analysis.findings import LoopResponse
from shaping.comparison.diagnosis import Mistake, _candidates, _read_as
from shaping.comparison.measured_change import MeasuredChange, _integral, change_of_loops
from shaping.equaliser.limits_file import load_limits
from shaping.errors import CaptureError
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.width import QConvention
from shaping.plan.plan import PlannedFilter, Purpose

GRID_HZ = np.arange(0, 20_000.0, 0.5)


def loop(gain_db: object = 0.0, *, trusted: object = True, error_db: float = 1.0) -> LoopResponse:
    return LoopResponse(
        frequency_hz=GRID_HZ,
        response=10 ** (np.broadcast_to(np.asarray(gain_db, float), GRID_HZ.shape) / 20) + 0j,
        coherence=np.ones(GRID_HZ.size),
        error_db=np.full(GRID_HZ.size, error_db),
        variance=np.zeros(GRID_HZ.size),
        excited=np.ones(GRID_HZ.size, bool),
        trusted=np.broadcast_to(np.asarray(trusted), GRID_HZ.shape).copy(),
        delay_s=0.01,
        clock_ppm=0.0,
        coherence_median=1.0,
    )


def test_bands_are_twelfths_of_an_octave_about_1_khz_from_60_hz_to_16_khz() -> None:
    change = change_of_loops(loop(), loop(-3.0))
    assert change.centre_hz[0] == pytest.approx(1000 * 2 ** (-48 / 12))  # 62.5 Hz
    assert change.centre_hz[-1] == pytest.approx(16_000.0)
    assert np.diff(np.log2(change.centre_hz)) == pytest.approx(
        np.full(change.centre_hz.size - 1, 1 / 12)
    )
    assert change.change_db == pytest.approx(np.full(change.centre_hz.size, -3.0))
    assert change.weight.shape == change.part_hz.shape == (change.centre_hz.size, 8)
    assert change.weight.sum(axis=1) == pytest.approx(np.ones(change.centre_hz.size))
    edges = 2 ** ((np.arange(9) / 8 - 0.5) / 12)
    assert change.part_hz[5] == pytest.approx(change.centre_hz[5] * np.sqrt(edges[1:] * edges[:-1]))


def test_errors_of_both_add_and_fall_with_the_root_of_the_lines_in_a_band() -> None:
    change = change_of_loops(loop(error_db=3.0), loop(error_db=4.0))
    lines = change.centre_hz * (2 ** (1 / 24) - 2 ** (-1 / 24)) / 0.5
    assert change.error_db == pytest.approx(5.0 / np.sqrt(lines), rel=0.01)


@pytest.mark.parametrize(("share", "kept"), [(0.78, True), (0.72, False)])
def test_a_band_needs_three_quarters_of_its_width_trusted(share: float, kept: bool) -> None:
    low, high = 1000 * 2 ** (-1 / 24), 1000 * 2 ** (1 / 24)
    hole = (low < GRID_HZ) & (high - share * (high - low) > GRID_HZ)
    for one, other in ((~hole, True), (True, ~hole)):
        change = change_of_loops(loop(trusted=one), loop(trusted=other))
        assert bool(np.isclose(change.centre_hz, 1000.0).any()) is kept


def test_only_trusted_power_counts() -> None:
    burst = np.where(np.abs(GRID_HZ - 1000.0) < 2, 60.0, 0.0)
    change = change_of_loops(loop(burst, trusted=burst == 0), loop(-3.0))
    assert change.change_db == pytest.approx(np.full(change.centre_hz.size, -3.0), abs=1e-6)


@pytest.mark.parametrize(("bands", "enough"), [(24, True), (23, False)])
def test_two_octaves_of_bands_are_the_least(bands: int, enough: bool) -> None:
    trusted = (GRID_HZ > 1000 * 2 ** (-1 / 24)) & (1000 * 2 ** ((bands - 0.5) / 12) > GRID_HZ)
    if enough:
        assert change_of_loops(loop(trusted=trusted), loop()).centre_hz.size == bands
    else:
        with pytest.raises(CaptureError, match="record again"):
            change_of_loops(loop(trusted=trusted), loop())


def test_another_grid_is_read_between_its_lines() -> None:
    after = loop(-6.0)
    coarse = replace(
        after,
        **{
            name: getattr(after, name)[::2]
            for name in ("frequency_hz", "response", "coherence", "error_db", "trusted")
        },
    )
    change = change_of_loops(loop(), coarse)
    assert change.change_db == pytest.approx(np.full(change.centre_hz.size, -6.0))


def test_integrals_take_bins_as_rectangles() -> None:
    hz, density = np.array([0.0, 1.0, 2.0]), np.array([10.0, 20.0, 30.0])
    found = _integral(hz, density, np.array([-0.5, 0.5, 1.0, 2.5, 9.0]))
    assert found.tolist() == [0.0, 10.0, 20.0, 60.0, 60.0]


def test_promises_are_averaged_with_the_power_that_was_there() -> None:
    change = MeasuredChange(
        centre_hz=np.array([1000.0]),
        change_db=np.zeros(1),
        error_db=np.ones(1),
        part_hz=np.array([[900.0, 1100.0]]),
        weight=np.array([[0.75, 0.25]]),
    )
    expected = 10 * np.log10(0.75 + 0.25 * 0.1)
    assert change.averaged_db(np.array([[0.0, -10.0]])) == pytest.approx([expected])
    bell = Filter(FilterKind.PEAKING, 1000.0, q=0.5, gain_db=-6.0)
    one = change.filter_db(bell, sample_rate_hz=48_000)
    assert one == pytest.approx(np.full((1, 2), -6.0), abs=0.1)
    both = change.promised_db([bell, bell], sample_rate_hz=48_000)
    assert both == pytest.approx([-12.0], abs=0.2)


FREE = load_limits("parametric-6")


def planned(
    *, q: float | None = 4.0, gain_db: float | None = -12.0, dial_q: float | None = None
) -> PlannedFilter:
    kind = FilterKind.PEAKING if gain_db is not None else FilterKind.NOTCH
    filter = Filter(kind, 1000.0, q=q, gain_db=gain_db)
    return PlannedFilter(filter, Purpose.FEEDBACK, "a ring", dial_q, 0.36)


def test_what_a_dial_read_otherwise_would_give() -> None:
    """Source: closed form: a pole Q of 4 at -12 dB is a cookbook Q of 4 * 10^(12/40)."""
    read = _read_as(planned(), QConvention.POLE, FREE)
    assert read is not None
    assert read.q == pytest.approx(4 * 10 ** (12 / 40))
    dialled = _read_as(planned(dial_q=5.0), QConvention.POLE, FREE)
    assert dialled is not None
    assert dialled.q == pytest.approx(5 * 10 ** (12 / 40))
    assert _read_as(planned(), FREE.q_convention, FREE) is None
    assert _read_as(planned(gain_db=None), QConvention.POLE, FREE) is None
    assert _read_as(planned(gain_db=-2.0), QConvention.THREE_DB_FROM_FLAT, FREE) is None
    assert _read_as(planned(gain_db=-0.3), QConvention.POLE, FREE) is None  # hardly another width


def test_every_single_mistake_is_thought_of_and_none_that_changes_nothing() -> None:
    change = change_of_loops(loop(), loop())
    thought = list(_candidates([planned(dial_q=4.0), planned(dial_q=4.0)], FREE, change))
    first = [c for c in thought if c.places == (0,)]
    gains = [c.filters[0].gain_db for c in first if c.mistake is Mistake.GAIN and c.filters[0]]
    assert -12.0 not in gains
    assert 12.0 not in gains  # that is the wrong sign
    assert 0.0 not in gains  # and that is bypassed
    assert (min(gains), max(gains)) == (-18.0, 11.5)
    assert len(gains) == 58
    places = [
        c.filters[0].frequency_hz for c in first if c.mistake is Mistake.FREQUENCY and c.filters[0]
    ]
    assert min(places) == pytest.approx(62.5)
    assert max(places) == pytest.approx(16_000.0, rel=0.03)
    assert min(abs(np.log2(np.array(places) / 1000.0))) > 1 / 24
    assert [c.cost for c in first if c.mistake is Mistake.OUT] == [4.0]
    assert [c.cost for c in first if c.mistake is Mistake.SIGN] == [5.0]
    whole = [c for c in thought if c.places == (0, 1)]
    assert [c.cost for c in whole if c.mistake is Mistake.ALL_OUT] == [4.0]
    assert {c.cost for c in whole if c.mistake is Mistake.Q_CONVENTION} == {12.0}
    assert not [c for c in _candidates([planned()], FREE, change) if c.mistake is Mistake.ALL_OUT]


def entered(planned_filter: PlannedFilter) -> dict[Mistake, list[float]]:
    """Return the Qs that each mistake of width would give."""
    change = change_of_loops(loop(), loop())
    found: dict[Mistake, list[float]] = {}
    for one in _candidates([planned_filter], FREE, change):
        if one.filters[0] is not None and one.filters[0].q != 4.0:
            found.setdefault(one.mistake, []).append(one.filters[0].q or 0.0)
    return found


def test_widths_entered_in_the_wrong_unit_start_from_what_is_dialled() -> None:
    """Source: closed form: a bell of n octaves has a Q of 1 / (2 sinh(n ln 2 / 2))."""
    two_octaves = 1 / (2 * np.sinh(np.log(2)))
    found = entered(planned(dial_q=2.0))
    assert found[Mistake.Q_AS_OCTAVES] == pytest.approx([two_octaves])
    assert found[Mistake.OCTAVES_AS_Q] == [0.36]
    without = entered(planned())
    assert without[Mistake.Q_AS_OCTAVES] == pytest.approx([1 / (2 * np.sinh(2 * np.log(2)))])


@pytest.mark.parametrize(("dial_q", "thought_of"), [(0.05, 1), (0.04, 0), (6.0, 1), (6.1, 0)])
def test_nobody_enters_a_width_of_more_than_six_octaves(dial_q: float, thought_of: int) -> None:
    assert len(entered(planned(dial_q=dial_q)).get(Mistake.Q_AS_OCTAVES, [])) == thought_of


def test_where_q_is_fixed_or_there_is_no_gain_no_width_is_mistaken() -> None:
    change = change_of_loops(loop(), loop())
    fixed = replace(FREE, min_q=4.0, max_q=4.0)
    widths = {Mistake.Q_CONVENTION, Mistake.Q_AS_OCTAVES, Mistake.OCTAVES_AS_Q}
    thought = {one.mistake for one in _candidates([planned()], fixed, change)}
    assert not thought & widths
    assert Mistake.GAIN in thought
    notch = {one.mistake for one in _candidates([planned(gain_db=None)], FREE, change)}
    assert notch == {Mistake.OUT, Mistake.FREQUENCY}
