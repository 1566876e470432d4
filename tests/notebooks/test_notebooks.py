"""The lessons run from top to bottom, stay small, and warn before every sound."""

from __future__ import annotations

import re
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "notebooks"
LESSONS = sorted(FOLDER.glob("*.ipynb"))
MOST_BYTES = 100_000

# A folder of a machine or of a person, at the start of a word.
ABSOLUTE = re.compile(r"(?<![\w.~/)])(/(home|root|tmp|work|opt|usr|Users|mnt|var)/|[A-Za-z]:\\)")
LINK = re.compile(r"\]\((?!https?:)([^)#]+)\)")

each_lesson = pytest.mark.parametrize("path", LESSONS, ids=lambda path: path.stem)


def read(path: Path) -> nbformat.NotebookNode:
    lesson = nbformat.read(path, as_version=4)
    nbformat.validate(lesson)
    return lesson


def test_there_are_three_lessons():
    assert len(LESSONS) == 3


@pytest.mark.slow
@each_lesson
def test_lesson_runs_from_top_to_bottom(path, tmp_path, monkeypatch):
    # The kernel is a process of its own: its files belong to the test, and its figures show.
    for name in ("JUPYTER_RUNTIME_DIR", "JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "IPYTHONDIR"):
        monkeypatch.setenv(name, str(tmp_path / name.lower()))
    # From the folder of the lessons or from the root, as people start them.
    started_in = ROOT if path == LESSONS[0] else FOLDER
    before = sorted(FOLDER.iterdir())
    lesson = read(path)
    client = NotebookClient(
        lesson,
        timeout=300,
        kernel_name="python3",
        resources={"metadata": {"path": str(started_in)}},
    )
    client.execute()
    outputs = [out for cell in lesson.cells for out in cell.get("outputs", ())]
    complaints = [out.text for out in outputs if out.get("name") == "stderr"]
    assert complaints == []
    shown = [out.data for out in outputs if "data" in out]
    assert any("text/html" in data for data in shown)  # sounds and pages
    # A figure that nothing draws shows as its name alone.
    figures = [data for data in shown if data["text/plain"].startswith("<Figure")]
    assert all("image/png" in data for data in figures)
    assert bool(figures) == any("%matplotlib" in cell.source for cell in lesson.cells)
    assert sorted(FOLDER.iterdir()) == before  # nothing left behind


@each_lesson
def test_outputs_are_stripped_and_the_file_is_small(path):
    cells = [cell for cell in read(path).cells if cell.cell_type == "code"]
    assert cells
    for cell in cells:
        assert cell.outputs == []
        assert cell.execution_count is None
    assert path.stat().st_size < MOST_BYTES


@each_lesson
def test_no_path_of_a_machine(path):
    for cell in read(path).cells:
        assert not ABSOLUTE.search(cell.source), cell.source


@each_lesson
def test_links_lead_somewhere(path):
    texts = [cell.source for cell in read(path).cells if cell.cell_type == "markdown"]
    links = [link for text in texts for link in LINK.findall(text)]
    assert links
    assert [link for link in links if not (FOLDER / link).exists()] == []


@each_lesson
def test_lesson_opens_with_what_it_teaches_and_ends_with_its_sources(path):
    cells = read(path).cells
    assert "After this lesson you will be able to" in cells[0].source
    assert "## Sources" in cells[-1].source


@each_lesson
def test_a_caution_stands_before_every_sound(path):
    """Source: common practice, no published source."""
    cells = read(path).cells
    players = [
        number
        for number, cell in enumerate(cells)
        if cell.cell_type == "code" and re.search(r"\b(Audio|IFrame)\(", cell.source)
    ]
    assert players
    for number in players:
        assert "volume down" in cells[number - 1].source
