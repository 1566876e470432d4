"""What the lesson computes, and the boundaries of what it decides."""

from __future__ import annotations

import base64
import io
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile as sf

from shaping.analysis.findings import CriticalFrequency
from shaping.analysis.first_row.spill import Spill
from shaping.capture.audio import read_capture
from shaping.capture.recording import Capture, CaptureKind
from shaping.equaliser.limits_file import load_limits
from shaping.errors import CaptureError, PlanError
from shaping.filters.kinds import Filter, FilterKind
from shaping.plan.plan import Interval, NearPoint, RingOutSummary
from shaping.plan.thinning.effect import thinning_summary
from shaping.plan.thinning.planner import first_row_spill, thin
from shaping.report.lesson import sounds, tones
from shaping.report.lesson.own_wedge import added_db, loop_points, own_wedge
from shaping.report.lesson.thinning_steps import (
    STEPS,
    equal_gains_db,
    nearness,
    seat_changes_db,
    step_filters,
    step_name,
    thinning_steps,
)

RATE_HZ = 48_000
LIMITS = load_limits("parametric-4")


def capture(samples: np.ndarray, rate_hz: int = RATE_HZ) -> Capture:
    return Capture("mic.wav", rate_hz, 1, samples.astype(np.float32), CaptureKind.RING_OUT)


def tone(seconds: float, level: float = 0.1, rate_hz: int = RATE_HZ) -> np.ndarray:
    return level * np.sin(2 * np.pi * 500.0 * np.arange(round(seconds * rate_hz)) / rate_hz)


def spill(wedges_db: dict[float, float]) -> Spill:
    """Return a first row with the mains at -40 dB, the wedges at -60 where not given."""
    bands = (125.0, 160.0, 250.0, 500.0, 630.0, 800.0, 1000.0, 2000.0, 4000.0)
    wedges = np.array([wedges_db.get(hz, -60.0) for hz in bands])
    mains = np.full(len(bands), -40.0)
    return Spill(bands, wedges, mains, mains - wedges, np.zeros(len(bands)))


@pytest.fixture(scope="module")
def shipped_spill(samples_folder) -> Spill:
    return first_row_spill(
        *(
            read_capture(samples_folder / f"first_row_{what}.flac", kind=CaptureKind.FIRST_ROW)
            for what in ("wedges", "mains")
        )
    )


# Sounds


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_an_excerpt_has_the_pages_rate_and_keeps_the_tone(rate_hz):
    made = sounds.excerpt(capture(tone(10.0, rate_hz=rate_hz), rate_hz))
    assert made.size == pytest.approx(sounds.LONGEST_EXCERPT_S * sounds.PAGE_RATE_HZ, abs=2)
    spectrum = np.abs(np.fft.rfft(made * np.hanning(made.size)))
    assert np.argmax(spectrum) * sounds.PAGE_RATE_HZ / made.size == pytest.approx(500.0, abs=0.2)
    assert np.sqrt(np.mean(made**2)) == pytest.approx(0.1 / np.sqrt(2), rel=0.01)
    assert abs(made[0]) < 1e-3
    assert abs(made[-1]) < 1e-3


def test_an_excerpt_needs_a_second():
    assert sounds.excerpt(capture(tone(3.0)), start_s=2.0).size == sounds.PAGE_RATE_HZ
    with pytest.raises(CaptureError, match=r"from 2.1 s on there is less"):
        sounds.excerpt(capture(tone(3.0)), start_s=2.1)


def test_a_howl_is_turned_down_to_ten_over_the_median():
    quiet = tone(4.0, 0.01, sounds.PAGE_RATE_HZ)
    loud = quiet.copy()
    loud[sounds.PAGE_RATE_HZ : 2 * sounds.PAGE_RATE_HZ] *= 10.0  # 20 dB over for a second
    made = sounds.without_howls(loud)
    assert np.abs(made).max() == pytest.approx(0.01 * 10 ** (10 / 20), rel=0.02)
    np.testing.assert_array_equal(made[-sounds.PAGE_RATE_HZ :], loud[-sounds.PAGE_RATE_HZ :])


@pytest.mark.parametrize(("over_db", "kept"), [(9.9, True), (10.1, False)])
def test_what_passes_the_median_by_less_is_left_as_it_is(over_db, kept):
    samples = tone(4.0, 0.01, sounds.PAGE_RATE_HZ)
    samples[sounds.PAGE_RATE_HZ : 2 * sounds.PAGE_RATE_HZ] *= 10 ** (over_db / 20)
    assert (sounds.without_howls(samples) is samples) is kept


def test_silence_has_no_howl():
    silent = np.zeros(sounds.PAGE_RATE_HZ)
    assert sounds.without_howls(silent) is silent


def test_sounds_keep_their_difference_when_scaled():
    first, second = sounds.scaled([tone(1.0, 0.2), tone(1.0, 0.1)], peak=0.4)
    assert np.abs(first + second).max() == pytest.approx(0.4)
    np.testing.assert_allclose(first, 2.0 * second)


def test_a_sound_is_a_wav_file():
    samples = tone(0.5, 0.3, sounds.PAGE_RATE_HZ)
    read, rate_hz = sf.read(io.BytesIO(base64.b64decode(sounds.wav_text(samples))))
    assert rate_hz == sounds.PAGE_RATE_HZ
    np.testing.assert_allclose(read, samples, atol=1 / 32768)


# Thinning by steps


@pytest.mark.parametrize(("step", "amount"), [(4, "light"), (8, "medium"), (12, "strong")])
def test_named_steps_are_what_the_command_thins_with(shipped_spill, step, amount):
    filters = tuple(one.filter for one in thin(LIMITS, amount=amount).plan.filters)
    assert step_filters(step, LIMITS) == filters
    made = thinning_steps(shipped_spill, LIMITS)[step]
    summary = thinning_summary(filters, spill=shipped_spill)
    assert made.name == amount
    assert made.spill_db == summary.spill_change_db
    assert (made.words_before, made.words_after) == (summary.sii_before, summary.sii_after)
    assert made.together_db == summary.room.change_db
    assert (made.room_words_before, made.room_words_after) == (
        summary.room.sii_before,
        summary.room.sii_after,
    )


def test_every_step_takes_more_than_the_one_before(shipped_spill):
    steps = thinning_steps(shipped_spill, LIMITS)
    assert len(steps) == STEPS + 1
    assert steps[0].filters == ()
    for figures in zip(*((s.spill_db, s.together_db, s.words_after) for s in steps), strict=True):
        assert all(np.diff(figures) < 0.0)
    assert all(step.spill_db < step.together_db for step in steps[1:])


@pytest.mark.parametrize(
    ("step", "name"), [(0, "none"), (3, "between none and light"), (12, "strong")]
)
def test_steps_have_names(step, name):
    assert step_name(step) == name


def test_a_seat_hears_both_as_they_add_up():
    """Wedge and mains in step add as amplitudes: taking half of the wedge leaves 1.5 of 2."""
    n = 2 * sounds.PAGE_RATE_HZ
    noise = np.random.default_rng(4).normal(size=n)
    halved = (Filter(FilterKind.LOW_SHELF, 8000.0, q=0.7, gain_db=-6.0206),)
    step = SimpleNamespace(filters=halved)
    (change_db,) = seat_changes_db([step], noise, noise)
    assert change_db == pytest.approx(20 * np.log10(1.5 / 2.0), abs=0.02)
    (change_db,) = seat_changes_db([step], noise, np.zeros(n))
    assert change_db == pytest.approx(-6.02, abs=0.05)


def test_equal_gains_only_turn_down(shipped_spill):
    steps = thinning_steps(shipped_spill, LIMITS)
    noise = np.random.default_rng(3).normal(size=(2, sounds.PAGE_RATE_HZ))
    gains = equal_gains_db(steps, 0.05 * noise[0], 0.05 * noise[1])
    for row in gains.values():
        assert len(row) == len(steps)
        assert max(row) == 0.0
    assert gains["wedge"][-1] == 0.0  # the strongest is the softest


def test_how_near_the_wedge_comes():
    found = nearness(
        spill({250.0: -43.0, 500.0: -43.1, 800.0: -41.0, 1000.0: -41.1, 4000.0: -45.0})
    )
    assert found.up_to_hz == 250.0
    assert found.above_hz == (800.0,)
    assert found.least_high_margin_db == pytest.approx(5.0)
    assert nearness(spill({})).up_to_hz is None


# Which frequency rings


def test_tones_lie_inside_the_bands_and_off_their_edges():
    for bands in (tones.octave_bands(), tones.third_octave_bands()):
        edges = np.array([(band.low_hz, band.high_hz) for band in bands])
        np.testing.assert_allclose(edges[1:, 0], edges[:-1, 1])  # they meet
        for one in tones.tones():
            assert sum(band.low_hz <= one.hz < band.high_hz for band in bands) == 1
            assert np.abs(np.log2(edges / one.hz)).min() > 0.03
    assert [band.text for band in tones.octave_bands()][-1] == "4 kHz"
    assert len(tones.third_octave_bands()) == 15


# One's own wedge


def with_loop(plan, points):
    critical = tuple(CriticalFrequency(hz, gain_db) for hz, gain_db in points)
    return replace(plan, loop=replace(plan.loop, critical=critical))


def test_points_come_from_the_loop_the_first_one_first(new_plan):
    plan = with_loop(new_plan(2, loop=True), [(700.0, -3.0), (2514.0, -12.0), (4000.0, -0.1)])
    points = loop_points(plan)
    assert [point.frequency_hz for point in points] == [2514.0, 700.0, 4000.0]
    assert [point.onset_db for point in points] == pytest.approx([0.0, 9.0, 11.9])
    cut = [one.filter.frequency_hz for one in plan.filters].index(2514.0)
    assert points[0].change_db[cut] == pytest.approx(plan.filters[cut].filter.gain_db)
    assert added_db(plan) == plan.loop.added_stable_gain_db


@pytest.mark.parametrize(("onset_db", "kept"), [(11.9, 2), (12.1, 1)])
def test_what_howls_much_later_is_left_out(new_plan, onset_db, kept):
    plan = with_loop(new_plan(2, loop=True), [(700.0, 0.0), (3000.0, onset_db)])
    assert len(loop_points(plan)) == kept


@pytest.mark.parametrize(("octaves", "kept"), [(1 / 13, 1), (1 / 11, 2)])
def test_points_side_by_side_are_one(new_plan, octaves, kept):
    plan = with_loop(new_plan(2, loop=True), [(700.0, 0.0), (700.0 * 2**octaves, 1.0)])
    assert len(loop_points(plan)) == kept


def test_six_points_are_enough(new_plan):
    plan = with_loop(new_plan(2, loop=True), [(300.0 * 1.5**n, 0.1 * n) for n in range(8)])
    assert len(loop_points(plan)) == 6


@pytest.mark.parametrize(("octaves", "as_ring"), [(1 / 26, True), (1 / 22, False)])
def test_a_point_at_a_ring_has_the_rings_number(new_plan, octaves, as_ring):
    ring_hz = new_plan(1).rings[0].frequency_hz
    near = (NearPoint(ring_hz * 2**octaves, 0.0), NearPoint(300.0, -2.5))
    summary = RingOutSummary(Interval(0.0, 1.0, 2.0), Interval(2.0, 3.5, 5.0), 6.0, 3.0, 2.0, near)
    plan = replace(new_plan(1), ring_out=summary)
    points = loop_points(plan)
    assert (points[0].frequency_hz == ring_hz) is as_ring
    assert [point.onset_db for point in points] == [0.0, 2.5]
    assert added_db(plan) == 3.5


def test_a_loop_that_is_withheld_gives_no_points(new_plan):
    plan = new_plan(2, loop=True)
    withheld = replace(plan, loop=replace(plan.loop, stable_gain_db=float("nan")))
    assert loop_points(withheld) == ()
    assert added_db(withheld) == 0.0


def test_a_plan_without_settings_has_nothing_to_hear(new_plan):
    with pytest.raises(PlanError, match="nothing to hear"):
        own_wedge(replace(new_plan(0), filters=()), capture(tone(3.0)))


def test_the_recording_is_kept_under_the_ceiling(new_plan):
    samples = tone(4.0, 0.02)
    samples[RATE_HZ : 2 * RATE_HZ] *= 40.0
    own = own_wedge(new_plan(2), capture(samples))
    assert own.quietened
    assert np.abs(own.samples).max() == pytest.approx(0.25, rel=1e-6)
    assert not own_wedge(new_plan(2), capture(tone(4.0, 0.02))).quietened
