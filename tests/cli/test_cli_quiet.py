"""The quiet ring-out at the command line: what is promised, asked for, refused and withheld."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from scipy import signal

from shaping.cli.main import run

NOISE, PLAYED = "vocal_wedge_noise.flac", "pink_noise_reference.flac"


def _loop(folder: Path, capsys: pytest.CaptureFixture[str], *options: str) -> dict[str, Any]:
    words = ["suggest", str(folder / NOISE), "--reference", str(folder / PLAYED), "--json", "-"]
    assert run([*words, *options]) == 0
    return json.loads(capsys.readouterr().out)["loop"]


def test_the_promise_is_the_safe_end_and_the_margin_lies_under_it(samples_folder, capsys):
    loop = _loop(samples_folder, capsys, "--margin", "4")
    assert loop["stable_gain_low_db"] < loop["stable_gain_db"]
    assert loop["stable_gain_after_low_db"] < loop["stable_gain_after_db"]
    assert loop["stable_gain_after_unseen_db"] < loop["stable_gain_after_low_db"]
    assert loop["send_db"] <= loop["stable_gain_after_low_db"] - 4.0 + 0.01
    assert loop["in_phase_stable_gain_db"] < loop["in_phase_stable_gain_high_db"]
    ((low, high),) = loop["measured_hz"]
    assert low < 100
    assert high > 10_000
    assert loop["gain_for_tone"][0] == [0.0, 0.0]


def test_tone_or_gain_can_be_favoured(samples_folder, capsys):
    tone, gain = (
        _loop(samples_folder, capsys, "--favour", which, "--thin", "none")
        for which in ("tone", "gain")
    )
    assert tone["added_stable_gain_db"] < gain["added_stable_gain_db"]
    assert tone["tone_removed_db"] < gain["tone_removed_db"]


def _write(path: Path, samples: np.ndarray) -> str:
    soundfile.write(path, samples, 48_000, subtype="PCM_24")
    return str(path)


def test_swapped_files_and_lost_samples_are_refused_with_their_cause(
    samples_folder, tmp_path, capsys
):
    noise, played = str(samples_folder / NOISE), str(samples_folder / PLAYED)
    assert run(["suggest", played, "--reference", noise]) == 2
    assert "look swapped" in capsys.readouterr().err
    heard, _ = soundfile.read(noise)
    lost = _write(tmp_path / "lost.wav", np.delete(heard, slice(480_000, 480_300)))
    assert run(["suggest", lost, "--reference", played]) == 2
    assert "lost samples" in capsys.readouterr().err


def test_a_band_that_was_not_played_withholds_the_number_and_not_the_plan(
    samples_folder, tmp_path, capsys
):
    sos = signal.butter(10, 400.0, "highpass", fs=48_000, output="sos")
    files = []
    for name in (NOISE, PLAYED):
        samples, _ = soundfile.read(samples_folder / name)
        files.append(_write(tmp_path / f"{name}.wav", signal.sosfilt(sos, samples)))
    assert run(["suggest", files[0], "--reference", files[1], "--json", "-"]) == 0
    plan = json.loads(capsys.readouterr().out)
    assert plan["filters"]
    assert plan["loop"]["stable_gain_db"] is None
    assert plan["loop"]["stable_gain_low_db"] is None
    assert plan["loop"]["added_stable_gain_db"] is None
    assert plan["loop"]["critical"][0]["gain_db"] is None
    (note,) = [n for n in plan["captures"][0]["quality"] if n["code"] == "not-reached"]
    assert "what howls there is not known" in note["message"]
