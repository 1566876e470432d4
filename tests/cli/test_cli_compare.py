"""``shaping compare`` from the outside."""

from __future__ import annotations

import json

import pytest

from shaping.cli.main import run


@pytest.mark.parametrize("from_plan", [False, True], ids=["two captures", "a plan"])
def test_a_plot_of_ring_outs_is_refused_before_anything_is_written(
    from_plan, samples_folder, tmp_path, capsys
):
    capture = str(samples_folder / "keys_wedge_no_ring.flac")
    before = capture
    if from_plan:
        before = str(tmp_path / "plan.json")
        assert run(["suggest", capture, "--json", before]) == 0
        capsys.readouterr()
    found, picture = tmp_path / "found.json", tmp_path / "found.png"
    assert run(["compare", before, capture, "--json", str(found), "--plot", str(picture)]) == 2
    said = capsys.readouterr()
    assert "there is no plot" in said.err
    assert said.err.count("\n") == 1
    assert said.out == ""
    assert not found.exists()
    assert not picture.exists()


def test_two_ring_outs_are_compared_and_written(samples_folder, tmp_path, capsys):
    before = str(samples_folder / "vocal_wedge_ring_out.flac")
    after = str(samples_folder / "keys_wedge_no_ring.flac")
    found = tmp_path / "found.json"
    assert run(["compare", before, after, "--json", str(found)]) == 0
    told = json.loads(found.read_text())
    # The rings that were planted in the first sample: truth.json beside it.
    truth = json.loads((samples_folder / "truth.json").read_text())
    planted = [ring["frequency_hz"] for ring in truth["vocal_wedge_ring_out.flac"]["rings"]]
    gone = [ring["frequency_hz"] for ring in told["rings"] if ring["fate"] == "gone"]
    for frequency_hz in planted:
        assert any(abs(hz / frequency_hz - 1) < 0.005 for hz in gone)
    assert "Wrote" in capsys.readouterr().out
