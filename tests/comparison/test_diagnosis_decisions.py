"""When a mistake is believed: changes written by hand, on both sides of each boundary."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.comparison.diagnosis import Diagnosis, Mistake, diagnose
from shaping.comparison.measured_change import MeasuredChange
from shaping.equaliser.limits_file import load_limits
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.plan import PlannedFilter, Purpose

CENTRE_HZ = 1000 * 2 ** (np.arange(-48, 49) / 12)
PARTS_HZ = CENTRE_HZ[:, None] * 2 ** (((np.arange(8) + 0.5) / 8 - 0.5) / 12)
LIMITS = load_limits("parametric-6")


def bell(hz: float, gain_db: float, q: float = 3.0) -> PlannedFilter:
    return PlannedFilter(
        Filter(FilterKind.PEAKING, hz, q=q, gain_db=gain_db), Purpose.FEEDBACK, "a ring", q, 0.48
    )


def analogue_db(hz: np.ndarray, centre_hz: float, gain_db: float, q: float = 3.0) -> np.ndarray:
    """Source: the cookbook's analogue bell: (x^2 + A^2) / (x^2 + 1 / A^2), x = q (w - 1 / w)."""
    x2, a2 = (q * (hz / centre_hz - centre_hz / hz)) ** 2, 10 ** (gain_db / 20)
    return np.asarray(10 * np.log10((x2 + a2) / (x2 + 1 / a2)))


def change(
    *dialled: tuple[float, float],
    level_db: float = 0.0,
    ripple_db: float = 0.0,
    error_db: float = 0.1,
) -> MeasuredChange:
    power = 10 ** (
        sum((analogue_db(PARTS_HZ, *one) for one in dialled), np.zeros_like(PARTS_HZ)) / 10
    )
    measured = 10 * np.log10(power.mean(axis=1)) + level_db
    ripple = ripple_db * np.sqrt(2) * np.sin(1.7 * np.arange(CENTRE_HZ.size))
    return MeasuredChange(
        CENTRE_HZ,
        measured + ripple,
        np.full(CENTRE_HZ.size, 0.1),
        PARTS_HZ,
        np.full(PARTS_HZ.shape, 1 / 8),
    )


def found(made: MeasuredChange, *planned: PlannedFilter) -> Diagnosis:
    return diagnose(made, planned, LIMITS, sample_rate_hz=192_000)


def test_what_was_dialled_in_fits_and_a_touched_gain_is_told() -> None:
    told = found(change((1000.0, -6.0), level_db=4.0), bell(1000.0, -6.0))
    assert told.explanations == ()
    assert told.level_change_db == pytest.approx(4.0, abs=0.05)
    assert told.misfit_db == told.explained_misfit_db
    assert told.misfit_db < 0.1
    assert told.noise_db == pytest.approx(0.35, abs=0.02)  # the floor of what captures agree to


def test_the_yardstick_follows_how_far_captures_disagree_where_nothing_acts() -> None:
    told = found(change((1000.0, -6.0), ripple_db=1.0), bell(1000.0, -6.0))
    # 1.4826 times the median of |sqrt(2) sin| is 1.4826, with the floor beside it.
    assert told.noise_db == pytest.approx(np.hypot(0.35, 1.4826), rel=0.05)


@pytest.mark.parametrize(
    ("dialled", "mistake"),
    [
        ([], Mistake.OUT),
        ([(1000.0, 6.0)], Mistake.SIGN),
        ([(1000.0, -3.0)], Mistake.GAIN),
        ([(1300.0, -6.0)], Mistake.FREQUENCY),
    ],
)
def test_each_mistake_is_told_with_how_well_it_explains(
    dialled: list[tuple[float, float]], mistake: Mistake
) -> None:
    told = found(change(*dialled), bell(1000.0, -6.0))
    (one,) = told.explanations
    assert (one.mistake, one.setting) == (mistake, 1)
    assert one.misfit_db < 0.3
    assert one.misfit_planned_db > 1.0
    assert told.explained_misfit_db < 0.3 < told.misfit_db
    assert one.runner_up is not None
    assert one.runner_up is not mistake
    assert (one.runner_up_misfit_db or 0.0) >= one.misfit_db - 0.05
    if one.dialled is not None:
        assert one.dialled.frequency_hz == pytest.approx(dialled[0][0], rel=0.03)
        assert one.dialled.gain_db == pytest.approx(dialled[0][1])


@pytest.mark.parametrize(("gain_db", "blamed"), [(-5.5, False), (-4.0, True)])
def test_a_half_db_is_nobodys_mistake(gain_db: float, blamed: bool) -> None:
    told = found(change((1000.0, gain_db)), bell(1000.0, -6.0))
    assert bool(told.explanations) is blamed


@pytest.mark.parametrize(("ripple_db", "blamed"), [(0.3, True), (4.0, False)])
def test_a_mistake_must_explain_what_was_measured(ripple_db: float, blamed: bool) -> None:
    told = found(change(ripple_db=ripple_db), bell(1000.0, -6.0))
    assert bool(told.explanations) is blamed


def test_two_mistakes_the_clearer_first() -> None:
    told = found(
        change((400.0, -9.0), (1000.0, 6.0)),
        bell(400.0, -9.0),
        bell(1000.0, -6.0),
        bell(4000.0, -4.0),
    )
    assert [(one.mistake, one.setting) for one in told.explanations] == [
        (Mistake.SIGN, 2),
        (Mistake.OUT, 3),
    ]


def test_all_left_out_is_one_mistake() -> None:
    told = found(change(), bell(400.0, -9.0), bell(1000.0, -6.0), bell(4000.0, -4.0))
    (one,) = told.explanations
    assert (one.mistake, one.setting, one.dialled) == (Mistake.ALL_OUT, None, None)
