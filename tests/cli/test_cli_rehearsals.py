"""What ``shaping rehearsals`` prints, on a narrow terminal."""

from __future__ import annotations

from shaping.cli.main import run


def test_the_sum_of_a_scan_is_whole_at_forty_columns(samples_folder, tmp_path, monkeypatch, capsys):
    """The sample: 20 s of two channels, two howls on the first."""
    monkeypatch.setenv("COLUMNS", "40")
    monkeypatch.chdir(tmp_path)
    recording = str(samples_folder / "rehearsal.flac")
    assert run(["rehearsals", recording, "--out", "out"]) == 0
    said = capsys.readouterr().out
    assert max(map(len, said.splitlines())) <= 40
    assert "40 s counting each channel: 3 feedback events, 1 possible." in " ".join(said.split())
