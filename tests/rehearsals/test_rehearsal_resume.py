"""Long recordings are cut into pieces: results, progress, restarts, and what fails around them."""

from __future__ import annotations

import json
import os
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future
from pathlib import Path

import numpy as np
import pytest
import soundfile

from shaping.capture.audio import inspect
from shaping.cli.main import run
from shaping.errors import OutputError
from shaping.rehearsals.archive.journal import JOURNAL, UNFINISHED
from shaping.rehearsals.detector import Detector
from shaping.rehearsals.judging import events_of
from shaping.rehearsals.scan import scan_rehearsals
from shaping.rehearsals.scanning import pieces, work
from shaping.rehearsals.scanning.executors import Here
from shaping.rehearsals.scanning.scan_file import scan_file

RATE = 48_000
RESULTS = ("events.csv", "summary.json", "report.html")


@pytest.fixture
def long_tape(tmp_path, planted_howl, monkeypatch):
    """Two minutes and two channels in pieces of 20 s, with howls within them and across seams."""
    monkeypatch.setattr(pieces, "PIECE_S", 20.0)
    rng = np.random.default_rng(4)
    both = 0.004 * rng.standard_normal((120 * RATE, 2)).astype(np.float32)
    for number, at_s in enumerate((3, 17, 36, 52, 77, 98)):
        howl = planted_howl(frequency_hz=600.0 + 333 * number, start_s=1.0, hold_s=1.5, total_s=6.0)
        both[at_s * RATE : (at_s + 6) * RATE, number % 2] += howl
    path = tmp_path / "long.flac"
    soundfile.write(path, both, RATE, subtype="PCM_24")
    return path


def results(out):
    return {name: (out / name).read_bytes() for name in RESULTS}


def told(events):
    return [
        (e.channel, round(e.start_s, 2), round(e.frequency_hz), round(e.duration_s, 1))
        for e in events
    ]


def test_pieces_find_what_one_pass_finds(long_tape):
    assert len(pieces.pieces_of(inspect(long_tape))) == 6
    samples, _ = soundfile.read(long_tape, dtype="float32")
    once = []
    for channel in (0, 1):
        detector = Detector(RATE)
        found = [*detector.feed(np.ascontiguousarray(samples[:, channel])), *detector.finish()]
        once += events_of(found, channel=channel + 1)
    assert told(scan_file(str(long_tape)).events) == told(once)
    assert len(once) == 6


def test_groups_of_channels_find_what_all_at_once_find(long_tape, monkeypatch):
    whole = scan_file(str(long_tape))
    monkeypatch.setattr(pieces, "_AT_ONCE", 1)
    assert scan_file(str(long_tape)) == whole
    assert scan_file(str(long_tape), 10_007) == whole


def test_progress_within_a_recording_tells_the_time_left(long_tape, tmp_path):
    seen = []
    scan_rehearsals([long_tape], tmp_path / "out", jobs=1, progress=seen.append)
    assert len(seen) == 7
    assert [p.files_done for p in seen] == [0] * 6 + [1]
    done = [p.audio_done_s for p in seen]
    assert done == sorted(done)
    assert done[-1] == pytest.approx(240.0)
    assert all(p.remaining_s is not None for p in seen[1:])


class _StopError(Exception):
    pass


def test_a_long_recording_is_resumed_inside(long_tape, tmp_path):
    scan_rehearsals([long_tape], tmp_path / "whole", jobs=1)
    out = tmp_path / "out"

    def stop(progress):
        if progress.audio_done_s > 130:
            raise _StopError

    with pytest.raises(_StopError):
        scan_rehearsals([long_tape], out, jobs=1, progress=stop)
    (kept,) = (out / UNFINISHED).iterdir()
    kept.write_bytes(kept.read_bytes() + b'{"piece": 5, "torn')
    seen = []
    scan_rehearsals([long_tape], out, jobs=1, progress=seen.append)
    assert seen[0].audio_done_s > 130
    assert len(seen) == 3
    assert results(out) == results(tmp_path / "whole")
    assert not (out / UNFINISHED).exists()


def test_pieces_of_another_version_are_scanned_again(long_tape, tmp_path):
    scan_rehearsals([long_tape], tmp_path / "whole", jobs=1)
    out = tmp_path / "out"

    def stop(progress):
        if progress.audio_done_s > 50:
            raise _StopError

    with pytest.raises(_StopError):
        scan_rehearsals([long_tape], out, jobs=1, progress=stop)
    (kept,) = (out / UNFINISHED).iterdir()
    lines = [json.loads(line) for line in kept.read_text().splitlines()]
    for line in lines:
        line["version"] = -1
        line["candidates"] = []
    kept.write_text("".join(json.dumps(line) + "\n" for line in lines) + '7\n{"piece": [1]}\n')
    scan_rehearsals([long_tape], out, jobs=1)
    assert results(out) == results(tmp_path / "whole")


def test_one_long_recording_is_spread_over_processes(long_tape, tmp_path):
    class Counting(Here):
        calls = 0

        def submit(self, fn, /, *args, **kwargs):
            type(self).calls += 1
            return super().submit(fn, *args, **kwargs)

    spread = scan_rehearsals([long_tape], tmp_path / "spread", jobs=Counting())
    assert Counting.calls == 6
    assert spread.events == scan_rehearsals([long_tape], tmp_path / "one", jobs=1).events


class _Failing(Executor):
    """Fails as told, then works."""

    def __init__(self, *errors):
        self.errors = list(errors)

    def submit(self, fn, /, *args, **kwargs):
        if self.errors:
            future: Future = Future()
            future.set_exception(self.errors.pop(0))
            return future
        return Here().submit(fn, *args, **kwargs)


@pytest.mark.parametrize(
    "error",
    [CancelledError(), BrokenExecutor("gone"), OSError("no line"), MemoryError(), KeyError(1)],
)
def test_a_failure_of_the_machinery_settles_nothing(tmp_path, planted_howl, error, monkeypatch):
    """A scheduler that died made files count as scanned, without an event, for good."""
    tapes = tmp_path / "tapes"
    tapes.mkdir()
    for number in range(3):
        howl = planted_howl(frequency_hz=700.0 + 300 * number)
        soundfile.write(tapes / f"take {number}.wav", howl, RATE)

    # What is left is not scanned alone either.
    monkeypatch.setattr(
        work._Run, "alone", lambda self, jobs: [self._fail(j[0], "x") for j in jobs]
    )
    out = tmp_path / "out"
    failed = scan_rehearsals([tapes], out, jobs=_Failing(error, error))
    assert failed.events == 1
    assert len(failed.unscanned) == 2
    assert failed.problems == ()
    assert not json.loads((out / "summary.json").read_text())["complete"]
    page = (out / "report.html").read_text()
    assert "Not scanned yet" in page
    monkeypatch.undo()
    mended = scan_rehearsals([tapes], out, jobs=1)
    assert (mended.events, mended.unscanned) == (3, ())
    scan_rehearsals([tapes], tmp_path / "whole", jobs=1)
    assert results(out) == results(tmp_path / "whole")


def test_a_worker_that_dies_costs_nothing(tmp_path, planted_howl):
    path = tmp_path / "take.wav"
    soundfile.write(path, planted_howl(), RATE)
    summary = scan_rehearsals([path], tmp_path / "out", jobs=_Failing(BrokenExecutor("gone")))
    assert (summary.events, summary.unscanned) == (1, ())


def test_a_drive_that_goes_away_settles_nothing_and_exits_with_3(
    tmp_path, planted_howl, monkeypatch, capsys
):
    path, out = tmp_path / "take.wav", tmp_path / "out"
    soundfile.write(path, planted_howl(), RATE)
    real = work.scan_piece

    def unplugged(piece):
        path.rename(tmp_path / "away")
        try:
            return real(piece)
        finally:
            (tmp_path / "away").rename(path)

    monkeypatch.setattr(work, "scan_piece", unplugged)
    words = ["rehearsals", str(path), "--out", str(out), "--jobs", "1"]
    assert run(words) == 3
    said = capsys.readouterr()
    assert "take.wav: cannot be read" in said.out
    assert "run again" in said.out
    monkeypatch.undo()
    assert run(words) == 0
    assert "1 feedback event" in capsys.readouterr().out


def test_a_file_that_changes_meanwhile_settles_nothing(tmp_path, planted_howl, monkeypatch):
    path, out = tmp_path / "take.wav", tmp_path / "out"
    soundfile.write(path, planted_howl(), RATE)
    real = work.scan_piece

    def rewritten(piece):
        path.write_bytes(b"RIFF" + bytes(50))
        return real(piece)

    monkeypatch.setattr(work, "scan_piece", rewritten)
    assert len(scan_rehearsals([path], out, jobs=1).unscanned) == 1


def test_a_full_disk_within_a_long_recording_loses_nothing(long_tape, tmp_path, monkeypatch):
    scan_rehearsals([long_tape], tmp_path / "whole", jobs=1)
    out = tmp_path / "out"
    real, left = os.write, [4]

    def full(descriptor, data):
        if bytes(data[:1]) == b"{":
            left[0] -= 1
            if left[0] == 0:
                real(descriptor, data[: len(data) // 2])
                raise OSError(28, "No space left on device")
        return real(descriptor, data)

    monkeypatch.setattr("shaping.rehearsals.archive.journal.os.write", full)
    with pytest.raises(OutputError, match="make room and run again"):
        scan_rehearsals([long_tape], out, jobs=1)
    monkeypatch.undo()
    monkeypatch.setattr(pieces, "PIECE_S", 20.0)
    seen = []
    scan_rehearsals([long_tape], out, jobs=1, progress=seen.append)
    assert seen[0].audio_done_s >= 60
    assert results(out) == results(tmp_path / "whole")


def test_an_excerpt_that_cannot_be_written_does_not_stop_the_page(tmp_path, planted_howl):
    path, out = tmp_path / "take.wav", tmp_path / "out"
    soundfile.write(path, planted_howl(), RATE)
    out.mkdir()
    (out / "excerpts").write_text("in the way")
    assert scan_rehearsals([path], out, jobs=1).events == 1
    page = (out / "report.html").read_text()
    assert "data:image/png" in page
    assert (out / "excerpts").read_text() == "in the way"


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.parametrize(
    "address",
    [
        "nonsense",
        "127.0.0.1",
        "foo://x:1",
        "",
        "tcp://a b:c",
        "tls://127.0.0.1:1",
        "tcp://127.0.0.1:1",
        "no.such.host.invalid:8786",
        "127.0.0.1:99999",
    ],
)
def test_a_wrong_address_is_one_sentence(tmp_path, planted_howl, address, capfd):
    pytest.importorskip("distributed", reason="needs the extra `cluster`")
    path = tmp_path / "take.wav"
    soundfile.write(path, planted_howl(), RATE)
    out = str(tmp_path / "out")
    code = run(["rehearsals", str(path), "--out", out, "--cluster", address, "--wait", "1"])
    said = capfd.readouterr()
    assert code == 2
    assert said.out == ""
    told_lines = [line for line in said.err.splitlines() if not line.startswith("waiting")]
    assert len(told_lines) == 1, said.err
    assert "Traceback" not in said.err
    assert Path(out, JOURNAL).read_bytes() == b""


def test_workers_get_absolute_paths(tmp_path, planted_howl, monkeypatch):
    monkeypatch.chdir(tmp_path)
    soundfile.write("take.wav", planted_howl(), RATE)
    paths = []

    class Looking(Here):
        def submit(self, fn, /, piece, *args, **kwargs):
            paths.append(piece.span.path)
            return super().submit(fn, piece, *args, **kwargs)

    scan_rehearsals(["take.wav"], "out", jobs=Looking())
    assert paths == [str(tmp_path / "take.wav")]
