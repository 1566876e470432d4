"""The shipped stage is what the code makes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from shaping.errors import OutputError
from shaping.simulation import stage_samples

SHIPPED = Path(__file__).resolve().parents[2] / "audio_samples" / "stage"


def test_the_stage_file_is_remade_exactly():
    assert (SHIPPED / "stage.toml").read_text(encoding="utf-8") == stage_samples.stage_text()


def test_every_recording_is_there_and_all_are_small():
    names = {stage_samples.file_name(wedge) for wedge in stage_samples.WEDGES} | {"noise.flac"}
    assert {path.name for path in SHIPPED.glob("*.flac")} == names
    assert sum(path.stat().st_size for path in SHIPPED.iterdir()) < 3.5e6


@pytest.mark.slow
def test_every_recording_is_remade_exactly(tmp_path):
    stage_samples.write(tmp_path)
    for path in SHIPPED.glob("*.flac"):
        remade, _ = sf.read(tmp_path / path.name, dtype="int16")
        shipped, _ = sf.read(path, dtype="int16")
        np.testing.assert_array_equal(remade, shipped)
    assert (tmp_path / "README.md").read_text() == (SHIPPED / "README.md").read_text()


def test_a_folder_that_cannot_be_written_is_told(tmp_path):
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(OutputError, match="cannot write the stage"):
        stage_samples.write(tmp_path / "file")
