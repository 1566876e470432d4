"""The batch scan: many files, any executor, resumable.

Each finished file is one durable line of the journal in the results' folder; tables and pages are
made from the whole journal at the end, in an order that depends on nothing but its content. So a
scan that was stopped goes on where it was, and a scan of new files adds to the old ones.
"""

from __future__ import annotations

import multiprocessing
import os
import signal as signals
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    Executor,
    Future,
    ProcessPoolExecutor,
    wait,
)
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from shaping.capture.audio import inspect
from shaping.equaliser.limits import Limits
from shaping.equaliser.limits_file import load_limits
from shaping.errors import CaptureError, ParameterError
from shaping.output import write_text
from shaping.rehearsals.files import Identity, collect, identify, recorded_on
from shaping.rehearsals.journal import JournalWriter, locked, prepare_folder, read_journal
from shaping.rehearsals.page import rehearsals_page
from shaping.rehearsals.results import Summary, summarise, write_tables
from shaping.rehearsals.scan_file import BLOCK_FRAMES, FileScan, scan_file
from shaping.text.names import shown

T = TypeVar("T")

VERSION = 1
"""Of the journal's records; a change that makes old results wrong raises it."""


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the scan is.

    Attributes
    ----------
    files_done, files_total : int
        Files of this run; those already in the journal are not counted.
    audio_done_s, audio_total_s : float
        Seconds of recording times channels.
    elapsed_s : float
        Time since the scan began.
    remaining_s : float or None
        Estimated time left; None before the first file.
    file : str
        The file that was finished last, or an empty string.
    """

    files_done: int
    files_total: int
    audio_done_s: float
    audio_total_s: float
    elapsed_s: float
    remaining_s: float | None
    file: str


@dataclass(frozen=True, slots=True)
class _Task:
    path: Path
    identity: Identity
    work_s: float


class _HereExecutor(Executor):
    """Runs every call at once, in this process."""

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        future: Future[T] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future


def scan_rehearsals(
    paths: Sequence[str | os.PathLike[str]],
    out: str | os.PathLike[str],
    *,
    jobs: int | None = None,
    cluster: str | None = None,
    executor: Executor | None = None,
    progress: Callable[[Progress], None] | None = None,
    limits: Limits | None = None,
    block_frames: int = BLOCK_FRAMES,
) -> Summary:
    """Scan recordings for feedback and write events.csv, summary.json and report.html.

    Parameters
    ----------
    paths : sequence of path-like
        Files and folders.
    out : path-like
        Folder for the results; made if missing. What earlier runs left there is kept and added to.
    jobs : int, optional
        Processes; all cores by default.
    cluster : str, optional
        Address of a Dask scheduler whose workers see the same paths; needs the extra ``cluster``.
    executor : Executor, optional
        Any other executor to do the work; it is not shut down.
    progress : callable, optional
        Called at the start and after every file.
    limits : Limits, optional
        The equaliser that suggested plans are for; four parametric bands by default.
    block_frames : int
        Frames per block of reading; results do not depend on it.

    Returns
    -------
    Summary
        What was written.

    Raises
    ------
    CaptureError
        If a path does not exist, or nothing to scan is found.
    OutputError
        If the results cannot be written, or another scan is writing there.
    ParameterError
        If an option makes no sense, or the cluster cannot be reached.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as out:
    ...     summary = scan_rehearsals(["audio_samples/first_row_mains.flac"], out, jobs=1)
    >>> summary.files
    1
    """
    if jobs is not None and jobs < 1:
        raise ParameterError(f"jobs={jobs} must be 1 or more; leave it out for all cores")
    folder = Path(out)
    files = collect(paths, without=folder)
    prepare_folder(folder)
    with locked(folder):
        journal = JournalWriter(folder)
        try:
            tasks = _tasks(files, read_journal(folder), journal)
            if tasks:
                workers = min(jobs or _cores(), len(tasks))
                _run(tasks, journal, executor, cluster, workers, progress, block_frames)
        finally:
            journal.close()
        summary = summarise(folder, read_journal(folder), limits or load_limits("parametric-4"))
        write_tables(summary)
        page = rehearsals_page(summary)
        write_text(folder / "report.html", page, force=True)
        return summary


def _tasks(
    files: Sequence[Path], records: list[dict[str, Any]], journal: JournalWriter
) -> list[_Task]:
    """Return what is left to scan, longest first; report what cannot be opened."""
    done = {(r["path"], r["fingerprint"]) for r in records if r.get("version") == VERSION}
    moved = {r["fingerprint"] for r in records if not Path(r["path"]).exists()}
    tasks = []
    for path in files:
        try:
            identity = identify(path)
        except OSError as error:
            name = shown(path)
            identity = Identity(shown(path.absolute()), 0, 0, "", "")
            problem = f"{name}: cannot be read ({error.strerror}); check the drive"
            if (identity.path, "") not in done:
                journal.append(_record(path, identity, FileScan(0, 0, 0.0, (), problem)))
            continue
        if (identity.path, identity.fingerprint) in done or identity.fingerprint in moved:
            continue
        try:
            info = inspect(path)
            work_s = info.duration_s * info.channels
        except CaptureError:
            work_s = 0.0  # reported when its turn comes
        tasks.append(_Task(path, identity, work_s))
    return sorted(tasks, key=lambda task: (-task.work_s, str(task.path)))


def _run(
    tasks: list[_Task],
    journal: JournalWriter,
    executor: Executor | None,
    cluster: str | None,
    workers: int,
    progress: Callable[[Progress], None] | None,
    block_frames: int,
) -> None:
    began = time.monotonic()
    total_s = sum(task.work_s for task in tasks)
    done_s, done = 0.0, 0

    def finished(task: _Task, result: FileScan) -> None:
        nonlocal done_s, done
        journal.append(_record(task.path, task.identity, result))
        done_s, done = done_s + task.work_s, done + 1
        if progress is not None:
            elapsed = time.monotonic() - began
            left = elapsed * (total_s - done_s) / done_s if done_s > 0 else None
            progress(Progress(done, len(tasks), done_s, total_s, elapsed, left, str(task.path)))

    if progress is not None:
        progress(Progress(0, len(tasks), 0.0, total_s, 0.0, None, ""))
    if executor is not None:
        lost = _drain(executor, tasks, finished, block_frames)
    else:
        with _executor(cluster, workers) as chosen:
            lost = _drain(chosen, tasks, finished, block_frames)
    for task in lost:  # a worker died: each file that was in hand gets a process of its own
        with _executor(None, 2) as alone:
            again = _drain(alone, [task], finished, block_frames)
        if again:
            problem = f"{shown(task.path)}: the scan of this file was killed; is memory short?"
            finished(task, FileScan(0, 0, 0.0, (), problem))


def _drain(
    executor: Executor,
    tasks: list[_Task],
    finished: Callable[[_Task, FileScan], None],
    block_frames: int,
) -> list[_Task]:
    """Feed the tasks through; return those lost because a worker died."""
    lost: list[_Task] = []
    waiting = iter(tasks)
    pending: dict[Future[FileScan], _Task] = {}
    # A bounded window: the executor never holds more than a few results.
    window = 1 if isinstance(executor, _HereExecutor) else 64
    try:
        while True:
            for task in waiting:
                try:
                    pending[executor.submit(scan_file, str(task.path), block_frames)] = task
                except BrokenExecutor:
                    lost.append(task)
                if len(pending) >= window:
                    break
            if not pending:
                return lost
            ready, _ = wait(pending, return_when=FIRST_COMPLETED)
            for future in ready:
                task = pending.pop(future)
                try:
                    result = future.result()
                except BrokenExecutor:
                    lost.append(task)
                    continue
                except Exception as error:  # one file must not end the scan of the others
                    problem = f"{shown(task.path)}: could not be scanned ({error!r}); please report"
                    result = FileScan(0, 0, 0.0, (), problem)
                finished(task, result)
    except BaseException:
        for future in pending:
            future.cancel()
        raise


@contextmanager
def _executor(cluster: str | None, workers: int) -> Iterator[Executor]:
    if cluster is not None:
        with _cluster_executor(cluster) as executor:
            yield executor
        return
    if workers == 1:
        yield _HereExecutor()
        return
    pool = ProcessPoolExecutor(
        workers, mp_context=multiprocessing.get_context("spawn"), initializer=_prepare_worker
    )
    try:
        yield pool
    except BaseException:
        processes = list((getattr(pool, "_processes", None) or {}).values())
        pool.shutdown(wait=False, cancel_futures=True)
        for process in processes:
            process.terminate()
        raise
    else:
        pool.shutdown()


@contextmanager
def _cluster_executor(address: str) -> Iterator[Executor]:
    try:
        from distributed import Client
    except ImportError:
        raise ParameterError(
            "--cluster needs the extra `cluster`; install it with: pip install 'shaping[cluster]'"
        ) from None
    try:
        client: Any = Client(address, timeout="10s")  # type: ignore[no-untyped-call,unused-ignore]
    except (OSError, TimeoutError, ValueError) as error:
        raise ParameterError(
            f"the cluster at {address} cannot be reached ({error}); check that its scheduler runs"
        ) from None
    with client, client.get_executor() as executor:
        yield executor


def _prepare_worker() -> None:
    """Leave Ctrl-C to the parent, and end with the parent however that ends."""
    signals.signal(signals.SIGINT, signals.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def follow() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=follow, daemon=True).start()


def _cores() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _record(path: Path, identity: Identity, result: FileScan) -> dict[str, Any]:
    return {
        "version": VERSION,
        **identity.as_record(),
        "file": shown(path),
        "recorded_on": recorded_on(path.absolute(), identity.modified_ns).isoformat(),
        "sample_rate_hz": result.sample_rate_hz,
        "channels": result.channels,
        "duration_s": round(result.duration_s, 6),
        "problem": result.problem,
        "events": [event.as_record() for event in result.events],
    }
