"""What is a ring: rises and falls in, rings out, on both sides of each boundary."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from shaping.analysis.findings import Ring
from shaping.analysis.ring_out.growth import Growth
from shaping.analysis.ring_out.likelihood import best_likelihood, howl_likelihood, line_score
from shaping.analysis.ring_out.rings import rings_of
from tests.analysis.ring_out.growth_makers import growth


def only(*growths: Growth, falls: tuple[Growth, ...] = ()) -> Ring:
    (ring,) = rings_of(growths, falls)
    return ring


def found_hz(*growths: Growth) -> list[float]:
    return sorted(ring.frequency_hz for ring in rings_of(growths, []))


@pytest.mark.parametrize(
    ("facts", "score"),
    [
        # Scores worked by hand from the fitted weights: 3.81 + 0.32 rise/10 - 6.17 unevenness
        # + 6.52 lg duration - 1.42 lg wander - 1.06 family - 3.46 partials + 0.39 share/10.
        ({"deviation_db": 0.0, "wander_hz": 1.0}, 5.09),
        ({"deviation_db": 0.0, "wander_hz": 0.01}, 6.51),  # a tenth of a hertz is steady enough
        ({"deviation_db": 0.0, "wander_hz": 4.0}, 4.2351),
        ({"deviation_db": 2.0, "wander_hz": 1.0}, 3.1389),
        ({"deviation_db": 0.0, "wander_hz": 1.0, "slope_db_per_s": 50.0}, 5.41),
        ({"deviation_db": 0.0, "wander_hz": 1.0, "slope_db_per_s": 90.0}, 5.41),  # 50 dB are enough
        ({"deviation_db": 1.0, "wander_hz": 1.0, "slope_db_per_s": 0.5}, -2.344),
        ({"deviation_db": 0.0, "wander_hz": 1.0, "stop_s": 2.1, "slope_db_per_s": 400.0}, -1.43),
        ({"deviation_db": 0.0, "wander_hz": 1.0, "family": 1}, 4.03),
        ({"deviation_db": 0.0, "wander_hz": 1.0, "family": 2}, 2.97),
        ({"deviation_db": 0.0, "wander_hz": 1.0, "family": 5}, 2.97),
        ({"deviation_db": 0.0, "wander_hz": 1.0, "partials": 1}, 1.63),
        ({"deviation_db": 0.0, "wander_hz": 1.0, "partials": 3}, -5.29),
        ({"deviation_db": 0.0, "wander_hz": 1.0, "partials": 4}, -5.29),
        ({"deviation_db": 0.0, "wander_hz": 1.0, "share_db": -20.0}, 4.31),
        ({"deviation_db": 0.0, "wander_hz": 1.0, "share_db": -50.0}, 3.53),
        ({"deviation_db": 0.0, "wander_hz": 1.0, "share_db": 3.0}, 5.09),
    ],
)
def test_likelihood_weighs_each_measure(facts: dict[str, Any], score: float) -> None:
    assert howl_likelihood(growth(**facts)) == pytest.approx(1 / (1 + math.exp(-score)), rel=1e-3)


def test_a_line_is_judged_as_if_all_else_spoke_for_it() -> None:
    steadiest = growth(wander_hz=0.1)
    line = 40.0, 0.3, 1.0
    assert best_likelihood(*line) == pytest.approx(howl_likelihood(steadiest))
    assert best_likelihood(*line, family=1, partials=1) == pytest.approx(
        1 / (1 + math.exp(-(6.2173 - 1.06 - 3.46))), rel=1e-3
    )


def test_lines_are_scored_by_rise_straightness_and_duration() -> None:
    score = line_score(np.array([40.0, 60.0, 0.25]), np.array([0.0, 2.0, 1.0]), 0.1)
    # 0.32 * 4 - 6.52; 0.32 * 5 - 6.17 * 2 / sqrt(60) - 6.52; 0.008 - 6.17 - 6.52
    assert score == pytest.approx([-5.24, -6.5131, -12.682], abs=1e-3)


@pytest.mark.parametrize(
    ("facts", "is_ring"),
    [
        ({"wander_hz": 4.0}, True),
        ({"wander_hz": 4.01}, False),
        ({"share_db": -55.0}, True),
        ({"share_db": -55.1}, False),  # its distortion could be as loud
        ({"partials": 2}, True),  # 0.33 likely
        ({"partials": 2, "family": 1}, False),  # 0.15 likely
    ],
)
def test_what_wavers_hides_or_is_too_unlikely_is_no_ring(
    facts: dict[str, Any], is_ring: bool
) -> None:
    assert bool(rings_of([growth(**facts)], [])) is is_ring


HUM = {"contrast_before_db": 10.0, "slope_db_per_s": 14.0}


@pytest.mark.parametrize(
    ("frequency_hz", "facts", "is_ring"),
    [
        (150.0, HUM, False),
        (150.24, HUM, False),
        (150.26, HUM, True),  # a thousandth and a tenth of a hertz off
        (149.74, HUM, True),
        (1200.0, HUM, False),
        (1440.0, HUM, False),  # the 24th of 60 Hz
        (1500.0, HUM, True),
        (20.0, HUM, True),
        (50.0, HUM, False),
        (60.0, HUM, False),
        (150.0, {**HUM, "contrast_before_db": 9.9}, True),
        (150.0, {**HUM, "slope_db_per_s": 14.1}, True),
    ],
)
def test_hum_that_got_louder_is_told_from_a_howl_on_its_frequency(
    frequency_hz: float, facts: dict[str, Any], is_ring: bool
) -> None:
    """Source: mains at 50 and 60 Hz (common practice, no published source)."""
    assert bool(rings_of([growth(frequency_hz, **facts)], [])) is is_ring


LOUD = growth(500.0, peak_db=-10.0, start_s=2.0, stop_s=3.0, stood_until_s=5.0)


@pytest.mark.parametrize(
    ("effect", "is_ring"),
    [
        # Second harmonic, 6 dB weaker, beginning while the howl is up.
        (growth(1000.0, peak_db=-16.0, start_s=3.0, stop_s=4.0), False),
        (growth(1000.0, peak_db=-15.9, start_s=3.0, stop_s=4.0), True),
        (growth(1000.0, peak_db=-16.0, start_s=2.3, stop_s=3.3), False),
        (growth(1000.0, peak_db=-16.0, start_s=2.29, stop_s=3.29), True),
        (growth(1000.0, peak_db=-16.0, start_s=5.0, stop_s=6.0), False),
        (growth(1000.0, peak_db=-16.0, start_s=5.01, stop_s=6.01), True),
        # An exact harmonic lies within half a hertz and 0.05 %.
        (growth(1001.0, peak_db=-16.0, start_s=3.0, stop_s=4.0), False),
        (growth(1001.1, peak_db=-16.0, start_s=3.0, stop_s=4.0), True),
        # A near one, to 0.3 %, must grow much faster.
        (growth(1002.9, peak_db=-16.0, start_s=3.0, stop_s=4.0, slope_db_per_s=61.0), False),
        (growth(1002.9, peak_db=-16.0, start_s=3.0, stop_s=4.0, slope_db_per_s=59.0), True),
        (growth(1003.2, peak_db=-16.0, start_s=3.0, stop_s=4.0, slope_db_per_s=61.0), True),
        (growth(2507.0, peak_db=-16.0, start_s=3.0, stop_s=4.0, slope_db_per_s=101.0), False),
        (growth(2507.0, peak_db=-16.0, start_s=3.0, stop_s=4.0, slope_db_per_s=99.0), True),
        (growth(3008.0, peak_db=-16.0, start_s=3.0, stop_s=4.0, slope_db_per_s=200.0), True),
        (growth(503.0, peak_db=-16.0, start_s=3.0, stop_s=4.0, slope_db_per_s=200.0), True),
    ],
)
def test_a_harmonic_of_a_louder_howl_is_no_ring_of_its_own(effect: Growth, is_ring: bool) -> None:
    assert len(rings_of([LOUD, effect], [])) == (2 if is_ring else 1)


OTHER = growth(713.0, peak_db=-10.0, start_s=2.1, stop_s=3.1, stood_until_s=5.0)


@pytest.mark.parametrize(
    ("frequency_hz", "facts", "is_ring"),
    [
        (1213.0, {}, False),  # 500 + 713
        (926.0, {}, False),  # 2 * 713 - 500
        (1639.0, {}, False),  # 3 * 713 - 500
        (2352.0, {}, True),  # 4 * 713 - 500: too high an order for what is not weak and fast
        (2352.0, {"peak_db": -30.1, "slope_db_per_s": 49.0}, False),
        (2352.0, {"peak_db": -30.0, "slope_db_per_s": 49.0}, True),
        (2352.0, {"peak_db": -30.1, "slope_db_per_s": 47.0}, True),  # 1.2 times is no faster
        (1214.0, {}, False),
        (1214.3, {}, True),
    ],
)
def test_sums_and_differences_of_two_howls_are_no_rings(
    frequency_hz: float, facts: dict[str, Any], is_ring: bool
) -> None:
    mixed = growth(frequency_hz, **({"peak_db": -17.0, "start_s": 3.5, "stop_s": 4.5} | facts))
    assert len(rings_of([LOUD, OTHER, mixed], [])) == (3 if is_ring else 2)


def test_the_certain_come_first_and_then_the_fastest() -> None:
    rings = rings_of(
        [
            growth(300.0, steepest_db_per_s=20.0),
            growth(1000.0, steepest_db_per_s=300.0, partials=2),
            growth(3100.0, steepest_db_per_s=80.0),
        ],
        [],
    )
    assert [ring.frequency_hz for ring in rings] == [3100.0, 300.0, 1000.0]
    assert rings[2].confidence == pytest.approx(0.331, abs=0.01)


def test_rises_of_one_pitch_are_one_ring_with_its_best_facts() -> None:
    first = growth(1000.0, peak_db=-30.0, steepest_db_per_s=60.0)
    second = growth(
        1001.9, start_s=8.0, stop_s=9.0, stood_until_s=10.0, overtones=1, frequency_error_hz=0.1
    )
    ring = only(first, second)
    # Weighed by 1 / (error^2 + 0.01^2): 384.6 and 99.01.
    assert ring.frequency_hz == pytest.approx(1000.389, abs=0.001)
    assert ring.width_hz == pytest.approx(1.9)
    assert ring.spells == ((2.0, 4.0), (8.0, 10.0))
    assert (ring.onset_s, ring.duration_s, ring.occurrences) == (2.0, 4.0, 2)
    assert (ring.growth_db_per_s, ring.peak_dbfs, ring.clipped) == (60.0, -20.0, True)


@pytest.mark.parametrize(("apart_hz", "rings"), [(2.0, 1), (2.1, 2)])
def test_pitches_within_a_fifth_of_a_percent_cannot_be_told_apart(
    apart_hz: float, rings: int
) -> None:
    assert len(rings_of([growth(1000.0), growth(1000.0 + apart_hz)], [])) == rings


@pytest.mark.parametrize(
    ("frequency_hz", "error_hz", "same"),
    [
        (101.0, 0.0, True),  # a hertz at any pitch
        (101.1, 0.0, False),
        (102.8, 1.0, True),  # twice the errors together, sqrt(2)
        (102.9, 1.0, False),
        (104.0, 10.0, True),  # 4 Hz at most
        (104.1, 10.0, False),
    ],
)
def test_doubt_widens_what_counts_as_one_pitch(
    frequency_hz: float, error_hz: float, same: bool
) -> None:
    one = growth(100.0, frequency_error_hz=error_hz)
    assert one.same_pitch(growth(frequency_hz, frequency_error_hz=error_hz)) is same


@pytest.mark.parametrize(("start_s", "spells"), [(4.1, 1), (4.11, 2)])
def test_a_rise_within_a_tenth_of_a_second_belongs_to_the_spell_before(
    start_s: float, spells: int
) -> None:
    again = growth(start_s=start_s, stop_s=start_s + 1, stood_until_s=start_s + 0.5)
    ring = only(growth(), again)
    assert ring.occurrences == spells
    assert ring.spells[-1][1] == pytest.approx(start_s + 0.5)


def test_a_spell_never_ends_earlier_for_a_short_rise_within_it() -> None:
    inside = growth(start_s=3.0, stop_s=3.5, stood_until_s=3.5)
    assert only(growth(), inside).spells == ((2.0, 4.0),)


@pytest.mark.parametrize(
    ("fall", "decay_db_per_s"),
    [
        (growth(start_s=2.1, slope_db_per_s=70.0), 70.0),
        (growth(start_s=2.0, slope_db_per_s=70.0), None),
        (growth(start_s=4.9, slope_db_per_s=70.0), 70.0),
        (growth(start_s=5.0, slope_db_per_s=70.0), None),  # a second after it ended
        (growth(1003.0, start_s=3.0, slope_db_per_s=70.0), None),
        (growth(start_s=3.0, slope_db_per_s=70.0, wander_hz=4.1), None),
    ],
)
def test_its_fall_is_told_where_one_was_seen(fall: Growth, decay_db_per_s: float | None) -> None:
    assert only(growth(), falls=(fall,)).decay_db_per_s == decay_db_per_s


def test_the_faster_of_two_falls_is_the_rooms() -> None:
    falls = tuple(growth(start_s=3.0 + n, slope_db_per_s=r) for n, r in enumerate((50.0, 90.0)))
    assert only(growth(stood_until_s=6.0), falls=falls).decay_db_per_s == 90.0


@pytest.mark.parametrize(
    ("wander_hz", "width_hz"), [(0.9, 0.0), (1.0, 0.0), (1.1, 2.2), (3.0, 6.0)]
)
def test_a_pitch_that_wavers_has_a_width(wander_hz: float, width_hz: float) -> None:
    assert only(growth(wander_hz=wander_hz)).width_hz == pytest.approx(width_hz)


def test_less_likely_rises_of_the_pitch_are_not_counted() -> None:
    """A rise counts from half of the best's likelihood, 0.4 at most: here 0.33 beside 0.998."""
    doubtful = growth(start_s=8.0, stop_s=9.0, stood_until_s=9.5, partials=2, peak_db=-1.0)
    ring = only(growth(), doubtful)
    assert ring.occurrences == 1
    assert ring.peak_dbfs == -20.0
    alone = only(growth(partials=2), doubtful)
    assert alone.occurrences == 2


def test_growth_is_told_by_plain_rises_only() -> None:
    """A rise 0.97 likely tells it; one less likely does not, however steep."""
    unclear = growth(start_s=8.0, stop_s=9.0, stood_until_s=9.5, partials=1, steepest_db_per_s=999)
    assert howl_likelihood(unclear) == pytest.approx(0.940, abs=0.01)
    assert only(growth(), unclear).growth_db_per_s == 45.0


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        (
            {},
            "Grew at 40 dB/s in a straight line for 1.0 s, then held its pitch within 0.1 Hz.",
        ),
        (
            {"stood_until_s": 3.3},
            "Grew at 40 dB/s in a straight line for 1.0 s and kept its pitch within 0.1 Hz.",
        ),
        (
            {"held_db": -6.0, "wander_hz": 0.4},
            "Grew at 40 dB/s in a straight line for 1.0 s and kept its pitch within 0.4 Hz.",
        ),
        (
            {"steepest_db_per_s": 47.0},
            "Grew at 40, at its steepest 47, dB/s in a straight line for 1.0 s, then held its "
            "pitch within 0.1 Hz.",
        ),
        (
            {"overtones": 2},
            "Grew at 40 dB/s in a straight line for 1.0 s, then held its pitch within 0.1 Hz; "
            "loud enough to clip, its harmonics showed.",
        ),
        (
            {"stop_s": 2.19, "slope_db_per_s": 70.0, "steepest_db_per_s": 70.0, "family": 1},
            "Grew at 70 dB/s in a straight line for 0.2 s, then held its pitch within 0.1 Hz; in "
            "doubt because the rise was short and other partials rose along, as in a note and it "
            "rose by 13 dB only.",
        ),
        (
            {"wander_hz": 1.1, "partials": 1, "deviation_db": 1.0, "steepest_db_per_s": 46.0},
            "Grew at 40 dB/s in a straight line for 1.0 s, then held its pitch within 1.1 Hz; in "
            "doubt because its pitch wavered.",
        ),
    ],
)
def test_the_evidence_is_told_for_and_against(facts: dict[str, Any], said: str) -> None:
    assert only(growth(**facts)).evidence == said


def test_how_often_it_came_up_is_told() -> None:
    again = growth(start_s=8.0, stop_s=9.0, stood_until_s=10.0)
    assert "; came up 2 times." in only(growth(), again).evidence


def fall(start_s: float, rate_db_per_s: float = 70.0, **facts: Any) -> Growth:
    base = {"start_s": start_s, "stop_s": start_s + 0.5, "slope_db_per_s": rate_db_per_s}
    return growth(facts.pop("frequency_hz", 1710.0), **(base | facts))


def ringing_on(*falls: Growth) -> list[Ring]:
    return list(rings_of([], falls))


def test_three_falls_alike_are_a_possible_ring() -> None:
    (ring,) = ringing_on(fall(1.0), fall(3.0, 60.0), fall(5.0, 80.0, peak_db=-5.0))
    assert (ring.frequency_hz, ring.growth_db_per_s, ring.decay_db_per_s) == (1710.0, 0.0, 70.0)
    assert (ring.onset_s, ring.duration_s, ring.occurrences) == (1.0, 1.5, 3)
    assert (ring.confidence, ring.peak_dbfs, ring.width_hz) == (0.3, -5.0, 0.0)
    assert ring.spells == ((1.0, 1.5), (3.0, 3.5), (5.0, 5.5))
    assert ring.clipped is False
    assert ringing_on(fall(1.0), fall(3.0)) == []


@pytest.mark.parametrize(
    ("times", "confidence"), [(3, 0.3), (4, 0.35), (5, 0.4), (6, 0.45), (9, 0.45)]
)
def test_ringing_on_is_surer_the_oftener_and_never_certain(times: int, confidence: float) -> None:
    (ring,) = ringing_on(*(fall(2.0 * n) for n in range(times)))
    assert ring.confidence == pytest.approx(confidence)


@pytest.mark.parametrize(
    ("spread", "alike"),
    [(0.24, True), (0.25, False)],  # the deviation of 1 - s, 1, 1 + s is s times sqrt(2 / 3)
)
def test_falls_must_be_alike(spread: float, alike: bool) -> None:
    rates = (70.0 * (1 - spread), 70.0, 70.0 * (1 + spread))
    falls = [fall(2.0 * n, rate) for n, rate in enumerate(rates)]
    assert bool(ringing_on(*falls)) is alike


@pytest.mark.parametrize(
    ("facts", "clear"),
    [({"wander_hz": 1.0}, True), ({"wander_hz": 1.01}, False), ({"partials": 1}, False)],
)
def test_falls_that_waver_or_have_partials_do_not_count(facts: dict[str, Any], clear: bool) -> None:
    assert bool(ringing_on(fall(1.0), fall(3.0), fall(5.0, **facts))) is clear


def test_two_windows_that_see_one_fall_count_it_once() -> None:
    assert ringing_on(fall(1.0), fall(3.0), fall(3.4)) == []
    assert ringing_on(fall(1.0), fall(3.0), fall(3.5)) == []
    assert len(ringing_on(fall(1.0), fall(3.0), fall(3.51))) == 1


def test_more_than_four_pitches_are_a_tune() -> None:
    pitches = [400.0, 500.0, 600.0, 700.0, 800.0]

    def falls(count: int) -> list[Growth]:
        return [
            fall(2.0 * n, 70.0 - p / 20, frequency_hz=p) for p in pitches[:count] for n in range(3)
        ]

    found = ringing_on(*falls(4))
    assert [ring.frequency_hz for ring in found] == [700.0, 600.0, 500.0, 400.0]  # slowest first
    assert ringing_on(*falls(5)) == []


@pytest.mark.parametrize(("frequency_hz", "again"), [(1709.0, False), (1701.0, True)])
def test_a_ring_seen_growing_is_not_found_again_by_its_falls(
    frequency_hz: float, again: bool
) -> None:
    falls = [fall(10.0 + 2.0 * n) for n in range(3)]
    found = rings_of([growth(frequency_hz, stood_until_s=5.0)], falls)
    assert len(found) == (2 if again else 1)


def test_a_rise_played_backwards_is_a_fall_and_a_later_clock_moves_it() -> None:
    back = growth().reversed(10.0)
    assert (back.start_s, back.stop_s, back.stood_until_s) == (7.0, 8.0, 8.0)
    late = growth().later(55.0)
    assert (late.start_s, late.stop_s, late.stood_until_s) == (57.0, 58.0, 59.0)
