"""Bad input to ``shaping suggest``: one plain sentence, exit code 2, nothing left behind."""

from __future__ import annotations

import io
import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from shaping.cli.main import run

RATE_HZ = 48_000


def noise(duration_s: float, channels: int = 1, rate_hz: int = RATE_HZ) -> np.ndarray:
    rng = np.random.default_rng(1)
    return 0.05 * rng.standard_normal((round(duration_s * rate_hz), channels))


def wav(path: Path, samples: np.ndarray, rate_hz: int = RATE_HZ, subtype: str = "PCM_16") -> None:
    soundfile.write(path, samples, rate_hz, subtype=subtype)


def text_named_wav(path: Path) -> None:
    path.write_text("Saturday: wedge two squeals in the chorus\n")


def empty(path: Path) -> None:
    path.write_bytes(b"")


def truncated_header(path: Path) -> None:
    wav(path, noise(5))
    path.write_bytes(path.read_bytes()[:30])


def silently_short(path: Path) -> None:
    wav(path, noise(10))
    path.write_bytes(path.read_bytes()[: RATE_HZ * 2 * 5])


def crashed_recorder(path: Path) -> None:
    wav(path, noise(10))
    data = bytearray(path.read_bytes())
    data[4:8] = data[40:44] = b"\0\0\0\0"
    path.write_bytes(data)


def one_hertz(path: Path) -> None:
    wav(path, noise(10))
    data = bytearray(path.read_bytes())
    data[24:28] = (1).to_bytes(4, "little")
    path.write_bytes(data)


def flac_without_tail(path: Path) -> None:
    buffer = io.BytesIO()
    soundfile.write(buffer, noise(10), RATE_HZ, format="FLAC")
    path.write_bytes(buffer.getvalue()[:-3000])


def no_frames(path: Path) -> None:
    wav(path, noise(0))


def not_a_number(path: Path) -> None:
    samples = noise(10)
    samples[1000] = np.nan
    wav(path, samples, subtype="FLOAT")


def silence(path: Path) -> None:
    wav(path, np.zeros(10 * RATE_HZ))


def three_seconds(path: Path) -> None:
    wav(path, noise(3))


def folder(path: Path) -> None:
    path.mkdir()


def missing(path: Path) -> None:
    pass


MAKERS: tuple[Callable[[Path], None], ...] = (
    text_named_wav,
    empty,
    truncated_header,
    one_hertz,
    no_frames,
    not_a_number,
    silence,
    three_seconds,
    folder,
    missing,
)


@pytest.mark.parametrize("make", MAKERS, ids=lambda make: make.__name__)
def test_a_capture_that_cannot_be_used_is_one_sentence(make, tmp_path, capsys):
    path = tmp_path / "capture.wav"
    make(path)
    before = sorted(p.name for p in tmp_path.iterdir())
    outputs = [str(tmp_path / "plan.png"), str(tmp_path / "plan.json")]
    code = run(["suggest", str(path), "--plot", outputs[0], "--json", outputs[1]])
    said = capsys.readouterr()
    assert code == 2, said.err
    assert said.out == ""
    assert said.err.count("\n") == 1, said.err
    assert "capture.wav" in said.err
    assert "Traceback" not in said.err
    assert sorted(p.name for p in tmp_path.iterdir()) == before


@pytest.mark.parametrize("make", [silently_short, crashed_recorder, flac_without_tail])
def test_a_recording_that_lost_its_end_is_used_up_to_there(make, tmp_path, capsys):
    path = tmp_path / "capture.wav"
    make(path)
    run(["suggest", str(path), "--json", "-"])
    said = capsys.readouterr()
    assert "cut short" in said.out + said.err or "never filled in" in said.out + said.err


def test_listen_says_that_a_recording_is_cut_short(tmp_path, samples_folder, capsys):
    ring_out, plan = samples_folder / "vocal_wedge_ring_out.flac", tmp_path / "plan.json"
    assert run(["suggest", str(ring_out), "--json", str(plan)]) == 0
    cut = tmp_path / "cut.wav"
    silently_short(cut)
    capsys.readouterr()
    assert run(["listen", str(plan), str(cut), str(tmp_path / "heard.wav")]) == 0
    assert "cut short" in capsys.readouterr().out


def test_a_channel_out_of_range_says_how_many_there_are(tmp_path, capsys):
    path = tmp_path / "capture.wav"
    wav(path, noise(6, channels=2))
    assert run(["suggest", str(path), "--channel", "3"]) == 2
    assert "2 channels" in capsys.readouterr().err


@pytest.mark.parametrize("rate_hz", [8_000, 192_000])
def test_unusual_sample_rates_work(rate_hz, tmp_path, capsys):
    path = tmp_path / "capture.wav"
    wav(path, noise(6, rate_hz=rate_hz), rate_hz)
    assert run(["suggest", str(path)]) == 0, capsys.readouterr().err


def test_thirty_two_channels_name_the_one_that_was_used(tmp_path, capsys):
    path = tmp_path / "capture.wav"
    samples = noise(6, channels=32)
    samples[:, 6] *= 3
    wav(path, samples)
    assert run(["suggest", str(path)]) == 0
    assert "channel 7" in capsys.readouterr().out.lower()


def test_an_existing_output_is_kept(tmp_path, capsys):
    path, plan = tmp_path / "capture.wav", tmp_path / "plan.json"
    wav(path, noise(6))
    plan.write_text("mine")
    assert run(["suggest", str(path), "--json", str(plan)]) == 2
    assert "--force" in capsys.readouterr().err
    assert plan.read_text() == "mine"


def test_outputs_that_cannot_be_written_are_told_before_the_work(tmp_path, capsys):
    path = tmp_path / "capture.wav"
    wav(path, noise(6))
    for output in ("absent/plan.json", "."):
        assert run(["suggest", str(path), "--json", str(tmp_path / output)]) == 2
        assert capsys.readouterr().err.count("\n") == 1
    assert run(["suggest", str(path), "--plot", str(tmp_path / "plan.gif")]) == 2
    assert ".png" in capsys.readouterr().err


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may write anywhere")
def test_a_read_only_folder_is_one_sentence(tmp_path, capsys):
    path, locked = tmp_path / "capture.wav", tmp_path / "locked"
    wav(path, noise(6))
    locked.mkdir(mode=0o500)
    assert run(["suggest", str(path), "--json", str(locked / "plan.json")]) == 2
    assert capsys.readouterr().err.count("\n") == 1


@pytest.mark.parametrize(
    "toml",
    [
        "bands = -1",
        "bands = 4\nmin_q = 5\nmax_q = 1\nmin_gain_db = -12",
        "bands = 'four'",
        "no toml at all [",
        "bands = 4\nmin_q = 0.4\nmax_q = 10\nmin_gain_db = -12\ncolour = 'green'",
    ],
)
def test_limits_that_make_no_sense_are_one_sentence(toml, tmp_path, capsys):
    path, limits = tmp_path / "capture.wav", tmp_path / "desk.toml"
    wav(path, noise(6))
    limits.write_text(toml)
    assert run(["suggest", str(path), "--limits", str(limits)]) == 2
    said = capsys.readouterr()
    assert said.err.count("\n") == 1
    assert "desk" in said.err


def test_unknown_options_and_values_are_usage_errors(capsys):
    for words in (["suggest"], ["suggest", "a.wav", "--thin", "much"], ["sugest"], ["--nope"]):
        assert run(words) == 2
        assert capsys.readouterr().err.count("\n") == 1
