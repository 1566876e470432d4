"""How near to howling: from heights to levels by hand, and which cells are a ring's."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.analysis.ring_out import nearness
from shaping.analysis.ring_out.nearness import (
    WEIGHTS,
    Heights,
    _ripple_db,
    _without_harmonics,
    cell_edges,
    find_nearness,
    levels,
    ring_confidence,
)
from tests.plan.plan_makers import ring


def cells(late: float = 0.0, last: float = 0.0, early: float = 0.0, count: int = 40) -> Heights:
    hz = 200.0 * 2 ** ((np.arange(count) + 0.5) / 24)
    return Heights(hz, np.full(count, late), np.full(count, last), np.full(count, early))


@pytest.mark.parametrize(
    ("late", "last", "early", "confidence", "level_db"),
    [
        # Roots of 0.01, 9.01 and 4.01 are 0.1, 3.002 and 2.002.
        (0.0, 0.0, 0.0, 0.0, -18.35 + 0.317 + 0.231),
        (9.0, 0.0, 0.0, 0.0, -18.35 + 3.17 * 3.002 + 0.231),
        (9.0, 9.0, 0.0, 0.0, -18.35 + 3.17 * 3.002 + 0.57 * 9 + 0.231),
        (9.0, 0.0, 4.0, 0.0, -18.35 + 3.17 * 3.002 - 0.88 * 4 + 2.31 * 2.002),
        (0.0, 0.0, 0.0, 0.9, -18.35 + 0.317 + 0.231 + 3.23 * 0.9),
    ],
)
def test_a_level_is_the_fitted_line_through_the_roots_of_heights(
    late: float, last: float, early: float, confidence: float, level_db: float
) -> None:
    """Source: tests/bench/fit_nearness.py printed these weights; sums by hand."""
    found = levels(cells(late, last, early), np.full(40, confidence), WEIGHTS)
    assert found == pytest.approx(np.full(40, level_db), abs=0.01)


def test_the_region_is_half_an_octave() -> None:
    """Thirteen cells: one that stands 13 dB out lifts six to either side by 0.57 dB."""
    seen = cells()
    seen.last_db[20] = 13.0
    risen = levels(seen, np.zeros(40), WEIGHTS) - levels(cells(), np.zeros(40), WEIGHTS)
    assert np.flatnonzero(risen > 0.5).tolist() == list(range(14, 27))
    assert risen[20] == pytest.approx(0.57, abs=0.01)


def test_cells_are_24_an_octave_from_80_hz_to_10_8_khz() -> None:
    edges = cell_edges()
    assert edges[0] == 80.0
    assert edges[24] == pytest.approx(160.0)
    assert 10_500.0 < edges[-1] < 10_760.0
    assert cell_edges(1000.0)[-1] <= 1000.0


@pytest.mark.parametrize(("cells_off", "counts"), [(0.4, True), (0.9, True), (1.1, False)])
def test_a_ring_counts_in_the_cell_it_lies_in_or_beside(cells_off: float, counts: bool) -> None:
    hz = cells().frequency_hz[:1]
    found = ring_confidence([ring(float(hz[0]) * 2 ** (cells_off / 24), confidence=0.8)], hz)
    assert found.tolist() == ([0.8] if counts else [0.0])


@pytest.mark.parametrize(
    ("apart_hz", "lowered"), [(0.0, True), (3.4, True), (3.6, False), (-3.4, True)]
)
def test_harmonics_within_a_bin_and_a_thousandth_are_lowered(
    apart_hz: float, lowered: bool
) -> None:
    """At 2 kHz: 1.5 Hz and 0.1 % of 2 kHz are 3.5 Hz."""
    hz = 500.0 * 2 ** (np.arange(60) / 24)
    at = int(np.abs(hz - 2000.0).argmin())
    hz[at] = 2000.0 + apart_hz
    level = np.full(60, -15.0)
    level[at] = -3.0
    found = _without_harmonics(level, hz, [ring(1000.0, confidence=0.95)])
    assert found[at] == (-15.0 if lowered else -3.0)
    possible = _without_harmonics(level, hz, [ring(1000.0, confidence=0.5)])
    assert possible[at] == -3.0


@pytest.mark.parametrize(("beside", "lowered"), [(1, True), (3, True), (4, False)])
def test_three_cells_of_seven_may_be_a_harmonics_own(beside: int, lowered: bool) -> None:
    hz = 500.0 * 2 ** (np.arange(60) / 24)
    level = np.full(60, -15.0)
    level[48 : 48 + beside] = -3.0  # 2 kHz and above
    found = _without_harmonics(level, hz, [ring(1000.0, confidence=0.95)])
    assert found[48] == (-15.0 if lowered else -3.0)


@pytest.mark.parametrize(
    ("echo_ms", "share"), [(3.5, 0.0), (5.0, 0.5), (7.0, 1.0), (200.0, 1.0), (340.0, 0.0)]
)
def test_ripple_that_echoes_of_4_to_325_ms_make_is_kept(echo_ms: float, share: float) -> None:
    """An echo after t seconds makes ripple that repeats every 1 / t Hz; 1 Hz a line, 4 kHz."""
    hz = np.arange(4000.0)
    ripple = np.cos(2 * np.pi * (hz + 0.5) * echo_ms / 1000)
    assert np.std(_ripple_db(ripple, 1.0)) == pytest.approx(share * np.std(ripple), abs=0.08)


def found_in(monkeypatch: pytest.MonkeyPatch, seconds: float, confidence: float) -> bool:
    monkeypatch.setattr(nearness, "heights", lambda *_: cells(9.0))
    silence = np.zeros(round(1000 * seconds), np.float32)
    return find_nearness(silence, 1000, [ring(300.0, confidence=confidence)]) is not None


def test_three_seconds_and_a_likely_ring_are_the_least(monkeypatch: pytest.MonkeyPatch) -> None:
    assert found_in(monkeypatch, 3.1, 0.51)
    assert not found_in(monkeypatch, 2.9, 0.51)
    assert not found_in(monkeypatch, 3.1, 0.49)


def test_levels_are_unsure_by_3_db_and_a_sure_ring_stands_at_the_howl(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(nearness, "heights", lambda *_: cells())
    found = find_nearness(np.zeros(4000, np.float32), 1000, [ring(333.0, confidence=0.95)])
    assert found is not None
    assert set(found.error_db) == {3.0}
    at = int(np.argmax(found.level_db))
    assert (found.frequency_hz[at], found.level_db[at]) == (333.0, 0.0)
