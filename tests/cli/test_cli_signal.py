"""``shaping signal`` from the outside."""

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from shaping.cli.main import run


@pytest.mark.parametrize("kind", ["pink-noise", "sweep"])
def test_a_signal_keeps_its_stated_length_level_and_peak(kind, tmp_path, capsys):
    path = tmp_path / "signal.wav"
    code = run(["signal", kind, str(path), "--duration", "4", "--level", "-24", "--json", "-"])
    facts = json.loads(capsys.readouterr().out)
    samples, rate = soundfile.read(path)
    assert code == 0
    assert rate == facts["sample_rate_hz"] == 48_000
    assert samples.size / rate == pytest.approx(facts["duration_s"], abs=1e-4)
    middle = samples[samples.size // 4 : -samples.size // 4]
    assert 20 * np.log10(np.sqrt(np.mean(middle**2))) == pytest.approx(-24.0, abs=1.0)
    assert 20 * np.log10(np.abs(samples).max()) <= facts["peak_dbfs"] + 1e-3


def test_cautions_are_printed_where_the_signal_is_made(tmp_path, capsys):
    assert run(["signal", "pink-noise", str(tmp_path / "n.wav"), "--duration", "2"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    for words in ("raise it slowly", "in-ear", "limiter", "Warn everyone", "local codes"):
        assert words in said


def test_an_existing_file_is_kept(tmp_path, capsys):
    path = tmp_path / "n.wav"
    path.write_text("mine")
    assert run(["signal", "sweep", str(path)]) == 2
    assert "--force" in capsys.readouterr().err
    assert path.read_text() == "mine"
    assert [p.name for p in tmp_path.iterdir()] == ["n.wav"]


@pytest.mark.parametrize(
    "options",
    [
        ["--level", "0"],
        ["--duration", "0"],
        ["--duration", "nan"],
        ["--high", "90000"],
        ["--rate", "10"],
        ["--low", "-3"],
    ],
)
def test_values_out_of_range_are_one_sentence_and_leave_nothing(options, tmp_path, capsys):
    assert run(["signal", "pink-noise", str(tmp_path / "n.wav"), *options]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert list(Path(tmp_path).iterdir()) == []
