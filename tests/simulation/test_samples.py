"""The shipped captures are what the code makes, and hold what their truth says."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from shaping.errors import OutputError
from shaping.simulation.samples import ENTRIES, write

SHIPPED = Path(__file__).resolve().parents[2] / "audio_samples"
TRUTH = json.loads((SHIPPED / "truth.json").read_text(encoding="utf-8"))
QUICK = next(entry for entry in ENTRIES if entry.name == "first_row_mains.flac")


def shipped(name: str) -> np.ndarray:
    samples, _ = sf.read(SHIPPED / name, dtype="int16")
    return samples


def test_one_capture_is_remade_exactly():
    np.testing.assert_array_equal(QUICK.make().pcm, shipped(QUICK.name))


@pytest.mark.slow
def test_every_capture_is_remade_exactly(tmp_path):
    write(tmp_path)
    for entry in ENTRIES:
        remade, _ = sf.read(tmp_path / entry.name, dtype="int16")
        np.testing.assert_array_equal(remade, shipped(entry.name))
    for name in ("truth.json", "README.md"):
        assert (tmp_path / name).read_text() == (SHIPPED / name).read_text()


def test_every_file_is_listed_described_and_small():
    names = {entry.name for entry in ENTRIES}
    assert {path.name for path in SHIPPED.glob("*.flac")} == names == set(TRUTH)
    readme = (SHIPPED / "README.md").read_text(encoding="utf-8")
    assert all(f"`{entry.name}`" in readme for entry in ENTRIES)
    assert sum(path.stat().st_size for path in SHIPPED.iterdir()) < 13e6


@pytest.mark.parametrize(
    ("name", "rings"),
    [
        ("vocal_wedge_ring_out.flac", 3),
        ("drum_fill_ring_out.flac", 2),
        ("speech_wedge_ring_out.flac", 1),
        ("keys_wedge_no_ring.flac", 0),
        ("guitar_wedge_ring_out.flac", 6),
    ],
)
def test_planted_rings_stand_out_in_the_shipped_samples(name, rings):
    planted = TRUTH[name]["rings"]
    assert len(planted) == rings
    samples, rate = sf.read(SHIPPED / name)
    for ring in planted:
        stop = round(ring["end_s"] * rate)
        span = samples[stop - rate // 5 : stop] * np.hanning(rate // 5)
        level = np.abs(np.fft.rfft(span))
        here = round(ring["frequency_hz"] / 5)
        around = np.r_[level[here - 14 : here - 4], level[here + 5 : here + 15]]
        assert level[here - 1 : here + 2].max() > 4 * np.median(around)


def test_a_place_that_cannot_be_written_is_told_plainly(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="cannot write the samples"):
        write(tmp_path / "file", entries=())
