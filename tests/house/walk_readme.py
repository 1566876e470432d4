"""The README walked as a new user walks it: every command, in order, in a fresh clone.

    python tests/house/walk_readme.py [--keep FOLDER]

Clones this checkout's last commit, and runs each command of the README from its text in one shell,
the environment made by its own first block. What a person records in between is stood in for by
shipped samples. What is left out is said: the whole suite, an editor that would wait, a desk.
"""

from __future__ import annotations

import argparse
import os
import re
import shlex
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]

LEFT_OUT = {
    "pytest": "the whole suite; it is run on its own",
    "jupyter lab": "an editor that stays open",
    "--device DESK": "the sound card of a desk",
}
"""What is in a line that is not run, and why."""

NAMED = ("shaping measure", "shaping watch")
"""Whole lines that name a command where the README lists them; alone they reach for a device."""

FAULTY = "audio_samples/packs/packs.flac"
"""Shipped packs with faults: the command says so by its exit code."""

RECORDED = {
    "first.wav": "vocal_wedge_noise.flac",
    "second.wav": "vocal_wedge_noise_moved.flac",
    "noise.wav": "pink_noise_reference.flac",  # the signal that the stand-ins answer to
}
"""What a person would have recorded by then, just before the first command that names it."""


def commands(readme: str) -> list[str]:
    """Return the lines a person may copy, in blocks and in sentences, in the order of the page."""
    lines = []
    for number, part in enumerate(readme.split("```")):
        if number % 2 == 0:
            found = re.findall(r"`((?:shaping|pip|python|jupyter|eval) [^`]*)`", part)
            # Capitals and dots stand for what a person fills in.
            lines += [line for line in found if not _is_pattern(line) and line not in NAMED]
        elif part.startswith("sh\n"):
            lines += [line for line in part.splitlines()[1:] if not line.startswith("#")]
        elif part.startswith("python\n"):
            lines.append(f"python -c {shlex.quote(part.removeprefix('python').strip())}")
    return lines


def _is_pattern(line: str) -> bool:
    named = re.sub(r"_SHAPING_COMPLETE", "", line)
    return bool(re.search(r"\b[A-Z]{2,}\b|\.\.\.", named))


def script(readme: str) -> str:
    """Return one shell script of all commands: each is told before it runs, and must succeed."""
    told = ["set -e"]
    for line in commands(readme):
        why = next((why for what, why in LEFT_OUT.items() if what in line), None)
        if why is not None:
            told.append(f"echo {shlex.quote(f'LEFT OUT ({why}): {line}')}")
            continue
        if "first.wav" in line:
            told += [f"cp audio_samples/{sample} {name}" for name, sample in RECORDED.items()]
        told.append(f"echo {shlex.quote(f'RUN {line}')}")
        told.append(f"{line} || test $? = 3" if FAULTY in line else line)
    return "\n".join(told) + "\n"


def walk(folder: Path) -> int:
    """Clone into a folder and run; return the exit code."""
    clone = folder / "clone"
    subprocess.run(["git", "clone", "-q", str(ROOT), str(clone)], check=True)
    readme = (clone / "README.md").read_text(encoding="utf-8")
    (folder / "walk.sh").write_text(script(readme), encoding="utf-8")
    environment = {k: v for k, v in os.environ.items() if k not in ("VIRTUAL_ENV", "PYTHONPATH")}
    own = str(Path(sys.executable).parent)
    environment["PATH"] = os.pathsep.join(
        part for part in environment["PATH"].split(os.pathsep) if part != own
    )
    return subprocess.run(
        ["bash", str(folder / "walk.sh")], cwd=clone, env=environment, check=False
    ).returncode


def main() -> int:
    """Walk, and say where it ended."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--keep", type=Path, help="clone into this empty folder, and keep it")
    asked = parser.parse_args()
    if asked.keep:
        asked.keep.mkdir(parents=True, exist_ok=True)
        return walk(asked.keep.resolve())
    with tempfile.TemporaryDirectory() as folder:
        return walk(Path(folder))


if __name__ == "__main__":
    sys.exit(main())
