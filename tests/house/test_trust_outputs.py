"""Whatever goes wrong while results are written: whole files or none, and a plain end."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
import soundfile

from shaping.cli.main import run
from shaping.errors import OutputError
from shaping.output import replacing, write_text

ROOM_BYTES = 1_500


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory, samples_folder: Path) -> Path:
    """A folder with a short ring-out, two noise captures and a plan."""
    folder = tmp_path_factory.mktemp("inputs")
    samples, rate_hz = soundfile.read(samples_folder / "vocal_wedge_ring_out.flac", dtype="float32")
    soundfile.write(folder / "ring_out.wav", samples[: 9 * rate_hz], rate_hz)
    assert run(["suggest", str(folder / "ring_out.wav"), "--json", str(folder / "plan.json")]) == 0
    return folder


def jobs(inputs: Path, samples: Path, out: Path) -> dict[str, list[str]]:
    """Every command, writing one file too long for the room that is left."""
    ring_out, plan = str(inputs / "ring_out.wav"), str(inputs / "plan.json")
    noise = [str(samples / f"vocal_wedge_noise{after}.flac") for after in ("", "_after")]
    reference = str(samples / "pink_noise_reference.flac")
    return {
        "suggest --plot": ["suggest", ring_out, "--plot", str(out / "plan.png")],
        "suggest --html": ["suggest", ring_out, "--html", str(out / "plan.html")],
        "suggest --json": ["suggest", ring_out, "--json", str(out / "plan.json")],
        "thin": ["thin", "--plot", str(out / "thin.pdf")],
        "compare": ["compare", *noise, "--reference", reference, "--plot", str(out / "c.svg")],
        "signal": ["signal", "pink-noise", str(out / "noise.wav"), "--duration", "5"],
        "listen to WAV": ["listen", plan, ring_out, str(out / "heard.wav")],
        "listen to FLAC": ["listen", plan, reference, str(out / "heard.flac")],
        "listen --pair": ["listen", plan, reference, str(out / "heard.flac"), "--pair"],
        "demo": ["demo", "--plot", str(out / "demo.svg")],
    }


JOBS = list(jobs(Path(), Path(), Path()))


@pytest.fixture
def little_room() -> Iterator[None]:
    """No file may grow past `ROOM_BYTES`: writing fails midway, as on a full disk."""
    resource = pytest.importorskip("resource", reason="limits of a process are POSIX's")
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (ROOM_BYTES, limits[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)


@pytest.mark.parametrize("job", JOBS)
def test_a_full_disk_leaves_nothing_and_is_told_in_a_sentence(
    job, inputs, samples_folder, tmp_path, little_room, capsys
):
    assert run(jobs(inputs, samples_folder, tmp_path)[job]) == 2
    assert list(tmp_path.iterdir()) == []
    complaint = capsys.readouterr().err
    assert complaint.startswith("shaping: ")
    assert complaint.count("\n") == 1
    assert str(tmp_path) in complaint


@pytest.mark.parametrize("job", JOBS)
def test_a_full_disk_keeps_the_old_file(job, inputs, samples_folder, tmp_path, little_room, capsys):
    words = jobs(inputs, samples_folder, tmp_path)[job]
    names = {Path(word).name for word in words if word.startswith(str(tmp_path))}
    if job == "listen --pair":
        names = {"heard-without.flac", "heard-with.flac"}
    for name in names:
        (tmp_path / name).write_text("old")
    assert run([*words, "--force"]) == 2
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == dict.fromkeys(
        names, "old"
    )


def test_a_full_disk_stops_a_scan_of_rehearsals_plainly(inputs, tmp_path, little_room, capsys):
    code = run(["rehearsals", str(inputs), "--out", str(tmp_path / "found"), "--jobs", "1"])
    left = {path.name: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    assert not [name for name in left if name.endswith(".part") or ".part." in name]
    if code == 0:
        assert {"events.csv", "summary.json", "report.html"} <= set(left)
    else:
        assert code == 2
        assert capsys.readouterr().err.count("\n") == 1
        assert not left.get("report.html", b"</html>").strip().endswith(b"<")


_WRITER = """
import sys, time
from pathlib import Path
from shaping.errors import OutputError
from shaping.output import replacing
path, name, start = Path(sys.argv[1]), sys.argv[2], Path(sys.argv[3])
while not start.exists():
    time.sleep(0.002)
try:
    with replacing(path) as temporary:
        temporary.write_text(name * 100_000)
        time.sleep(0.3)  # the other one is writing as well by now
except OutputError as error:
    assert "exists" in str(error), error
    sys.exit(2)
"""


def test_of_two_runs_writing_one_file_exactly_one_wins(tmp_path):
    start, result = tmp_path / "start", tmp_path / "plan.json"
    writers = {
        name: subprocess.Popen([sys.executable, "-c", _WRITER, result, name, start])
        for name in "ab"
    }
    start.touch()
    codes = {name: writer.wait(60) for name, writer in writers.items()}
    assert sorted(codes.values()) == [0, 2]
    winner = next(name for name, code in codes.items() if code == 0)
    assert result.read_text() == winner * 100_000
    assert sorted(path.name for path in tmp_path.iterdir()) == ["plan.json", "start"]


def test_a_file_that_appears_meanwhile_is_kept_where_there_are_no_hard_links(tmp_path, monkeypatch):
    def refused(self: Path, target: Path) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(Path, "hardlink_to", refused)
    result = tmp_path / "plan.json"
    with ExitStack() as stack:
        stack.enter_context(replacing(result)).write_text("new")
        result.write_text("meanwhile")
        with pytest.raises(OutputError, match="exists"):
            stack.close()
    assert result.read_text() == "meanwhile"
    result.unlink()
    write_text(result, "alone")
    assert result.read_text() == "alone"
    assert list(tmp_path.iterdir()) == [result]


def test_a_link_as_output_is_replaced_not_followed(tmp_path):
    """Writing through a link would change a file that nobody named."""
    target, link = tmp_path / "diary.txt", tmp_path / "plan.json"
    target.write_text("mine")
    link.symlink_to(target)
    with pytest.raises(OutputError, match="exists"):
        write_text(link, "{}")
    write_text(link, "{}", force=True)
    assert target.read_text() == "mine"
    assert not link.is_symlink()
    dangling = tmp_path / "dangling.json"
    dangling.symlink_to(tmp_path / "nowhere")
    with pytest.raises(OutputError, match="exists"):
        write_text(dangling, "{}")
    assert not (tmp_path / "nowhere").exists()


def test_ctrl_c_ends_a_scan_with_130_and_without_a_report(tmp_path):
    tapes, out = tmp_path / "tapes", tmp_path / "found"
    tapes.mkdir()
    assert run(["signal", "pink-noise", str(tapes / "long.wav"), "--duration", "110"]) == 0
    audio = (tapes / "long.wav").read_bytes()
    for copy in range(30):  # equal copies would be scanned once
        (tapes / f"take {copy:02}.wav").write_bytes(audio + bytes(copy + 1))
    command = [sys.executable, "-m", "shaping", "rehearsals", tapes, "--out", out, "--jobs", "1"]
    scan = subprocess.Popen(
        command,
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        # A test run in the background ignores Ctrl-C, and its children would inherit that.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    for _ in range(3000):
        if out.exists() and any(path.stat().st_size for path in out.iterdir()):
            break
        time.sleep(0.02)
    scan.send_signal(signal.SIGINT)
    told, complaint = scan.communicate(timeout=60)
    assert scan.returncode == 130, complaint
    assert complaint.strip() == "shaping: stopped"
    assert told == ""
    assert not (out / "report.html").exists()


def test_ctrl_c_while_a_plan_is_made_leaves_nothing(inputs, tmp_path, monkeypatch, capsys):
    import shaping.report.figures.whole as figures

    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(figures, "plan_figure", interrupted)
    words = ["suggest", str(inputs / "ring_out.wav"), "--plot", str(tmp_path / "plan.png")]
    assert run(words) == 130
    assert list(tmp_path.iterdir()) == []
    assert capsys.readouterr().err.strip() == "shaping: stopped"


@pytest.mark.slow
def test_json_on_standard_output_is_alone_there(inputs, samples_folder, tmp_path, capfd):
    """Every command: what it prints is one JSON document, and whatever else was asked is made."""
    ring_out, plan = str(inputs / "ring_out.wav"), str(inputs / "plan.json")
    noise = [str(samples_folder / f"vocal_wedge_noise{after}.flac") for after in ("", "_after")]
    reference = ["--reference", str(samples_folder / "pink_noise_reference.flac")]
    packs, levels = samples_folder / "packs", samples_folder / "levels"
    played, names = str(tmp_path / "feeds.wav"), str(packs / "packs.toml")
    calibrator = str(levels / "calibrator.flac")
    commands = [
        [
            "suggest",
            ring_out,
            "--plot",
            str(tmp_path / "s.png"),
            "--html",
            str(tmp_path / "s.html"),
        ],
        ["suggest", *noise, *reference],
        ["thin", "--plot", str(tmp_path / "t.png"), "--html", str(tmp_path / "t.html")],
        ["compare", *noise, *reference, "--plot", str(tmp_path / "c.png")],
        ["rehearsals", ring_out, "--out", str(tmp_path / "found"), "--jobs", "1"],
        ["signal", "sweep", str(tmp_path / "sweep.wav"), "--duration", "2"],
        ["listen", plan, ring_out, str(tmp_path / "heard.wav"), "--pair"],
        ["demo", "pink-noise", "--plot", str(tmp_path / "d.png")],
        ["check", plan],
        ["stage", str(samples_folder / "stage" / "stage.toml")],
        ["signal", "feeds", played],
        ["feeds", str(packs / "packs.flac"), "--reference", played, "--names", names],
        ["exposure", str(levels / "rehearsal.flac"), "--calibration", calibrator],
        ["lesson", str(tmp_path / "lesson.html")],
        ["watch", ring_out, "--fast"],
    ]
    from shaping.cli.main import _COMMANDS

    # Sound devices have tests of their own, with servers to play them.
    assert {words[0] for words in commands} == set(_COMMANDS) - {"devices", "measure"}
    capfd.readouterr()
    for words in commands:
        failing = words[0] == "feeds"  # the shipped packs have faults
        assert run([*words, "--json", "-"]) == (3 if failing else 0)
        told, complaint = capfd.readouterr()
        assert isinstance(json.loads(told), dict)
        assert told.endswith("}\n")
        # Rings are told as they come, beside the document that waits for the end.
        assert complaint == "" or words[0] == "watch"
    made = {path.name for path in tmp_path.iterdir()}
    assert {"s.png", "s.html", "t.png", "t.html", "c.png", "d.png", "heard-with.wav"} <= made
