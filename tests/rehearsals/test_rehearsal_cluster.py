"""A cluster that is slow, loses a worker or its scheduler, or wants certificates."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import threading
import time
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

import numpy as np
import pytest
import soundfile

from shaping.cli.main import run
from shaping.rehearsals.scan import scan_rehearsals
from shaping.rehearsals.scanning import executors
from shaping.rehearsals.scanning.executors import Cluster

pytest.importorskip("distributed", reason="needs the extra `cluster`")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning"),
]

RATE = 48_000
TAKES = 12


@pytest.fixture(scope="module")
def tapes(tmp_path_factory):
    """Recordings of half a minute, each with a howl."""
    folder = tmp_path_factory.mktemp("tapes")
    rng = np.random.default_rng(8)
    time_s = np.arange(30 * RATE) / RATE
    level_db = np.clip(-70 + 60 * (time_s - 8), -70, -12)
    level_db[time_s > 12] = -120
    for take in range(TAKES):
        howl = 10 ** (level_db / 20) * np.sin(2 * np.pi * (700 + 90 * take) * time_s)
        noise = 0.003 * rng.standard_normal((time_s.size, 4))
        noise[:, take % 4] += howl
        soundfile.write(folder / f"take {chr(97 + take)} 2026-05-01.flac", noise, RATE)
    return folder


@pytest.fixture(scope="module")
def alone(tapes, tmp_path_factory):
    out = tmp_path_factory.mktemp("alone")
    found = scan_rehearsals([tapes], out, jobs=1)
    assert found.events + found.possible == TAKES
    return table(out)


def table(out):
    return (out / "events.csv").read_bytes()


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@contextmanager
def dask(*words, environment=None):
    process = subprocess.Popen(
        [sys.executable, "-m", "distributed.cli.dask_" + words[0], *map(str, words[1:])],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=os.environ | (environment or {}),
    )
    try:
        yield process
    finally:
        process.kill()
        process.wait()


def listening(port):
    """Wait until somebody listens, so that a short limit counts from there."""
    for _ in range(600):
        with suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=5):
            return
        time.sleep(0.1)
    raise AssertionError("the scheduler did not start")


def scheduler(port, **options):
    return dask("scheduler", "--host", "127.0.0.1", "--port", port, "--no-dashboard", **options)


def worker(address, **options):
    words = ("--nworkers", 1, "--nthreads", 1, "--no-dashboard", "--no-nanny")
    return dask("worker", address, *words, **options)


def test_workers_that_come_late_are_waited_for(tapes, alone, tmp_path):
    port = free_port()
    address = f"tcp://127.0.0.1:{port}"
    notes = []
    with ExitStack() as stack:

        def started(progress):
            notes.append(progress.note)
            if "waiting for the cluster" in progress.note:
                stack.enter_context(scheduler(port))
            if "waiting for workers" in progress.note:
                stack.enter_context(worker(address))

        scan_rehearsals([tapes], tmp_path, jobs=Cluster(address), progress=started)
    assert any("waiting for the cluster" in note for note in notes)
    assert any("waiting for workers" in note for note in notes)
    assert table(tmp_path) == alone


def test_a_cluster_without_workers_is_one_sentence_after_the_limit(tapes, tmp_path, capfd):
    port = free_port()
    with scheduler(port):
        words = ["--out", str(tmp_path), "--cluster", f"127.0.0.1:{port}", "--wait", "8"]
        began = time.monotonic()
        assert run(["rehearsals", str(tapes), *words]) == 2
        assert time.monotonic() - began < 40
    last = capfd.readouterr().err.splitlines()[-1]
    assert "has no worker after 8 s" in last


def test_a_worker_that_dies_is_survived(tapes, alone, tmp_path):
    port = free_port()
    address = f"tcp://127.0.0.1:{port}"
    with scheduler(port), worker(address) as first, worker(address):

        def kill(progress):
            if progress.files_done == 2:
                first.kill()

        scan_rehearsals([tapes], tmp_path, jobs=Cluster(address), progress=kill)
    assert table(tmp_path) == alone


def test_a_scheduler_that_dies_leaves_the_rest_for_later(tapes, alone, tmp_path, capfd):
    port = free_port()
    address = f"tcp://127.0.0.1:{port}"
    with scheduler(port) as head, worker(address):
        listening(port)

        def kill(progress):
            if progress.files_done == 2:
                head.kill()

        left = scan_rehearsals([tapes], tmp_path, jobs=Cluster(address, wait_s=10), progress=kill)
    assert len(left.unscanned) > 0
    assert left.problems == ()
    assert all("the cluster went away" in line for line in left.unscanned)
    assert left.events + left.possible + len(left.unscanned) == TAKES
    assert scan_rehearsals([tapes], tmp_path, jobs=1).unscanned == ()
    assert table(tmp_path) == alone
    assert "Traceback" not in capfd.readouterr().err


def test_a_scheduler_that_comes_back_is_used_again(tapes, alone, tmp_path):
    port = free_port()
    address = f"tcp://127.0.0.1:{port}"
    with ExitStack() as stack:
        head = stack.enter_context(scheduler(port))
        stack.enter_context(worker(address))

        def kill(progress):
            if progress.files_done == 2 and head.poll() is None:
                head.kill()
                head.wait()
                stack.enter_context(scheduler(port))
                stack.enter_context(worker(address))

        done = scan_rehearsals([tapes], tmp_path, jobs=Cluster(address), progress=kill)
    assert done.unscanned == ()
    assert table(tmp_path) == alone


@pytest.mark.skipif(
    subprocess.run(["openssl", "version"], capture_output=True, check=False).returncode != 0,
    reason="needs openssl",
)
def test_certificates_of_the_clusters_configuration_are_used(tapes, alone, tmp_path, monkeypatch):
    import dask.config as configuration

    key, certificate = tmp_path / "key.pem", tmp_path / "certificate.pem"
    made = f"req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=localhost -keyout {key}"
    subprocess.run(["openssl", *made.split(), "-out", certificate], check=True, capture_output=True)
    both = {f"{role}.{part}": str(file) for role in ("client", "scheduler", "worker")
            for part, file in (("key", key), ("cert", certificate))}  # fmt: skip
    told = {f"distributed.comm.tls.{name}": file for name, file in both.items()}
    told["distributed.comm.tls.ca-file"] = str(certificate)
    told["distributed.comm.require-encryption"] = "True"
    environment = {
        "DASK_" + name.upper().replace(".", "__").replace("-", "_"): value
        for name, value in told.items()
    }
    port = free_port()
    address = f"tls://127.0.0.1:{port}"
    with (
        scheduler(port, environment=environment),
        worker(address, environment=environment),
        configuration.set(told),
    ):
        scan_rehearsals([tapes], tmp_path / "out", jobs=Cluster(address))
    assert table(tmp_path / "out") == alone


@pytest.mark.parametrize("said", [b"", b"SSH-2.0-other\r\n", None])
def test_what_is_no_scheduler_is_one_sentence(tapes, tmp_path, capfd, monkeypatch, said):
    monkeypatch.setattr(executors, "_GREETING_S", 2.0)
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        if said is not None:

            def answer():
                line, _ = other.accept()
                line.sendall(said)
                line.close()

            threading.Thread(target=answer, daemon=True).start()
        address = f"127.0.0.1:{other.getsockname()[1]}"
        words = ["--out", str(tmp_path), "--cluster", address, "--wait", "2"]
        assert run(["rehearsals", str(tapes), *words]) == 2
    assert "does not answer as a scheduler" in capfd.readouterr().err.splitlines()[-1]


def test_the_library_is_as_loud_after_as_before():
    import logging

    logger = logging.getLogger("distributed")
    before = logger.level
    with executors._quiet():
        assert not logger.isEnabledFor(logging.ERROR)
    assert logger.level == before
    assert Path(executors.__file__).exists()
