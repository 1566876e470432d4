"""File names are only names, whatever they hold: on the screen, in pages, plots and JSON."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile

from shaping.cli.main import run
from shaping.text.names import shown

STEMS = [
    b"two words",
    b'it\'s "quoted" `here`',
    b"two\nlines\tand a tab",
    b"-rf",
    b"--json",
    "歌手のモニター é ß".encode(),
    "עברית \u202eexe".encode(),
    b"not unicode \xff\xfe",
    b"<img src=x onerror=alert(1)>",
    b"{{ 7 * 7 }} $x^2$ [bold]%s",
    b"\x1b[31mred\x1b[0m\x07",
]


@pytest.fixture(scope="module")
def short_ring_out(samples_folder: Path) -> tuple[np.ndarray, int]:
    """The first ring alone: enough for a plan, and quick."""
    samples, rate_hz = soundfile.read(samples_folder / "vocal_wedge_ring_out.flac", dtype="float32")
    return samples[: 9 * rate_hz], rate_hz


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder in which the command runs, so that names are given bare."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def named(stem: bytes, suffix: str) -> str:
    return os.fsdecode(stem + suffix.encode())


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def write(name: str, capture: tuple[np.ndarray, int]) -> None:
    with open(name, "xb") as file:  # noqa: PTH123 (a name, not a path to work on)
        soundfile.write(file, *capture, format="WAV", subtype="PCM_16")


@pytest.mark.parametrize("stem", STEMS, ids=ascii)
def test_any_name_goes_through_suggest(stem, here, short_ring_out, capfd):
    capture, *outputs = (named(stem, suffix) for suffix in (".wav", ".png", ".html", ".json"))
    write(capture, short_ring_out)
    plot, page, plan = outputs
    words = [f"--plot={plot}", f"--html={page}", f"--json={plan}", "--", capture]
    assert run(["suggest", *words]) == 0
    told, complaints = capfd.readouterr()
    assert complaints == ""
    assert names(here) == sorted([capture, *outputs])
    for name in outputs:
        assert f"Wrote {shown(name)}\n" in told
    assert re.search(r"[\x00-\x09\x0b-\x1f\x7f\u202e]", told) is None
    written = Path(plan).read_text(encoding="ascii")
    assert json.loads(written)["captures"][0]["path"] == capture
    html = Path(page).read_text(encoding="utf-8")
    assert "<img src=x" not in html
    assert "\x1b" not in html
    assert "49 $x" not in html
    assert Path(plot).read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize("stem", STEMS, ids=ascii)
def test_any_name_goes_through_signal_and_listen(stem, here, short_ring_out, capfd):
    signal, capture, heard = (named(stem, suffix) for suffix in (".wav", " in.wav", " out.wav"))
    write(capture, short_ring_out)
    assert run(["thin", "--amount", "light", "--json", "plan.json"]) == 0
    assert run(["signal", "--duration", "2", "pink-noise", "--", signal]) == 0
    assert run(["listen", "--", "plan.json", capture, heard]) == 0
    told, complaints = capfd.readouterr()
    assert complaints == ""
    assert re.search(r"[\x00-\x09\x0b-\x1f\x7f\u202e]", told) is None
    for words in (
        ["signal", "--duration", "2", "--force", "--json", "-", "pink-noise", "--", signal],
        ["listen", "--force", "--json", "-", "--", "plan.json", capture, heard],
    ):
        assert run(words) == 0
        assert json.loads(capfd.readouterr().out)["path"] == (
            signal if words[0] == "signal" else heard
        )
    assert names(here) == sorted([signal, capture, heard, "plan.json"])


@pytest.mark.parametrize("stem", STEMS, ids=ascii)
@pytest.mark.parametrize("command", ["suggest", "listen", "signal", "rehearsals", "thin"])
def test_complaints_stay_on_one_line(command, stem, here, capfd):
    missing = named(stem, ".wav")
    words = {
        "suggest": ["--", missing],
        "listen": ["--", missing, missing, missing],
        "signal": ["pink-noise", "--", named(stem, ".mp3")],
        "rehearsals": ["--out", "found", "--", missing],
        "thin": [f"--limits={named(stem, '.toml')}"],
    }[command]
    assert run([command, *words]) == 2
    told, complaint = capfd.readouterr()
    assert told == ""
    assert complaint.count("\n") == 1
    assert re.search(r"[\x00-\x09\x0b-\x1f\x7f\u202e]", complaint) is None
    assert names(here) == []


@pytest.mark.parametrize("stem", STEMS[:8], ids=ascii)
def test_rehearsals_write_only_inside_their_folder(stem, here, short_ring_out, capfd):
    """Names of recordings, `..` and links among them, never lead writing out of ``--out``."""
    (here / "tapes" / "deep").mkdir(parents=True)
    (here / "elsewhere").mkdir()
    write(f"tapes/{named(stem, '.wav')}", short_ring_out)
    (here / "tapes" / "deep" / "link").symlink_to("../../elsewhere")
    (here / "tapes" / "deep" / "loop").symlink_to(here / "tapes")
    before = set(here.rglob("*"))
    words = ["--out", "found", "--jobs", "1", "tapes/deep/..", "tapes/../tapes/deep/loop"]
    assert run(["rehearsals", *words]) == 0
    new = set(here.rglob("*")) - before
    assert {path.relative_to(here).parts[0] for path in new} == {"found"}
    assert json.loads((here / "found" / "summary.json").read_text())["files"] == 1
    assert "\x1b" not in capfd.readouterr().out
