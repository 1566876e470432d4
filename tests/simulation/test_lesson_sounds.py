"""The lesson's sounds are what the code makes of the talk."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile as sf

from shaping.errors import OutputError
from shaping.simulation.lesson_sounds import LESSON_RATE_HZ, heard, write


@pytest.mark.slow
def test_the_talk_in_the_first_row_is_remade_exactly(samples_folder):
    folder = samples_folder / "lesson"
    talk, rate_hz = sf.read(folder / "talk.flac")
    for name, samples in heard(talk, rate_hz).items():
        shipped, shipped_hz = sf.read(folder / name, dtype="int16")
        assert shipped_hz == LESSON_RATE_HZ
        np.testing.assert_array_equal(samples, shipped)


def test_a_folder_without_the_talk_is_refused(tmp_path):
    with pytest.raises(OutputError, match="cannot make the lesson's sounds"):
        write(tmp_path)
