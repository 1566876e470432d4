"""The journal survives torn lines, and the lock keeps two scans apart."""

from __future__ import annotations

import subprocess
import sys

import pytest

from shaping.errors import OutputError
from shaping.rehearsals.archive.journal import (
    JOURNAL,
    JournalWriter,
    locked,
    prepare_folder,
    read_journal,
)


def test_a_torn_last_line_is_passed_over_and_closed_off(tmp_path):
    writer = JournalWriter(tmp_path)
    writer.append({"path": "a", "n": 1})
    writer.close()
    with (tmp_path / JOURNAL).open("ab") as stream:
        stream.write(b'{"path": "b", "n"')
    assert [r["path"] for r in read_journal(tmp_path)] == ["a"]
    writer = JournalWriter(tmp_path)
    writer.append({"path": "c", "n": 3})
    writer.close()
    assert [r["path"] for r in read_journal(tmp_path)] == ["a", "c"]


def test_two_scans_cannot_share_a_folder(tmp_path):
    with (
        locked(tmp_path),
        pytest.raises(OutputError, match="another scan is writing here"),
        locked(tmp_path),
    ):
        pass
    with locked(tmp_path):
        pass


def test_the_lock_of_a_killed_scan_is_let_go(tmp_path):
    code = (
        "import os, signal\nfrom pathlib import Path\n"
        "from shaping.rehearsals.archive.journal import locked\n"
        f"with locked(Path({str(tmp_path)!r})): os.kill(os.getpid(), signal.SIGKILL)"
    )
    killed = subprocess.run([sys.executable, "-c", code], check=False)
    assert killed.returncode == -9
    with locked(tmp_path):
        pass


def test_a_linked_journal_is_refused(tmp_path):
    outside = tmp_path / "outside"
    outside.write_text("keep")
    out = tmp_path / "out"
    prepare_folder(out)
    (out / JOURNAL).symlink_to(outside)
    with pytest.raises(OutputError, match="cannot be opened"):
        JournalWriter(out)
    assert outside.read_text() == "keep"
