"""Every command that the README prints works, in the order in which it is printed."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import textwrap
from pathlib import Path

import pytest

from shaping.cli.main import cli, run
from shaping.equaliser.limits_file import load_limits
from shaping.rehearsals.archive.naming import naming_for
from tests.house import walk_readme

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")

STAND_INS = {
    "first.wav": "vocal_wedge_noise.flac",
    "second.wav": "vocal_wedge_noise_moved.flac",
    "ring_out.wav": "vocal_wedge_ring_out.flac",
}
"""What a person would have recorded by then."""

LIVE = ("devices", "measure", "watch")
"""Named by themselves they reach for a sound device: tests/live has servers for them."""


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
        if words[0] in LIVE and len(words) == 1:
            continue
        if "first.wav" in words:  # the signal that the stand-ins answer to
            shutil.copy(samples_folder / "pink_noise_reference.flac", "noise.wav")
        fine = (0, 3) if words[0] == "feeds" else (0,)  # the shipped packs have two faults
        assert run(words) in fine, (words, capsys.readouterr().err)
        capsys.readouterr()


PYTHON = """#!/bin/sh
# Stands in for the system's Python: it can make an environment, and knows nothing of its programs.
test "$1 $2" = "-m venv" || exit 1
mkdir -p "$3/bin"
echo "PATH=$PWD/$3/bin:$PATH" > "$3/bin/activate"
for name in pip python shaping jupyter; do
  printf '#!/bin/sh\\n' > "$3/bin/$name"
  chmod +x "$3/bin/$name"
done
"""


@pytest.mark.skipif(os.name == "nt", reason="the README gives Windows lines of its own")
def test_every_command_is_found_where_it_is_copied_in_order_into_one_terminal(tmp_path):
    """A shell that knows no program of the project before the first block made it one."""
    for name in ("sh", "bash", "mkdir", "chmod"):
        (tmp_path / name).symlink_to(shutil.which(name))
    stand_in = tmp_path / "python3"
    stand_in.write_text(PYTHON, encoding="utf-8")
    stand_in.chmod(0o755)
    (tmp_path / "copied.sh").write_text("\n".join(walk_readme.commands(README)), encoding="utf-8")
    done = subprocess.run(
        [tmp_path / "bash", "-e", tmp_path / "copied.sh"],
        cwd=tmp_path,
        env={"PATH": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""


def test_a_walk_through_the_readme_says_what_it_leaves_out():
    walked = walk_readme.script(README).splitlines()
    told = [line for line in walked if line.startswith("echo 'LEFT OUT")]
    assert all(any(what in line for line in told) for what in walk_readme.LEFT_OUT)
    run = "\n".join(line for line in walked if not line.startswith("echo"))
    for line in walk_readme.commands(README):
        assert (line in run) is not any(what in line for what in walk_readme.LEFT_OUT), line
    assert run.index("cp audio_samples/pink_noise_reference.flac noise.wav") < run.index(
        "shaping suggest first.wav"
    )


def test_nothing_of_the_readme_is_said_twice():
    sentences = [
        sentence.strip()
        for sentence in re.split(
            r"(?<=[.:])\s+|\n\n", re.sub(r"```.*?```", "", README, flags=re.DOTALL)
        )
        if len(sentence.split()) > 4
    ]
    assert len(set(sentences)) == len(sentences)
    assert README.count("tests/bench/FIGURES.md)") == 1


def test_the_limits_of_the_readme_are_limits(tmp_path):
    limits, _ = blocks("toml")
    path = tmp_path / "desk.toml"
    path.write_text(limits, encoding="utf-8")
    assert load_limits(str(path)).bands == 4


def test_the_names_of_the_readme_are_names(tmp_path):
    _, names = blocks("toml")
    (tmp_path / "names.toml").write_text(textwrap.dedent("  " + names), encoding="utf-8")
    naming = naming_for(tmp_path)
    assert naming.names == {"1": "lead vocal", "2": "choir"}
    assert naming.left_out == {"31", "talkback"}
