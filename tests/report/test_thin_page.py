"""The pages and pictures that ``shaping thin`` really writes."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from shaping.cli.thin_command import command

SAMPLES = Path(__file__).parents[2] / "audio_samples"
FIRST_ROW = [
    "--wedges",
    str(SAMPLES / "first_row_wedges.flac"),
    "--mains",
    str(SAMPLES / "first_row_mains.flac"),
]


@pytest.mark.parametrize(
    ("options", "drawn", "absent"),
    [
        (["--amount", "medium"], "audience (135°)", "wedges, thinned"),
        (FIRST_ROW, "wedges, thinned", "audience (135°)"),
    ],
    ids=["model", "measured"],
)
def test_page_and_picture_show_what_thinning_rests_on(tmp_path, options, drawn, absent):
    page, picture = tmp_path / "t.html", tmp_path / "t.svg"
    done = CliRunner().invoke(
        command, [*options, "--html", str(page), "--plot", str(picture)], catch_exceptions=False
    )
    assert done.exit_code == 0
    for path in (page, picture):
        text = path.read_text("utf-8")
        assert drawn in text
        assert absent not in text
    assert "No rings" not in done.output
    assert "raise the send" not in done.output
    assert "hand on the fader" in " ".join(done.output.split())
