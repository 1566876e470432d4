"""The lesson's page as the command writes it, once without and once with an own wedge."""

from __future__ import annotations

from pathlib import Path

import pytest

from shaping.cli.main import run


@pytest.fixture(scope="session")
def lesson_files(tmp_path_factory, samples_folder) -> dict[str, Path]:
    """Pages by name: ``plain``, ``ring-out`` and ``noise``; the plans' kind names the others."""
    folder = tmp_path_factory.mktemp("lesson")
    files = {"plain": folder / "plain.html"}
    assert run(["lesson", str(files["plain"])]) == 0
    for kind in ("ring-out", "pink-noise"):
        plan = folder / f"{kind}.json"
        files[kind] = folder / f"{kind}.html"
        assert run(["demo", kind, "--json", str(plan)]) == 0
        recording = samples_folder / "rehearsal.flac"
        words = ["lesson", str(files[kind]), "--plan", str(plan), "--recording", str(recording)]
        assert run(words) == 0
    return files
