"""Every example that ``--help`` prints works as printed."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import click
import pytest

from shaping.cli.main import cli, run
from shaping.errors import DeviceError
from shaping.live.portaudio import portaudio

NAMES = cli.list_commands(click.Context(cli))


def examples(name: str) -> list[list[str]]:
    command = cli.get_command(click.Context(cli), name)
    assert command is not None
    text = re.sub(r"\\\n\s*", " ", command.epilog or "")
    return [
        shlex.split(line.strip())[1:]
        for line in text.splitlines()
        if line.strip().startswith("shaping ")
    ]


SLOW = ("stage",)  # a whole stage for every example


@pytest.mark.parametrize(
    "name", [pytest.param(n, marks=pytest.mark.slow) if n in SLOW else n for n in NAMES]
)
def test_examples_of_help_work_as_printed(name, tmp_path, monkeypatch, samples_folder, capsys):
    (tmp_path / "audio_samples").symlink_to(samples_folder)
    monkeypatch.chdir(tmp_path)
    found = examples(name)
    assert found, f"shaping {name} --help shows no example"
    if any("plan.json" in words for words in found):
        capture = "audio_samples/vocal_wedge_ring_out.flac"
        assert run(["suggest", capture, "--json", "plan.json"]) == 0
    if name == "devices":
        _skip_without_portaudio()
    for words in found:
        # Capitals stand for what a person fills in.
        if not any(re.search(r"\b[A-Z]{2,}\b", word) for word in words):
            # The shipped packs have faults, which the exit code tells.
            expected = 3 if words[0] == "feeds" and "--reference" in words else 0
            assert run(words) == expected, capsys.readouterr().err


def _skip_without_portaudio() -> None:
    try:
        portaudio()
    except DeviceError as error:
        pytest.skip(str(error))


@pytest.mark.parametrize("name", [None, *NAMES])
def test_help_names_every_option_and_exits_well(name, capsys):
    assert run([*([name] if name else []), "--help"]) == 0
    assert "--help" in capsys.readouterr().out


def test_the_shell_can_complete_commands(monkeypatch, capsys):
    monkeypatch.setenv("_SHAPING_COMPLETE", "bash_source")
    with pytest.raises(SystemExit):
        run([])
    assert "complete" in capsys.readouterr().out


def test_plain_when_piped(samples_folder: Path, capsys):
    assert run(["suggest", str(samples_folder / "vocal_wedge_ring_out.flac")]) == 0
    assert "\x1b" not in capsys.readouterr().out
