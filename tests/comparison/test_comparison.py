"""Fates of rings, third-octave bands, stable gain, and the one next step."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

from shaping.analysis.findings import Ring
from shaping.capture.recording import Capture, CaptureKind
from shaping.comparison.changes import Fate
from shaping.comparison.compare import compare, match_rings
from shaping.comparison.diagnosis import Diagnosis, Explanation, Mistake
from shaping.comparison.next_step import explanation_text, next_step
from shaping.comparison.to_json import comparison_to_json
from shaping.equaliser.limits_file import load_limits
from shaping.errors import ParameterError
from shaping.filters.kinds import Filter, FilterKind
from shaping.filters.width import octaves_from_q
from shaping.plan.assemble import Evidence, assemble_plan
from shaping.plan.plan import PlannedFilter, Purpose

RATE_HZ = 48_000


def ring(frequency_hz, *, confidence=0.95, width_hz=0.0):
    return Ring(
        frequency_hz, 0.2, width_hz, 1.0, 1.0, 40.0, None, -20.0, 1, False, confidence, "grew"
    )


def cut(frequency_hz, gain_db=-6.0, q=5.0):
    return PlannedFilter(
        Filter(FilterKind.PEAKING, frequency_hz, q, gain_db),
        Purpose.FEEDBACK,
        "a ring",
        q,
        octaves_from_q(q),
    )


def new_plan(*filters, rings=()):
    capture = Capture("before.wav", RATE_HZ, 1, np.zeros(RATE_HZ, np.float32), CaptureKind.RING_OUT)
    return assemble_plan(
        [capture], load_limits("parametric-4"), filters, evidence=Evidence(rings=rings)
    )


def test_rings_are_paired_by_frequency_as_far_as_warm_air_moves_them():
    """0.9 % for 5 kelvin: 0.18 % per kelvin, the square-root law of the speed of sound."""
    before = [ring(1000.0), ring(2500.0), ring(630.0)]
    after = [ring(1009.0), ring(4000.0)]
    changes = match_rings(before, after)
    assert [(c.fate, c.frequency_hz) for c in changes] == [
        (Fate.REMAINS, 1009.0),
        (Fate.NEW, 4000.0),
        (Fate.GONE, 2500.0),
        (Fate.GONE, 630.0),
    ]
    assert changes[0].before.frequency_hz == 1000.0


def test_each_ring_is_paired_once_and_with_the_nearest():
    changes = match_rings([ring(1000.0), ring(1010.0)], [ring(1009.0)])
    assert [(c.fate, c.before.frequency_hz) for c in changes] == [
        (Fate.REMAINS, 1010.0),
        (Fate.GONE, 1000.0),
    ]


def test_a_wide_ring_is_paired_within_its_width():
    assert match_rings([ring(1000.0, width_hz=60.0)], [ring(1035.0)])[0].fate is Fate.REMAINS
    assert match_rings([ring(1000.0)], [ring(1035.0)])[0].fate is Fate.NEW


def test_what_the_plan_does_at_a_ring_is_told():
    plan = new_plan(cut(1000.0, -6.0))
    (change,) = match_rings([ring(1000.0)], [], plan)
    assert change.promised_db == pytest.approx(-6.0, abs=0.01)


@pytest.mark.parametrize(
    ("before", "after", "plan", "said"),
    [
        (
            [1000.0],
            [],
            new_plan(cut(1000.0)),
            "Leave the settings. Raise the send to the first soft",
        ),
        ([1000.0], [1000.0], new_plan(cut(1000.0, -3.0)), "Make the cut at 1.00 kHz"),
        ([1000.0], [1000.0], new_plan(), "Cut 1.00 kHz"),
        ([1000.0], [1000.0], new_plan(cut(1000.0, -9.0)), "Move the mic or the wedge"),
        ([1000.0], [2000.0], new_plan(cut(1000.0)), "cut 2.00 kHz"),
        (
            [1000.0],
            [2000.0],
            new_plan(*(cut(f) for f in (1000.0, 500.0, 300.0, 4000.0))),
            "no band is left",
        ),
    ],
)
def test_the_next_step_after_ring_outs(before, after, plan, said):
    changes = match_rings([ring(f) for f in before], [ring(f) for f in after], plan)
    assert said in next_step(changes, plan)


def test_a_possible_ring_asks_for_ears_first():
    changes = match_rings([], [ring(1000.0, confidence=0.2)])
    assert "Listen at 1.00 kHz" in next_step(changes, None)


@pytest.mark.parametrize("mistake", Mistake)
def test_every_mistake_has_words_and_a_step(mistake):
    plan = new_plan(cut(1000.0), cut(2000.0))
    whole = mistake is Mistake.ALL_OUT
    dialled = None if whole or mistake is Mistake.OUT else Filter(FilterKind.PEAKING, 800.0, 3, 6.0)
    explanation = Explanation(
        mistake, None if whole else 2, dialled, None, 3.2, 0.4, Mistake.GAIN, 1.1
    )
    text = explanation_text(explanation, plan)
    assert "0.4 dB" in text
    assert "3.2 dB" in text
    assert whole or "Setting 2 (2.00 kHz)" in text
    step = next_step((), plan, diagnosis=Diagnosis(0.0, 0.4, 3.0, 0.4, (explanation,)))
    assert "then record again and compare." in step


@pytest.mark.parametrize(
    ("mistake", "q", "finding", "step"),
    [
        (
            Mistake.TOO_WIDE,
            1.41,
            "Setting 2 (2.00 kHz) seems to be too wide, about 1 oct:",
            "Set setting 2 (2.00 kHz) narrower, to Q 4.3 (1/3 oct), then record again",
        ),
        (
            Mistake.TOO_NARROW,
            8.65,
            "Setting 2 (2.00 kHz) seems to be too narrow, about 1/6 oct:",
            "Set setting 2 (2.00 kHz) wider, to Q 4.3 (1/3 oct), then record again",
        ),
        (
            Mistake.FREQUENCY,
            4.32,
            "Setting 2 (2.00 kHz) seems to sit at about 1.60 kHz:",
            "Set the frequency of setting 2 to 2.00 kHz (B6 +21 cents), then record again",
        ),
    ],
)
def test_what_was_dialled_and_what_to_dial_are_both_said(mistake, q, finding, step):
    """Q 4.32 is a third of an octave, Q 1.41 one octave, Q 8.65 a sixth: cookbook's definition."""
    plan = new_plan(cut(1000.0), cut(2000.0, q=4.32))
    hz = 1600.0 if mistake is Mistake.FREQUENCY else 2000.0
    dialled = Filter(FilterKind.PEAKING, hz, q, -6.0)
    explanation = Explanation(mistake, 2, dialled, None, 3.2, 0.4, Mistake.GAIN, 1.1)
    assert explanation_text(explanation, plan).startswith(finding)
    told = next_step((), plan, diagnosis=Diagnosis(0.0, 0.4, 3.0, 0.4, (explanation,)))
    assert told.startswith(step)


def test_captures_that_agree_with_nothing_send_the_mic_back():
    found = Diagnosis(0.0, 3.0, 3.5, 3.5, ())
    assert "Put mic and wedge back" in next_step((), new_plan(cut(1000.0)), diagnosis=found)


def noise(seed, seconds=12):
    """Pink noise: white noise through a filter of 1/sqrt(f) in the frequency domain."""
    rng = np.random.default_rng(seed)
    spectrum = np.fft.rfft(rng.normal(size=seconds * RATE_HZ))
    hz = np.fft.rfftfreq(seconds * RATE_HZ, 1 / RATE_HZ)
    pink = np.fft.irfft(spectrum / np.sqrt(np.maximum(hz, 20.0)))
    return (0.1 * pink / pink.std()).astype(np.float32)


def the_path():
    """Return a direct sound and a decay of 0.2 s."""
    path = np.random.default_rng(2).normal(size=9600) * 10 ** (-3 * np.arange(9600) / 9600)
    path[0] = 12.0
    return path


@pytest.fixture(scope="module")
def recorded():
    """Reference, and captures before and after a high-pass made by scipy, one decaying path."""
    reference = noise(1)
    before = signal.fftconvolve(np.pad(reference, (4800, 4800)), 0.02 * the_path())[: 13 * RATE_HZ]
    before += 1e-4 * np.random.default_rng(4).normal(size=before.size)
    sos = signal.butter(2, 150.0, "highpass", fs=RATE_HZ, output="sos")
    after = signal.sosfilt(sos, before)
    return [
        Capture(name, RATE_HZ, 1, samples.astype(np.float32), CaptureKind.PINK_NOISE)
        for name, samples in (("reference", reference), ("before", before), ("after", after))
    ]


HIGH_PASS = PlannedFilter(
    Filter(FilterKind.HIGH_PASS, 150.0, order=2), Purpose.THINNING, "thinning"
)


def test_noise_with_its_reference_tells_bands_gain_and_that_the_plan_fits(recorded):
    reference, before, after = recorded
    plan = new_plan(HIGH_PASS)
    found = compare(before, after, plan=plan, reference=reference)
    assert found.diagnosis.explanations == ()
    assert found.diagnosis.misfit_db < 0.5
    assert found.rings == ()
    for band in found.bands:
        # Analogue Butterworth of order 2 at band centre; a band's edges differ by 2 dB at most.
        analogue = -10 * np.log10(1 + (150.0 / band.nominal_hz) ** 4)
        assert band.measured_db == pytest.approx(analogue, abs=1.2)
        assert band.measured_db == pytest.approx(band.promised_db, abs=0.6)
    # Its peak is the path's own, above the high-pass: read off a long transform of the path.
    hz = np.fft.rfftfreq(2**17, 1 / RATE_HZ)
    level_db = 20 * np.log10(np.abs(np.fft.rfft(0.02 * the_path(), 2**17)))
    analogue_db = -10 * np.log10(1 + (150.0 / np.maximum(hz, 1.0)) ** 4)
    inside = (hz > 50) & (hz < 17_000)
    assert found.gain.before_db == pytest.approx(-level_db[inside].max(), abs=0.3)
    after_db = -(level_db + analogue_db)[inside].max()
    assert found.gain.after_db == pytest.approx(after_db, abs=0.3)
    assert found.gain.promised_after_db == pytest.approx(after_db, abs=0.3)


def test_a_setting_that_was_left_out_is_the_next_step(recorded):
    reference, before, after = recorded
    plan = new_plan(HIGH_PASS, cut(1000.0, -6.0))
    found = compare(before, after, plan=plan, reference=reference)
    assert [(e.mistake, e.setting) for e in found.diagnosis.explanations] == [(Mistake.OUT, 2)]
    assert found.next_step.startswith("Switch setting 2 (1.00 kHz) in")
    told = json.loads(comparison_to_json(found))
    assert told["schema"] == "shaping.comparison/1"
    assert told["next_step"] == found.next_step
    assert told["diagnosis"]["explanations"][0]["mistake"] == "out"
    assert "Setting 2" in told["diagnosis"]["explanations"][0]["text"]
    assert told["gain"]["added_db"] == pytest.approx(found.gain.added_db, abs=1e-3)


def test_noise_without_a_plan_still_tells_the_change(recorded):
    _, before, after = recorded
    found = compare(before, after)
    assert found.diagnosis is None
    assert found.gain is None
    assert found.bands[-1].promised_db is None
    assert found.bands[0].measured_db < -6


def test_a_plan_stands_in_for_the_ring_out_it_was_made_from(samples_folder):
    from shaping.capture.audio import read_capture

    after = read_capture(str(samples_folder / "keys_wedge_no_ring.flac"), kind=CaptureKind.RING_OUT)
    plan = new_plan(cut(7654.0), rings=[ring(7654.0)])
    found = compare(None, after, plan=plan)
    assert Fate.GONE in {change.fate for change in found.rings if change.frequency_hz == 7654.0}
    assert found.before.path == "before.wav"
    assert found.change is None


def test_questions_without_an_answer_are_refused_in_words(recorded):
    reference, before, after = recorded
    with pytest.raises(ParameterError, match="name the capture made before"):
        compare(None, after, plan=new_plan(HIGH_PASS))
    rang = [replace(capture, kind=CaptureKind.RING_OUT) for capture in (before, after)]
    with pytest.raises(ParameterError, match="a ring-out has no reference"):
        compare(*rang, reference=reference)
    with pytest.raises(ParameterError, match="two captures of one kind"):
        compare(before, rang[1])
    with pytest.raises(ParameterError, match="--reference"):
        compare(*(replace(capture, kind=CaptureKind.SWEEP) for capture in (before, after)))
    with pytest.raises(ParameterError, match="nothing to compare"):
        compare(None, rang[1])
    with pytest.raises(ParameterError, match="rests on no capture"):
        compare(None, rang[1], plan=replace(new_plan(HIGH_PASS), captures=()))
