"""Plans from rings obey their limits, do what they say, and say what they leave."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from shaping.analysis.findings import Ring
from shaping.equaliser.limits import Limits
from shaping.equaliser.limits_file import load_limits, preset_names
from shaping.equaliser.quantise import allows
from shaping.errors import ParameterError
from shaping.filters.kinds import FilterKind
from shaping.filters.response import total_db
from shaping.filters.width import QConvention
from shaping.plan.plan import Plan, Purpose
from shaping.plan.ring_out.needs import HARD_LIMIT_DB
from shaping.plan.ring_out.planner import plan_from_rings
from shaping.plan.thinning.starting_points import ThinningAmount
from shaping.plan.to_json import plan_to_dict
from tests.plan.plan_makers import capture, ring, rings

PRESETS = {name: load_limits(name) for name in preset_names()}
ODD_LIMITS = {
    "dials from flat": replace(
        PRESETS["parametric-4"], q_convention=QConvention.THREE_DB_FROM_FLAT, gain_step_db=1.0
    ),
    "dials from bottom": replace(
        PRESETS["parametric-6"], q_convention=QConvention.THREE_DB_FROM_BOTTOM
    ),
    "pole Q": replace(PRESETS["parametric-4"], q_convention=QConvention.POLE, max_q=4.0),
    "shallow": replace(PRESETS["parametric-4"], min_gain_db=-4.0),
    "coarse": replace(PRESETS["parametric-4"], gain_step_db=3.0, steps_per_octave=3),
    "no bands": replace(PRESETS["parametric-4"], bands=0),
    "few sliders": replace(PRESETS["graphic-31"], bands=3),
    "wide sliders": replace(PRESETS["graphic-31"], min_q=1.4, max_q=1.4),
    "notch or bell": replace(
        PRESETS["narrow-notch"], kinds=(FilterKind.NOTCH, FilterKind.PEAKING), min_gain_db=-12.0
    ),
    "notches on a grid": replace(
        PRESETS["graphic-31"], kinds=(FilterKind.NOTCH,), min_gain_db=0.0, gain_step_db=0.0
    ),
}
ALL_LIMITS = {**PRESETS, **ODD_LIMITS}


def independent_effects_db(plan: Plan, found: Sequence[Ring]) -> list[float]:
    """Effect of the sections printed in the plan at each ring, by scipy alone."""
    sections = [section for f in plan_to_dict(plan)["filters"] for section in f["sos"]]
    if not sections or not found:
        return [0.0] * len(found)
    rate_hz = plan.captures[0].sample_rate_hz
    rings_hz = [one.frequency_hz for one in found]
    _, response = signal.sosfreqz(np.array(sections), worN=rings_hz, fs=rate_hz)
    return [float(value) for value in 20 * np.log10(np.maximum(abs(response), 1e-3))]


def asked_db(one: Ring, found: Sequence[Ring]) -> float:
    """Return the depth a ring asks for, by the rule as it is told to people.

    3 dB to begin with; of a sure ring that grew, what it had too much in 25 ms round the loop and
    4 dB of margin; half a dB each for coming back (twice at most) and for each sure ring that came
    later (3 dB at most), one for clipping; never more than 9. Common practice, no published source.
    """
    if one.confidence < 0.78:
        return 3.0
    later = sum(ring.confidence >= 0.78 and ring.onset_s > one.onset_s + 0.5 for ring in found)
    depth_db = max(3.0, 0.025 * one.growth_db_per_s + 4.0 if one.growth_db_per_s else 0.0)
    depth_db += 0.5 * min(one.occurrences - 1, 2) + 1.0 * one.clipped + min(0.5 * later, 3.0)
    return min(depth_db, 9.0)


def bands(plan: Plan) -> int:
    return sum(planned.filter.kind is not FilterKind.HIGH_PASS for planned in plan.filters)


def cuts(plan: Plan) -> int:
    return sum(planned.purpose is Purpose.FEEDBACK for planned in plan.filters)


@pytest.mark.parametrize("name", ALL_LIMITS)
@settings(max_examples=15, deadline=None)
@given(
    found=rings(),
    amount=st.sampled_from(list(ThinningAmount)),
    most=st.one_of(st.none(), st.integers(0, 6)),
    sample_rate_hz=st.sampled_from([44_100, 48_000, 192_000]),
)
def test_every_plan_obeys_its_limits_and_does_what_it_says(
    name: str, found: list[Ring], amount: ThinningAmount, most: int | None, sample_rate_hz: int
) -> None:
    limits = ALL_LIMITS[name]
    plan = plan_from_rings([capture(sample_rate_hz)], found, limits, thinning=amount, cuts=most)
    assert bands(plan) <= limits.bands
    assert most is None or cuts(plan) <= most
    assert list(plan.rings) == found
    effects = independent_effects_db(plan, found)
    centres = [p.filter.frequency_hz for p in plan.filters if p.filter.order is None]
    if limits.grid_hz and limits.band_kind is FilterKind.PEAKING:
        assert len(set(centres)) == len(centres), "one slider set twice"
    for planned in plan.filters:
        filter = planned.filter
        assert allows(limits, filter), filter
        assert filter.gain_db is None or -HARD_LIMIT_DB <= filter.gain_db < 0
        assert "\n" not in planned.reason
        assert (planned.effect_db is None) == (planned.purpose is Purpose.THINNING)
        if planned.effect_db is not None:
            # Deep in a notch the printed digits of the sections tell.
            close = max(0.02, 0.001 * abs(planned.effect_db))
            assert min(abs(effect - planned.effect_db) for effect in effects) < close
    for one, effect_db in zip(found, effects, strict=True):
        if one in plan.unserved:
            assert effect_db > -asked_db(one, found) + 0.5 - 0.02
    kinds = [(p.filter.kind is not FilterKind.HIGH_PASS, p.purpose) for p in plan.filters]
    assert kinds == sorted(kinds, key=lambda kind: (kind[0], kind[1] is Purpose.FEEDBACK))


@pytest.mark.parametrize("name", ["free", "parametric-4", "parametric-6", "graphic-31"])
@settings(max_examples=15, deadline=None)
@given(
    octaves=st.lists(st.floats(0.0, 6.5), min_size=1, max_size=2),
    growth_db_per_s=st.floats(0.0, 400.0),
)
def test_few_rings_far_apart_all_get_what_they_ask_for(
    name: str, octaves: list[float], growth_db_per_s: float
) -> None:
    found = [
        ring(110.0 * 2**octave, growth_db_per_s=growth_db_per_s)
        for n, octave in enumerate(octaves)
        if all(abs(octave - other) > 0.7 for other in octaves[:n])
    ]
    plan = plan_from_rings([capture()], found, PRESETS[name], thinning=ThinningAmount.NONE)
    assert not plan.unserved
    for one, effect_db in zip(found, independent_effects_db(plan, found), strict=True):
        wanted_db = asked_db(one, found)
        assert effect_db <= -wanted_db + 0.5
        assert effect_db >= -wanted_db - 1.5, "deeper than the evidence asks"


def plan_of(found: list[Ring], limits: Limits | str, **options: object) -> Plan:
    limits = PRESETS[limits] if isinstance(limits, str) else limits
    thinning = options.pop("thinning", ThinningAmount.NONE)
    return plan_from_rings([capture()], found, limits, thinning=thinning, **options)  # type: ignore[arg-type]


def test_a_ring_not_seen_growing_gets_the_first_cut_of_3_db() -> None:
    plan = plan_of([ring(1234.0, growth_db_per_s=0.0)], "parametric-4")
    (only,) = plan.filters
    assert only.filter.gain_db == -3.0
    assert "rang on, not seen growing; -2.9 dB at the ring" in only.reason
    assert only.reason.startswith("ring at 1.23 kHz (D#6 -15 cents)")


def test_a_faster_howl_and_one_that_came_back_get_deeper_cuts() -> None:
    slow, fast, again = (
        plan_of([one], "free").filters[0].filter.gain_db
        for one in (
            ring(900.0, growth_db_per_s=25.0),
            ring(900.0, growth_db_per_s=100.0),
            ring(900.0, growth_db_per_s=25.0, occurrences=3),
        )
    )
    assert slow == -4.5  # 25 dB/s times 25 ms, and 4 dB, less the tolerance
    assert fast == -6.5
    assert again == -5.5


def test_the_first_to_ring_goes_deeper_for_those_that_rang_after_it() -> None:
    first, second, third = (
        replace(ring(hz, growth_db_per_s=40.0), onset_s=onset_s)
        for hz, onset_s in ((300.0, 2.0), (900.0, 9.0), (2500.0, 15.0))
    )
    plan = plan_of([third, first, second], "free")
    depths = {round(p.filter.frequency_hz): p.filter.gain_db for p in plan.filters}
    assert depths == {300: -6.0, 900: -5.5, 2500: -5.0}
    assert "2 more rang after it" in plan.filters[1].reason
    together = plan_of([replace(one, onset_s=2.0) for one in (first, second, third)], "free")
    assert {p.filter.gain_db for p in together.filters} == {-5.0}


def test_a_shorter_loop_needs_less() -> None:
    found = [ring(900.0, growth_db_per_s=200.0)]
    assert plan_of(found, "free", loop_delay_s=0.005).filters[0].filter.gain_db == -5.0


def test_no_ring_is_asked_more_than_9_db_and_a_tenth_warns() -> None:
    plan = plan_of([ring(900.0, growth_db_per_s=5000.0, clipped=True)], "free")
    assert plan.filters[0].filter.gain_db == -9.0
    assert any("look for another cause" in caution for caution in plan.cautions)


def test_neighbours_share_one_cut_and_it_serves_both() -> None:
    plan = plan_of([ring(1000.0), ring(1030.0)], "parametric-4")
    (only,) = plan.filters
    assert "rings at 1.00 kHz (B5 +21 cents) and 1.03 kHz (C6 -28 cents)" in only.reason
    assert only.effect_db is not None
    assert only.effect_db <= -4.5


def test_short_of_bands_the_urgent_are_served_and_the_rest_is_said() -> None:
    found = [ring(hz) for hz in (300.0, 700.0, 1500.0, 3200.0, 6500.0, 110.0)]
    plan = plan_of(found, "parametric-4")
    assert plan.unserved == tuple(found[4:])
    said = [caution for caution in plan.cautions if caution.startswith("No band is left")]
    assert said == [
        "No band is left for 6.50 kHz (G#8 -38 cents) and 110 Hz (A2): a lower fader or a better "
        "place for the mic is the better cure."
    ]
    assert [p.filter.frequency_hz for p in plan.filters] == pytest.approx(
        [300.0, 700.0, 1500.0, 3200.0], rel=0.02
    )


def test_thinning_takes_bands_and_its_effect_is_counted() -> None:
    found = [ring(250.0, growth_db_per_s=50.0)]
    without = plan_of(found, "parametric-4")
    with_it = plan_of(found, "parametric-4", thinning=ThinningAmount.LIGHT)
    assert without.filters[0].filter.gain_db == -5.5
    assert [p.filter.gain_db for p in with_it.filters] == [None, -3.0, -2.0]
    assert with_it.thinning is not None
    assert with_it.thinning.spill_change_db < 0
    assert without.thinning is None


def test_the_low_mid_cut_gives_its_band_to_a_ring_that_has_none() -> None:
    light = ThinningAmount.LIGHT
    found = [ring(hz) for hz in (400.0, 1000.0, 2500.0, 6000.0)]
    plan = plan_of(found, "parametric-4", thinning=light)
    assert not plan.unserved
    assert [p.purpose for p in plan.filters] == [Purpose.THINNING] + 4 * [Purpose.FEEDBACK]
    assert any("gave its band to a ring" in caution for caution in plan.cautions)
    three = plan_of(found[:3], "parametric-4", thinning=light)
    assert [p.purpose for p in three.filters] == 2 * [Purpose.THINNING] + 3 * [Purpose.FEEDBACK]
    limited = plan_of(found, "parametric-4", thinning=light, cuts=1)
    assert [p.purpose for p in limited.filters] == 2 * [Purpose.THINNING] + [Purpose.FEEDBACK]


def test_a_cut_counts_what_its_neighbour_does_there() -> None:
    mild, strong = ring(1000.0, growth_db_per_s=50.0), ring(800.0, growth_db_per_s=300.0)
    assert plan_of([mild], "free").filters[0].filter.gain_db == -5.5
    both = {round(p.filter.frequency_hz): p for p in plan_of([strong, mild], "free").filters}
    assert both[1000].filter.gain_db == -4.5


def test_no_slider_is_lower_than_some_ring_needs() -> None:
    found = [ring(1000.0 * 1.13**n, growth_db_per_s=20.0 + 15.0 * (n % 4)) for n in range(7)]
    plan = plan_of(found, "graphic-31")
    # Each ring has what it asks for, and 1 dB less where it drifts to: 1.5 %, and twice its error.
    points = [
        (hz, asked_db(one, found) - lost_db)
        for one in found
        for hz, lost_db in (
            (one.frequency_hz, 0.0),
            (0.985 * one.frequency_hz - 0.4, 1.0),
            (1.015 * one.frequency_hz + 0.4, 1.0),
        )
    ]
    at_hz, wanted_db = zip(*points, strict=True)
    for raised in plan.filters:
        gain_db = (raised.filter.gain_db or 0.0) + 0.5
        gain_db = gain_db if gain_db <= -1.0 else 0.0  # nothing shallower is worth a hand's move
        filters = [p.filter for p in plan.filters if p is not raised]
        filters.append(replace(raised.filter, gain_db=gain_db))
        cut_db = -total_db(filters, at_hz, sample_rate_hz=48_000)
        assert np.any(cut_db < np.array(wanted_db) - 0.2), raised.filter


def test_a_ring_that_thinning_answers_gets_no_cut_and_says_so() -> None:
    plan = plan_of(
        [ring(70.0, growth_db_per_s=50.0)], "parametric-4", thinning=ThinningAmount.STRONG
    )
    assert cuts(plan) == 0
    assert not plan.unserved
    assert "it spares the ring at 70 Hz (C#2 +18 cents) a cut" in plan.filters[0].reason


def test_possible_rings_come_last_gently_and_only_with_evidence() -> None:
    sure = [ring(hz) for hz in (300.0, 700.0, 1500.0)]
    growing = ring(3200.0, confidence=0.45, growth_db_per_s=300.0)
    silent = ring(6500.0, confidence=0.45, growth_db_per_s=0.0)
    plan = plan_of([growing, silent, *sure], "parametric-4")
    last = plan.filters[-1]
    assert cuts(plan) == 4
    assert last.filter.gain_db == -3.0
    assert last.reason.startswith("possible ring at 3.20 kHz")
    assert any(
        caution.startswith("Possible ring at 6.50 kHz (G#8 -38 cents) without a cut")
        for caution in plan.cautions
    )
    crowded = plan_of([growing, *sure, ring(110.0)], "parametric-4")
    assert not any("possible" in p.reason for p in crowded.filters)


def test_only_the_most_confident_of_many_possible_rings_get_a_cut() -> None:
    found = [ring(200.0 * 2**n, confidence=0.1 + 0.06 * n) for n in range(6)]
    plan = plan_of(found, "free")
    assert [round(p.filter.frequency_hz) for p in plan.filters] == [6400, 3200, 1600]
    assert {p.filter.gain_db for p in plan.filters} == {-3.0}


def test_a_possible_ring_beside_a_sure_one_shares_its_cut_and_is_called_so() -> None:
    plan = plan_of([ring(1000.0), ring(1010.0, confidence=0.45)], "parametric-4")
    (only,) = plan.filters
    assert only.reason.startswith(
        "ring at 1.00 kHz (B5 +21 cents) and possible ring at 1.01 kHz (B5 +39 cents) "
        "(confidence 0.45): the first grew 100 dB/s"
    )


def test_many_rings_at_once_mean_that_the_send_is_too_high() -> None:
    found = [ring(hz) for hz in (300.0, 700.0, 1500.0, 3200.0)]
    one_by_one = [replace(one, onset_s=5.0 * n) for n, one in enumerate(found)]
    said = "4 rings came up together"
    assert any(caution.startswith(said) for caution in plan_of(found, "free").cautions)
    assert not any("together" in caution for caution in plan_of(one_by_one, "free").cautions)


def test_a_ring_between_two_sliders_is_shared_by_both() -> None:
    between = float(np.sqrt(800.0 * 1000.0))
    plan = plan_of([ring(between, growth_db_per_s=150.0)], "graphic-31")
    assert {p.filter.frequency_hz for p in plan.filters} == {800.0, 1000.0}
    depths = [p.filter.gain_db or 0.0 for p in plan.filters]
    assert abs(depths[0] - depths[1]) <= 1.0
    assert plan.filters[0].effect_db == pytest.approx(-7.75, abs=0.5)


def test_a_ring_nearly_between_two_sliders_moves_neither_alone() -> None:
    plan = plan_of([ring(281.7, growth_db_per_s=60.0)], "graphic-31")
    depths = {p.filter.frequency_hz: p.filter.gain_db or 0.0 for p in plan.filters}
    assert set(depths) == {250.0, 315.0}
    assert abs(depths[250.0] - depths[315.0]) <= 3.0


def test_a_ring_on_a_slider_moves_that_slider_alone() -> None:
    plan = plan_of([ring(2500.0)], "graphic-31")
    assert [p.filter.frequency_hz for p in plan.filters] == [2500.0]


def test_an_equaliser_that_cannot_reach_says_so() -> None:
    plan = plan_of([ring(900.0, growth_db_per_s=250.0)], ODD_LIMITS["shallow"])
    assert any("reaches -3.9 dB of the -9.0 dB wanted" in caution for caution in plan.cautions)


def test_without_rings_the_plan_is_thinning_and_says_so() -> None:
    plan = plan_of([], "parametric-4", thinning=ThinningAmount.LIGHT)
    assert [p.purpose for p in plan.filters] == [Purpose.THINNING] * 2
    assert any("No ring was found" in caution for caution in plan.cautions)


def test_cautions_open_with_safety_and_close_with_exposure() -> None:
    plan = plan_of([ring(900.0)], "parametric-4")
    assert "injure hearing" in plan.cautions[0]
    assert "uncalibrated" in plan.cautions[-1]
    assert len(set(plan.cautions)) == len(plan.cautions)


def test_rings_that_are_equally_urgent_may_come_in_any_order() -> None:
    """All grew alike and at once, so nothing says which to serve first."""
    found = [ring(300.0 * 1.9**n) for n in range(4)]
    for name in ("free", "parametric-4"):
        settings_of = [
            {(p.filter.frequency_hz, p.filter.gain_db, p.filter.q) for p in plan.filters}
            for plan in (plan_of(found, name), plan_of(found[::-1], name))
        ]
        assert settings_of[0] == settings_of[1]


@pytest.mark.parametrize(
    ("options", "message"),
    [({"cuts": -1}, "0 or more"), ({"loop_delay_s": 0.0}, "loop delay"), ({}, "one capture")],
)
def test_numbers_that_make_no_sense_are_refused(options: dict[str, float], message: str) -> None:
    given_captures = [] if not options else [capture()]
    with pytest.raises(ParameterError, match=message):
        plan_from_rings(
            given_captures, [], PRESETS["free"], thinning=ThinningAmount.NONE, **options
        )  # type: ignore[arg-type]


@pytest.mark.parametrize("name", ["parametric-4", "graphic-31", "free"])
def test_a_ring_beyond_what_the_first_capture_holds_is_told_and_not_cut(name: str) -> None:
    low, high = replace(capture(), sample_rate_hz=16_000), capture()
    found = [ring(1000.0), ring(10_000.0)]
    plan = plan_from_rings([low, high], found, PRESETS[name], thinning=ThinningAmount.LIGHT)
    assert any(abs(np.log2(one.filter.frequency_hz / 1000.0)) < 0.3 for one in plan.filters)
    assert plan.rings == tuple(found)
    assert any("10" in said for said in plan.cautions)
