"""Levels of recordings whose levels are known, and what is made of them."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from jsonschema import Draft202012Validator

from shaping.analysis.exposure import documents
from shaping.analysis.exposure.calibrated import calibrate, stated_sensitivity
from shaping.analysis.exposure.ear import EarMeasurement
from shaping.analysis.exposure.exposure import measure_exposure
from shaping.analysis.exposure.levels import measure_levels, running_mean
from shaping.analysis.exposure.shares import Howl, energy_shares
from shaping.analysis.exposure.to_json import exposure_to_dict
from shaping.analysis.exposure.uncertainty import MicClass, uncertainty_of
from shaping.capture.audio import inspect
from shaping.capture.cautions import MEASURED_LEVELS
from shaping.cli.main import run
from shaping.errors import CaptureError, ParameterError
from shaping.report.exposure import words
from tests.analysis.exposure.tones import RATE_HZ, saved, tone
from tests.reading.test_published_schemas import closed, published

SHIPPED = Path(__file__).resolve().parents[3] / "audio_samples" / "levels"


@pytest.fixture(scope="module")
def shipped():
    info = inspect(str(SHIPPED / "rehearsal.flac"))
    calibration = calibrate(info, [str(SHIPPED / "calibrator.flac")], calibrator_db=94.0)
    howls = [Howl(8.3, 9.6, 551.0)]
    return measure_exposure(info, calibration, channel=1, howls=howls)


def test_the_shipped_recording_has_its_true_levels(shipped):
    facts = json.loads((SHIPPED / "truth.json").read_text())
    assert shipped.laeq_db == pytest.approx(facts["laeq_db"], abs=0.05)
    assert shipped.lceq_db == pytest.approx(facts["lceq_db"], abs=0.05)
    assert shipped.calibration.sensitivity_db == pytest.approx(
        facts["full_scale_sine_db"] + 3.01, abs=0.01
    )
    assert 0.3 < shipped.shares.howls_a < 0.6


def test_its_json_fits_the_published_schema_and_names_every_key(shipped):
    values = json.loads(json.dumps(exposure_to_dict(shipped, MEASURED_LEVELS)))
    schema = published("analysis/exposure/exposure.schema.json")
    Draft202012Validator(closed(schema)).validate(values)


def test_no_sentence_calls_a_level_safe(shipped):
    told = [*words.answer(shipped), *words.basis_texts(shipped), *words.energy_texts(shipped)]
    told += [*shipped.notes, *MEASURED_LEVELS, *(row.here for row in words.rows(shipped))]
    for text in told:
        rest = text.replace("how loud and how long is safe is for local codes", "")
        rest = rest.replace("How loud and how long is safe is for local codes", "")
        assert not any(word in rest.lower() for word in ("safe", "harmless", "no risk", "fine"))
    assert "local codes and qualified people" in words.answer(shipped)[-1]


def test_blocks_of_any_size_give_the_same():
    sound = np.random.default_rng(0).standard_normal(3 * RATE_HZ + 777) * 0.1
    whole = measure_levels([sound], RATE_HZ)
    parts = measure_levels(np.array_split(sound, 41), RATE_HZ)
    np.testing.assert_allclose(whole.a_power, parts.a_power, rtol=1e-9)
    np.testing.assert_allclose(whole.c_peak, parts.c_peak, rtol=1e-9)
    assert whole.duration_s == pytest.approx(3 + 777 / RATE_HZ)
    one, many = (energy_shares(b, RATE_HZ) for b in ([sound], np.array_split(sound, 41)))
    assert one.low_mids_a == pytest.approx(many.low_mids_a, rel=1e-9)


def test_a_peak_between_samples_counts():
    """A sine at a quarter of the rate, its samples 3 dB below its top."""
    time_s = np.arange(RATE_HZ) / RATE_HZ
    trace = measure_levels([0.5 * np.sin(2 * np.pi * 12_000 * time_s + np.pi / 4)], RATE_HZ)
    between = trace.c_peak[0] / math.sqrt(2 * trace.c_power[0])
    assert between > 0.98


def test_shares_of_two_tones_and_a_howl():
    """Equal A-weighted power in the low mids and above; half of that above within a howl."""
    time_s = np.arange(8 * RATE_HZ) / RATE_HZ
    low = np.sin(2 * np.pi * 251.19 * time_s) * 10 ** (8.6 / 20)
    high = np.sin(2 * np.pi * 2000 * time_s) * 10 ** (-1.2 / 20)
    found = energy_shares([low + high], RATE_HZ, [Howl(0.0, 4.0, 2000.0)])
    assert found.low_mids_a == pytest.approx(0.5, abs=0.01)
    assert found.howls_a == pytest.approx(0.25, abs=0.01)


def test_the_loudest_quarter_and_when_values_are_reached():
    """An hour at 95 dBA, 20 minutes of it at 105: by the second, without any recording."""
    seconds = np.full(3600, 95.0)
    seconds[1200:2400] = 105.0
    running = running_mean(10 ** (seconds / 10), 900)
    assert 10 * np.log10(running.max()) == pytest.approx(105.0)
    assert int(np.argmax(running > 10**10.499)) + 900 == pytest.approx(2100, abs=2)
    found = documents.references(seconds, np.ones(3600), leq_db=100.3, expanded_db=3.0)
    niosh = found[0]
    reached = 1200 + (8 * 3600 - 1200 * 2 ** (10 / 3)) / 2 ** (20 / 3)
    assert niosh.passed
    assert niosh.reached_at_s == pytest.approx(reached, abs=1.5)
    assert niosh.time_low_s < niosh.time_s < niosh.time_high_s
    weekly = found[-1]
    assert not weekly.passed or weekly.share >= 1
    assert math.isnan(weekly.reached_at_s) is not weekly.passed


def test_a_class_narrows_and_a_stated_sensitivity_widens():
    spans = [
        uncertainty_of(mic, stated=stated, in_ear=False).expanded_db
        for mic, stated in (
            (MicClass.ONE, False),
            (MicClass.TWO, False),
            (MicClass.UNKNOWN, False),
            (MicClass.UNKNOWN, True),
        )
    ]
    assert spans == sorted(spans)
    assert spans[0] == pytest.approx(2 * math.hypot(0.231, 0.7, 1.0), abs=0.01)


def test_an_ear_simulator_is_corrected_and_said(tmp_path):
    """A tone at 2.5 kHz is 16.8 dB louder at the eardrum than the field that makes it so."""
    info = inspect(saved(tmp_path / "ear.wav", tone(4.0, frequency_hz=2511.9, amplitude=0.1)))
    calibration = stated_sensitivity(110.0)
    field = measure_exposure(info, calibration, channel=1)
    at_ear = measure_exposure(info, calibration, channel=1, ear=EarMeasurement.EAR_SIMULATOR)
    assert field.laeq_db - at_ear.laeq_db == pytest.approx(16.8, abs=0.3)
    assert field.correction is None
    assert "ANSI S3.5" in (at_ear.correction or "")
    coupler = measure_exposure(info, calibration, channel=1, ear=EarMeasurement.COUPLER)
    assert any("likely higher" in note for note in coupler.notes)
    with pytest.raises(CaptureError, match="no level at the ear"):
        measure_exposure(info, calibration, channel=1, ear=EarMeasurement.ELECTRICAL)


def test_clipping_is_said_and_what_cannot_be_is_refused(tmp_path):
    loud = inspect(saved(tmp_path / "loud.wav", np.clip(tone(3.0, amplitude=1.5), -1, 1)))
    found = measure_exposure(loud, stated_sensitivity(110.0), channel=1)
    assert found.at_least
    assert words.answer(found)[0].startswith("At least ")
    with pytest.raises(CaptureError, match="another gain"):
        measure_exposure(loud, stated_sensitivity(140.0), channel=1)
    with pytest.raises(ParameterError, match="full-scale sine lies"):
        stated_sensitivity(12.0)
    slow = inspect(saved(tmp_path / "slow.wav", tone(3.0), rate_hz=16_000))
    with pytest.raises(ParameterError, match="32 kHz"):
        measure_exposure(slow, stated_sensitivity(110.0), channel=1)


def test_the_command_tells_and_its_exit_code_says_what_was_reached(tmp_path, capsys):
    song, calibrator = str(SHIPPED / "rehearsal.flac"), str(SHIPPED / "calibrator.flac")
    page = tmp_path / "page.html"
    assert run(["exposure", song, "--calibration", calibrator, "--html", str(page)]) == 0
    assert "95.4 dBA" in capsys.readouterr().out
    assert "local codes" in page.read_text(encoding="utf-8")
    loud = saved(tmp_path / "loud.wav", tone(3.0, amplitude=0.9))
    assert run(["exposure", loud, "--sensitivity", "135.5", "--json", "-"]) == 3
    told = json.loads(capsys.readouterr().out)
    assert [one["passed"] for one in told["peaks"]] == [True, True, False]


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ([], "an uncalibrated recording has none"),
        (["--calibration", "x.wav", "--sensitivity", "120"], "not both"),
        (["--sensitivity", "120", "--in-ear", "electrical"], "no level at the ear"),
        (["--sensitivity", "120", "--channel", "2"], "no channel 2"),
    ],
)
def test_the_command_refuses(more, told, capsys):
    assert run(["exposure", str(SHIPPED / "rehearsal.flac"), *more]) == 2
    assert told in capsys.readouterr().err


def test_two_channels_are_read_where_the_tone_was(tmp_path, capsys):
    """The tone decides the channel, in the recording as well."""
    quiet = 1e-4 * np.random.default_rng(5).standard_normal(6 * RATE_HZ)
    sf.write(tmp_path / "tone.wav", np.stack([quiet, tone()], axis=1), RATE_HZ, subtype="PCM_24")
    music = 0.3 * np.random.default_rng(6).standard_normal(quiet.size)
    mic = 0.02 * np.random.default_rng(7).standard_normal(quiet.size)
    sf.write(tmp_path / "song.wav", np.stack([music, mic], axis=1), RATE_HZ, subtype="PCM_24")
    words_of = ["exposure", str(tmp_path / "song.wav"), "--json", "-"]
    assert run([*words_of, "--calibration", str(tmp_path / "tone.wav")]) in (0, 3)
    assert json.loads(capsys.readouterr().out)["channel"] == 2
