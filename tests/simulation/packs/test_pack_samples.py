"""The shipped packs are what the code makes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from shaping.errors import OutputError
from shaping.simulation.packs import samples as pack_samples

SHIPPED = Path(__file__).resolve().parents[3] / "audio_samples" / "packs"


def test_the_packs_file_is_remade_exactly_and_all_is_small():
    assert (SHIPPED / "packs.toml").read_text(encoding="utf-8") == pack_samples.packs_text()
    assert sum(path.stat().st_size for path in SHIPPED.iterdir()) < 4.2e6
    columns = sum(2 if pack.stereo else 1 for pack in pack_samples.PACKS)
    assert sf.info(SHIPPED / pack_samples.FILE).channels == columns


@pytest.mark.slow
def test_the_recording_is_remade_exactly(tmp_path):
    pack_samples.write(tmp_path)
    remade, _ = sf.read(tmp_path / pack_samples.FILE, dtype="int16")
    shipped, _ = sf.read(SHIPPED / pack_samples.FILE, dtype="int16")
    np.testing.assert_array_equal(remade, shipped)
    assert (tmp_path / "README.md").read_text() == (SHIPPED / "README.md").read_text()


def test_a_folder_that_cannot_be_written_is_told(tmp_path):
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(OutputError, match="cannot write the packs"):
        pack_samples.write(tmp_path / "file")
