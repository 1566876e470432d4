"""Every command that the README prints works, in the order in which it is printed."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest

from shaping.cli.main import cli, run
from shaping.equaliser.limits_file import load_limits

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")

STAND_INS = {
    "first.wav": "vocal_wedge_noise.flac",
    "second.wav": "vocal_wedge_noise_moved.flac",
    "ring_out.wav": "vocal_wedge_ring_out.flac",
}
"""What a person would have recorded by then."""


def blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", README, re.DOTALL)


def commands() -> list[list[str]]:
    """Return the words after ``shaping`` of every runnable command, in blocks and in lines."""
    fenced = [line for block in blocks("sh") for line in block.splitlines()]
    inline = re.findall(r"`(shaping [^`]*)`", re.sub(r"```.*?```", "", README, flags=re.DOTALL))
    found = []
    for line in [*fenced, *inline]:
        match = re.search(r"(?:^|/|&& )shaping (\w.*)", line)
        # Capitals and dots stand for what a person fills in: those lines name, they do not run.
        if match and not re.search(r"\b[A-Z]{2,}\b|\.\.\.", match[1]):
            found.append(shlex.split(match[1]))
    return found


def test_the_readme_shows_commands():
    assert len(commands()) >= 5
    assert {words[0] for words in commands()} <= set(cli.list_commands(None))


@pytest.mark.slow
def test_every_command_of_the_readme_works(tmp_path, monkeypatch, samples_folder, capsys):
    (tmp_path / "audio_samples").symlink_to(samples_folder)
    for name, sample in STAND_INS.items():
        shutil.copy(samples_folder / sample, tmp_path / name)
    monkeypatch.chdir(tmp_path)
    for words in commands():
        if "first.wav" in words:  # the signal that the stand-ins answer to
            shutil.copy(samples_folder / "pink_noise_reference.flac", "noise.wav")
        assert run(words) == 0, (words, capsys.readouterr().err)
        capsys.readouterr()


def test_the_limits_of_the_readme_are_limits(tmp_path):
    (text,) = blocks("toml")
    path = tmp_path / "desk.toml"
    path.write_text(text, encoding="utf-8")
    assert load_limits(str(path)).bands == 4
