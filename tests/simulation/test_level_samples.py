"""The shipped calibrated recording is what the code makes."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from shaping.errors import OutputError
from shaping.simulation.recordings import levels

SHIPPED = Path(__file__).resolve().parents[2] / "audio_samples" / "levels"


def test_its_truth_is_that_of_its_samples():
    pcm, _ = sf.read(SHIPPED / levels.SONG_FILE, dtype="int16")
    facts = json.loads((SHIPPED / "truth.json").read_text())
    assert levels.truth(pcm) == {key: facts[key] for key in ("laeq_db", "lceq_db")}


@pytest.mark.slow
def test_it_is_remade_exactly(tmp_path):
    levels.write(tmp_path)
    for name in (levels.TONE_FILE, levels.SONG_FILE):
        remade, _ = sf.read(tmp_path / name, dtype="int16")
        shipped, _ = sf.read(SHIPPED / name, dtype="int16")
        np.testing.assert_array_equal(remade, shipped)
    for name in ("README.md", "truth.json"):
        assert (tmp_path / name).read_text() == (SHIPPED / name).read_text()


def test_a_folder_that_cannot_be_written_is_told(tmp_path):
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(OutputError, match="cannot write the levels"):
        levels.write(tmp_path / "file")
