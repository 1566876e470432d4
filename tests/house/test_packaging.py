"""A wheel, installed without the source tree, does everything; so does it on the oldest libraries.

Each installation goes into a fresh virtual environment and takes its packages from the registry.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tomllib
import venv
import zipfile
from dataclasses import dataclass
from pathlib import Path

import pytest

from shaping.cli.schemas import SCHEMAS

ROOT = Path(__file__).resolve().parents[2]
PRESETS = sorted(path.stem for path in (ROOT / "shaping" / "equaliser" / "presets").glob("*.toml"))
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]

pytestmark = pytest.mark.slow


@dataclass(frozen=True)
class Installed:
    """An environment with the package in it, and an empty folder to work in."""

    bin: Path
    folder: Path

    def __call__(self, program: str, *words: str, folder: Path | None = None) -> str:
        """Run a program of the environment and return what it printed."""
        quiet = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
        done = subprocess.run(
            [self.bin / program, *words],
            cwd=folder or self.folder,
            env={**quiet, "PIP_DISABLE_PIP_VERSION_CHECK": "1", "OPENBLAS_NUM_THREADS": "1"},
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-4000:]
        return done.stdout


def environment(folder: Path) -> Installed:
    """Make a fresh virtual environment."""
    venv.create(folder / "environment", with_pip=True, symlinks=os.name != "nt")
    (folder / "work").mkdir()
    scripts = "Scripts" if os.name == "nt" else "bin"
    return Installed(folder / "environment" / scripts, folder / "work")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel of this checkout."""
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", folder, ROOT]
    subprocess.run(command, check=True, capture_output=True)
    (made,) = folder.glob("shaping-*.whl")
    return made


@pytest.fixture(scope="module")
def shaping(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Installed:
    """The wheel installed with the newest libraries that suit."""
    made = environment(tmp_path_factory.mktemp("newest"))
    made("python", "-m", "pip", "install", "-q", str(wheel))
    return made


def test_the_wheel_holds_what_the_program_reads(wheel: Path):
    names = set(zipfile.ZipFile(wheel).namelist())
    needed = {
        "shaping/py.typed",
        "shaping/rehearsals/howl_model.json",
        "shaping/rehearsals/summary.schema.json",
    }
    needed |= {f"shaping/{place}" for place in SCHEMAS}
    needed |= {f"shaping/equaliser/presets/{name}.toml" for name in PRESETS}
    needed |= {
        path.relative_to(ROOT).as_posix()
        for path in (ROOT / "shaping" / "report" / "templates").rglob("*.*")
    }
    assert needed <= names
    strays = [name for name in names if not name.startswith(("shaping/", "shaping-"))]
    assert strays == []


def test_the_package_comes_from_the_wheel(shaping: Installed):
    place = shaping("python", "-c", "import shaping; print(shaping.__file__)").strip()
    assert Path(place).is_relative_to(shaping.bin.parent)
    assert shaping("shaping", "--version").strip() == f"shaping, version {PROJECT['version']}"


@pytest.mark.parametrize("kind", ["ring-out", "pink-noise"])
def test_the_demo_runs_with_every_output(shaping: Installed, kind: str):
    outputs = {suffix: f"{kind}.{suffix}" for suffix in ("png", "html", "json")}
    told = shaping(
        "shaping",
        "demo",
        kind,
        *("--plot", outputs["png"]),
        *("--html", outputs["html"]),
        *("--json", outputs["json"]),
    )
    assert "Quillhaven Hall" in told
    assert (shaping.folder / outputs["png"]).read_bytes().startswith(b"\x89PNG")
    assert "<svg" in (shaping.folder / outputs["html"]).read_text(encoding="utf-8")
    plan = json.loads((shaping.folder / outputs["json"]).read_text(encoding="utf-8"))
    assert plan["filters"]


@pytest.mark.parametrize("preset", PRESETS)
def test_every_preset_is_there(shaping: Installed, preset: str):
    plan = json.loads(shaping("shaping", "demo", "--limits", preset, "--json", "-"))
    assert plan["limits"]["name"] == preset


def test_rehearsals_are_scanned(shaping: Installed):
    shaping("shaping", "signal", "pink-noise", "noise.wav", "--duration", "10")
    shaping("shaping", "rehearsals", "noise.wav", "--out", "found", "--jobs", "1")
    assert "<html" in (shaping.folder / "found" / "report.html").read_text(encoding="utf-8")


@pytest.mark.skipif(sys.version_info[:2] != (3, 11), reason="the oldest libraries: on Python 3.11")
def test_the_oldest_libraries_declared_will_do(
    wheel: Path, tmp_path_factory: pytest.TempPathFactory
):
    """The main job, and the tests of all rooms that compute or draw, on the lower bounds."""
    oldest = environment(tmp_path_factory.mktemp("oldest"))
    declared = PROJECT["dependencies"] + PROJECT["optional-dependencies"]["test"]
    assert all(">=" in one for one in declared)
    pins = [one.replace(">=", "==") for one in declared]
    oldest("python", "-m", "pip", "install", "-q", *pins)
    oldest("python", "-m", "pip", "install", "-q", "--no-deps", str(wheel))
    assert "Wrote" in oldest("shaping", "demo", "--plot", "plan.png", "--html", "plan.html")
    lenient = ("-W", "default::DeprecationWarning")  # old libraries use what newer ones deprecate
    rooms = [
        f"tests/{room}"
        for room in ("reading", "filters", "equaliser", "capture", "analysis", "plan", "report")
    ]
    oldest(
        "python",
        "-m",
        "pytest",
        "-q",
        "-n",
        "2",
        "-p",
        "no:cacheprovider",
        *lenient,
        *rooms,
        folder=ROOT,
    )
