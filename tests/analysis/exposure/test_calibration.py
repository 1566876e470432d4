"""A calibration tone gives the level it should, and every wrong one is refused by its cause."""

from __future__ import annotations

import numpy as np
import pytest

from shaping.analysis.exposure.calibration import (
    FREQUENCY_WITHIN,
    SAME_GAIN_DB,
    STEADY_WITHIN_DB,
    Tone,
    measure_tone,
    refuse_other_format,
    sensitivity_of,
)
from shaping.capture.audio import inspect
from shaping.errors import CaptureError, ParameterError
from tests.analysis.exposure.tones import RATE_HZ, saved, tone


def measured(sound: np.ndarray, **more: float) -> Tone:
    return measure_tone(sound, RATE_HZ, path="tone.wav", **more)


@pytest.mark.parametrize("frequency_hz", [985.0, 1000.0, 1003.7])
def test_the_level_is_the_sines(frequency_hz):
    found = measured(tone(frequency_hz=frequency_hz))
    assert found.level_dbfs == pytest.approx(10 * np.log10(0.05**2 / 2), abs=0.005)
    assert found.frequency_hz == pytest.approx(frequency_hz, abs=0.5)
    assert sensitivity_of([found], 94.0) == pytest.approx(94.0 + 29.03, abs=0.01)


def test_hands_before_and_after_do_not_count():
    sound = tone(8.0)
    sound[: 2 * RATE_HZ] *= np.linspace(0, 0.9, 2 * RATE_HZ)
    sound[-RATE_HZ:] = 0.0
    found = measured(sound)
    assert found.level_dbfs == pytest.approx(-29.03, abs=0.01)
    assert 4.5 <= found.steady_s <= 5.0


@pytest.mark.parametrize(("share", "refused"), [(0.9, False), (1.2, True)])
def test_frequencies_at_the_boundary(share, refused):
    sound = tone(frequency_hz=1000.0 * (1 + share * FREQUENCY_WITHIN))
    if refused:
        with pytest.raises(CaptureError, match="strongest tone is at"):
            measured(sound)
    else:
        measured(sound)


def test_another_frequency_can_be_the_calibrators():
    assert measured(tone(frequency_hz=250.0), expected_hz=250.0).level_dbfs < 0


@pytest.mark.parametrize(("share", "refused"), [(0.8, False), (2.2, True)])
def test_wandering_at_the_boundary(share, refused):
    """A level that swings once a second between the ends."""
    swing_db = share * STEADY_WITHIN_DB / 2
    time_s = np.arange(6 * RATE_HZ) / RATE_HZ
    sound = tone(6.0) * 10 ** (swing_db * np.sin(2 * np.pi * time_s) / 20)
    if refused:
        with pytest.raises(CaptureError, match="not steady"):
            measured(sound)
    else:
        measured(sound)


@pytest.mark.parametrize(
    ("sound", "cause"),
    [
        (np.clip(tone(amplitude=1.3), -1.0, 1.0), "clipped"),
        (np.clip(tone(amplitude=0.5), -0.42, 0.42), "clipped"),
        (np.tanh(3 * tone(amplitude=0.5)), "clipped or distorted"),
        (tone(2.0), "too short"),
        (np.zeros(6 * RATE_HZ), "silent"),
        (tone() + 0.02 * np.random.default_rng(1).standard_normal(6 * RATE_HZ), "stands only"),
        (np.random.default_rng(2).standard_normal(6 * RATE_HZ) * 0.1, "strongest tone|not steady"),
        (np.tile(np.r_[tone(1.0), np.zeros(RATE_HZ)], 4), "not steady"),
    ],
)
def test_wrong_tones_are_refused(sound, cause):
    with pytest.raises(CaptureError, match=cause):
        measured(sound)


@pytest.mark.parametrize(("apart_db", "refused"), [(0.45, False), (0.55, True)])
def test_another_gain_after_than_before_is_refused(apart_db, refused):
    assert 0.45 < SAME_GAIN_DB < 0.55
    tones = [measured(tone(amplitude=0.05 * 10 ** (db / 20))) for db in (0.0, apart_db)]
    if refused:
        with pytest.raises(CaptureError, match="gain was changed"):
            sensitivity_of(tones, 94.0)
    else:
        assert sensitivity_of(tones, 94.0) == pytest.approx(94 + 29.03 - apart_db / 2, abs=0.01)


def test_a_calibrator_that_there_is_not_is_refused():
    with pytest.raises(ParameterError, match="stands on the calibrator"):
        sensitivity_of([measured(tone())], 9.4)


@pytest.mark.parametrize(
    ("how", "what"),
    [({"subtype": "PCM_16"}, "file format"), ({"rate_hz": 44_100}, "sample rate")],
)
def test_a_tone_recorded_in_another_way_is_refused(tmp_path, how, what):
    recording = inspect(saved(tmp_path / "a.wav", tone()))
    with pytest.raises(CaptureError, match=what):
        refuse_other_format(recording, inspect(saved(tmp_path / "b.wav", tone(), **how)))
    stereo = inspect(saved(tmp_path / "c.wav", np.stack([tone(), tone()], axis=1)))
    with pytest.raises(CaptureError, match="number of channels"):
        refuse_other_format(recording, stereo)
