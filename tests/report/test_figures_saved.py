"""Whole figures, and the files they become."""

from __future__ import annotations

import os
import subprocess
import sys
import warnings
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import pytest
from matplotlib.image import imread

from shaping.errors import OutputError
from shaping.plan.suggestion import Suggestion
from shaping.report.figures.whole import plan_figure, save_figure


def test_plan_figure_has_the_response_above_the_evidence(new_plan, new_capture):
    plan = new_plan(6)
    figure = plan_figure(Suggestion(plan, (new_capture(plan.rings),)))
    response, evidence = figure.axes
    assert response.get_position().y0 > evidence.get_position().y1
    assert any(line.get_gid() == "total" for line in response.lines)
    assert any(child.get_gid() == "levels" for child in evidence.get_children())


def test_plan_figure_draws_the_loop_where_there_is_one(new_plan, new_loop):
    figure = plan_figure(Suggestion(new_plan(3, loop=True), loops=(new_loop(),)))
    assert any(line.get_gid() == "after" for line in figure.axes[1].lines)


def test_plan_figure_shows_what_each_number_of_cuts_adds(new_plan, new_loop):
    plan = new_plan(3, loop=True)
    plan = replace(plan, loop=replace(plan.loop, added_by_cuts_db=(0.2, 1.5, 2.6, 4.2)))
    response, evidence, gains = plan_figure(Suggestion(plan, loops=(new_loop(),))).axes
    assert response.get_position().y0 > evidence.get_position().y1 > gains.get_position().y1
    (curve,) = [line for line in gains.lines if line.get_gid() == "added-gain"]
    assert list(curve.get_ydata()) == [0.2, 1.5, 2.6, 4.2]
    (mark,) = [line for line in gains.lines if line.get_gid() == "recommended"]
    assert mark.get_data() == ([3], [4.2])


def test_plan_figure_without_capture_has_only_the_response(new_plan):
    assert len(plan_figure(Suggestion(new_plan(2))).axes) == 1


WRITE = """
import sys
from pathlib import Path
from shaping.plan.suggestion import Suggestion
from shaping.report.figures.whole import plan_figure, save_figure
from shaping.report.page import plan_page
from tests.report.conftest import make_capture, make_plan

plan = make_plan(2)
suggestion = Suggestion(plan, (make_capture(plan.rings, duration_s=4.0),))
folder = Path(sys.argv[1])
for suffix in (".png", ".svg", ".pdf"):
    save_figure(plan_figure(suggestion), folder / f"plan{suffix}")
(folder / "plan.html").write_text(plan_page(suggestion), encoding="utf-8")
"""


@pytest.mark.slow
def test_saved_files_are_the_same_bytes_from_another_process_at_another_time(tmp_path):
    """Seconds later, with another seed of the hashes: no time, no chance and no order leaks in."""
    folders = [tmp_path / "one", tmp_path / "two"]
    for seed, folder in enumerate(folders, 1):
        folder.mkdir()
        subprocess.run(
            [sys.executable, "-c", WRITE, str(folder)],
            check=True,
            cwd=Path(__file__).resolve().parents[2],
            env={**os.environ, "PYTHONHASHSEED": str(seed)},
        )
    for name in ("plan.png", "plan.svg", "plan.pdf", "plan.html"):
        one, two = (folder / name for folder in folders)
        assert one.stat().st_size > 10_000
        assert one.read_bytes() == two.read_bytes(), name


def test_svg_keeps_text_as_text(new_plan, tmp_path):
    save_figure(plan_figure(Suggestion(new_plan(2))), tmp_path / "plan.svg")
    text = "".join(ET.parse(tmp_path / "plan.svg").getroot().itertext())
    assert "2.51 kHz D#7" in text
    assert "Settings to dial in" in text


def test_png_fits_a_phone_and_is_sharp(new_plan, tmp_path):
    save_figure(plan_figure(Suggestion(new_plan(2))), tmp_path / "plan.png")
    height, width, _ = imread(tmp_path / "plan.png").shape
    assert 900 <= width <= 1300
    assert height > width * 0.8


@pytest.mark.parametrize("name", ["plan.bmp", "plan", "plan.txt"])
def test_other_suffixes_are_refused_in_words(new_plan, tmp_path, name):
    with pytest.raises(OutputError, match=r"\.png, \.svg or \.pdf"):
        save_figure(plan_figure(Suggestion(new_plan(0))), tmp_path / name)
    assert list(tmp_path.iterdir()) == []


def test_an_existing_file_stays_unless_forced(new_plan, tmp_path):
    path = tmp_path / "plan.png"
    path.write_text("mine")
    with pytest.raises(OutputError, match="--force"):
        save_figure(plan_figure(Suggestion(new_plan(0))), path)
    assert path.read_text() == "mine"
    save_figure(plan_figure(Suggestion(new_plan(0))), path, force=True)
    assert path.read_bytes().startswith(b"\x89PNG")


@pytest.mark.filterwarnings("ignore:Glyph .* missing")  # raised by measuring, not by saving
@pytest.mark.parametrize("name", ["$\\frac{a}{b$.wav", "ひびき.wav", "bad\udcff\n.wav", "a" * 250])
def test_odd_file_names_are_drawn_as_they_are(new_plan, tmp_path, name):
    figure = plan_figure(Suggestion(new_plan(1, path=f"takes/{name}")))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        save_figure(figure, tmp_path / "plan.png")
        save_figure(figure, tmp_path / "plan.svg")
    (text,) = [t for t in figure.texts if t.get_gid() == "captures"]
    assert text.get_window_extent().x1 <= figure.bbox.x1


def test_importing_the_figures_does_not_import_matplotlib():
    code = (
        "import sys, shaping.report.figures.whole, shaping.report.terminal;"
        "sys.exit('matplotlib' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
