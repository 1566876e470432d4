"""Scans that are killed and scans on a cluster end with the same results as undisturbed ones."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
import soundfile

from shaping.rehearsals.scan import scan_rehearsals
from shaping.rehearsals.scanning.executors import Cluster

RATE = 48_000
KILLS = 10
RESULTS = ("events.csv", "summary.json", "report.html")


@pytest.fixture(scope="module")
def tapes(tmp_path_factory):
    """Fourteen recordings of half a minute, each with a howl that grows over noise."""
    folder = tmp_path_factory.mktemp("tapes")
    rng = np.random.default_rng(8)
    time_s = np.arange(30 * RATE) / RATE
    for take in range(14):
        level_db = np.clip(-70 + 60 * (time_s - 8), -70, -12)
        level_db[time_s > 12] = -120
        howl = 10 ** (level_db / 20) * np.sin(2 * np.pi * (700 + 90 * take) * time_s)
        noise = 0.003 * rng.standard_normal(time_s.size)
        soundfile.write(folder / f"take {take:02} 2026-05-{take + 1:02}.flac", howl + noise, RATE)
    return folder


def results(out):
    return {name: (out / name).read_bytes() for name in RESULTS}


@pytest.mark.slow
def test_a_scan_killed_ten_times_ends_as_an_undisturbed_one(tapes, tmp_path):
    whole = scan_rehearsals([tapes], tmp_path / "whole", jobs=2)
    assert whole.events + whole.possible == 14
    out = tmp_path / "killed"
    command = [sys.executable, "-m", "shaping", "rehearsals", str(tapes), "--out", str(out)]
    moments = random.Random(5)
    killed = 0
    for _ in range(KILLS):
        scan = subprocess.Popen(
            [*command, "--jobs", "2"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        time.sleep(moments.uniform(0.8, 2.2))
        if scan.poll() is None:
            killed += 1
            os.killpg(scan.pid, signal.SIGKILL)
        scan.wait()
    assert killed >= KILLS // 3, "the scan is too short to be killed"
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    assert results(out) == results(tmp_path / "whole")


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")
def test_a_cluster_of_two_workers_finds_what_one_process_finds(tapes, tmp_path):
    distributed = pytest.importorskip("distributed", reason="needs the extra `cluster`")
    alone = scan_rehearsals([tapes], tmp_path / "alone", jobs=1)
    with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        dashboard_address=None,
        host="127.0.0.1",
    ) as cluster:
        spread = scan_rehearsals(
            [tapes], tmp_path / "spread", jobs=Cluster(cluster.scheduler_address)
        )
    assert spread.events + spread.possible == 14
    assert spread.events == alone.events
    assert results(tmp_path / "spread") == results(tmp_path / "alone")
