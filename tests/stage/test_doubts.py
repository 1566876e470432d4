"""What a stage promises of measurements that went wrong: nothing, and why."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from shaping.analysis.loop.faults import MeasurementFault
from shaping.analysis.loop.promise import gain_interval
from shaping.capture.recording import QualityNote, Severity
from shaping.capture.signals import pink_noise
from shaping.equaliser.limits_file import load_limits
from shaping.errors import CaptureError
from shaping.report import stage_words
from shaping.stage.description.stage import Mic, Send, Stage, Take, Wedge
from shaping.stage.doubts import measurement_doubts
from shaping.stage.loops.margins import worst_levels
from shaping.stage.loops.matrix import PathMatrix, loops
from shaping.stage.loops.promise import highest_level_db
from shaping.stage.measure import measure_stage, without_lone_echoes
from shaping.stage.plan_stage import plan_stage
from shaping.stage.to_json import stage_plan_to_json
from tests.stage.stage_makers import diffuse_paths, spectra

COMPRESSED = QualityNote(MeasurementFault.COMPRESSED, Severity.WARNING, "Switch dynamics off.")
LIVE = QualityNote(MeasurementFault.MIC_LIVE, Severity.UNUSABLE, "Mute the mic.")


def with_note(recordings, note, *, mics):
    """Return the recordings of a stage with a note on some mics of its first."""
    first = recordings.measured[0]
    loops = tuple(
        replace(loop, quality=(note,)) if mic in mics else loop
        for mic, loop in zip(first.mics, first.loops, strict=True)
    )
    return replace(recordings, measured=(replace(first, loops=loops), *recordings.measured[1:]))


def test_a_faulty_path_withholds_every_gain_of_the_stage(shipped_stage, shipped_recordings):
    faulty = with_note(shipped_recordings, COMPRESSED, mics={"lead"})
    plan = plan_stage(shipped_stage, faulty).plan
    assert len(plan.doubts) == 1
    assert "“lead” heard it: Switch dynamics off." in plan.doubts[0]
    told = json.loads(stage_plan_to_json(plan))
    together = told["together"]
    for key in ("stable_gain_db", "stable_gain_low_db", "stable_gain_after_db"):
        assert together[key] is None
    assert together["added_stable_gain_db"] is None
    assert together["deciding"]["frequency_hz"] > 0
    assert all(send["headroom_after_db"] is None for send in told["sends"])
    assert all(wedge["plan"]["loop"]["stable_gain_db"] is None for wedge in told["wedges"])
    reasons = [one["reason"] for wedge in told["wedges"] for one in wedge["plan"]["filters"]]
    assert not any("dB less" in reason for reason in reasons)
    answer = " ".join(stage_words.answer(plan))
    assert "withheld" in answer
    assert "nan" not in answer
    assert "Switch dynamics off." in answer


def test_a_mic_whose_sends_are_muted_casts_no_doubt(shipped_stage, shipped_recordings):
    muted = replace(shipped_stage, sends=tuple(s for s in shipped_stage.sends if s.mic != "lead"))
    faulty = with_note(shipped_recordings, COMPRESSED, mics={"lead"})
    assert measurement_doubts(muted, faulty.measured) == ()


@pytest.mark.parametrize(("live", "left"), [(1, 0), (2, 2), (3, 3)])
def test_a_live_mic_shows_in_at_least_half_of_the_mics(shipped_recordings, live, left):
    loops = [*shipped_recordings.measured[0].loops, shipped_recordings.measured[1].loops[0]]
    assert len(loops) == 4
    noted = [replace(one, quality=(LIVE,)) if i < live else one for i, one in enumerate(loops)]
    kept = without_lone_echoes(noted)
    assert sum(any(n.code == "mic-live" for n in one.quality) for one in kept) == left


def test_lost_samples_are_refused_with_wedge_mic_and_cause(tmp_path):
    rate = 16_000
    noise = pink_noise(12.0, sample_rate_hz=rate, level_dbfs=-20.0, high_hz=7000.0, seed=3)
    heard = np.stack([0.5 * np.roll(noise, 80), 0.3 * np.roll(noise, 120)], axis=1)
    heard += 1e-3 * np.random.default_rng(0).standard_normal(heard.shape)
    slipped = np.concatenate([heard[: 5 * rate], heard[5 * rate + 40 :]])
    soundfile.write(tmp_path / "noise.wav", noise, rate)
    soundfile.write(tmp_path / "take.wav", slipped, rate)
    take = Take(
        "left", str(tmp_path / "take.wav"), str(tmp_path / "noise.wav"), {"lead": 1, "choir": 2}
    )
    stage = Stage(
        (Wedge("left", load_limits("parametric-4")),),
        (Mic("lead"), Mic("choir")),
        (Send("lead", "left", 0.0),),
        (take,),
    )
    with pytest.raises(CaptureError, match=r"take\.wav, wedge left, mic lead: .*lost samples"):
        measure_stage(stage)


def matrix(error_db: float, trusted: bool = True):
    hz, paths = spectra(diffuse_paths(2, 2, seed=4))
    shape = paths.shape
    return PathMatrix("", hz, paths, np.full(shape, error_db), np.full(shape, trusted), np.zeros(2))


def level_of(one):
    return worst_levels(loops(one.magnitude(), np.ones((2, 2))))


def bound_of(one, sends):
    level = worst_levels(loops(one.magnitude(), sends))
    gain = np.ones((level.size, sends.shape[0]))
    return highest_level_db(one, sends, gain, level, float(level.max()))


@pytest.mark.parametrize("error_db", [0.0, 0.2, 1.0])
def test_what_is_promised_is_never_over_the_estimate(error_db):
    one = matrix(error_db)
    assert 0.0 <= bound_of(one, np.ones((2, 2))) - level_of(one).max() < 1.0


def test_one_loop_is_promised_what_a_single_loop_is(shipped_recordings):
    """Against the single loop's own interval, which draws amplitudes where this draws levels."""
    loop = shipped_recordings.measured[0].loops[0]
    at = (slice(None), None, None)
    one = PathMatrix(
        "",
        loop.frequency_hz,
        loop.response[at],
        np.where(loop.coherence > 0, loop.error_db, np.inf)[at],
        loop.trusted[at],
        np.zeros(1),
    )
    assert -bound_of(one, np.ones((1, 1))) == pytest.approx(gain_interval(loop).low_db, abs=0.05)


def test_what_was_played_and_drowned_counts_with_what_it_may_be():
    one = matrix(0.1)
    hidden = np.array(one.trusted)
    at = int(np.argmax(level_of(one)))
    hidden[at - 3 : at + 4] = False
    error = np.where(hidden, one.error_db, 3.0)
    drowned = replace(one, trusted=hidden, error_db=error)
    assert level_of(one).max() < bound_of(drowned, np.ones((2, 2))) < np.inf
