"""The work of a scan: pieces through an executor, each result on the disk at once.

Only what was scanned, or is damaged in the file itself, is settled. A worker that dies, a cluster
that goes away or a drive that is unplugged leaves a recording to be tried again.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    CancelledError,
    Executor,
    Future,
    wait,
)
from dataclasses import dataclass, field
from pathlib import Path

from shaping.capture.audio import RecordingInfo
from shaping.capture.metadata import Metadata
from shaping.errors import ParameterError
from shaping.rehearsals.archive.files import Identity, identify
from shaping.rehearsals.archive.journal import JournalWriter, drop_pieces, read_pieces
from shaping.rehearsals.archive.records import VERSION, scan_record, unscanned_record
from shaping.rehearsals.scanning import executors
from shaping.rehearsals.scanning.pieces import Piece, PieceScan, scan_piece
from shaping.rehearsals.scanning.scan_file import assembled, damaged
from shaping.text.names import briefly, shown

_LOOK_EVERY_S = 2.0  # how long a worker that died goes unnoticed
_TRIES = 3
"""How often a cluster that goes away is asked again."""


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
        Estimated time left; None before the first piece.
    file : str
        The file that was worked on last, or an empty string.
    note : str
        What is waited for, or an empty string.
    """

    files_done: int
    files_total: int
    audio_done_s: float
    audio_total_s: float
    elapsed_s: float
    remaining_s: float | None
    file: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Task:
    """One recording to scan.

    Attributes
    ----------
    path : Path
        As the person named it.
    identity : Identity
        Its content.
    info : RecordingInfo
        Its header.
    metadata : Metadata
        What the recorder wrote into it.
    pieces : tuple of Piece
        All of it.
    after : str or None
        Fingerprint of the file it goes on from.
    """

    path: Path
    identity: Identity
    info: RecordingInfo
    metadata: Metadata
    pieces: tuple[Piece, ...]
    after: str | None

    @property
    def work_s(self) -> float:
        """Seconds of recording times channels."""
        return self.info.duration_s * self.info.channels


@dataclass(frozen=True, slots=True)
class Settings:
    """How the work is done; see `shaping.rehearsals.scan.scan_rehearsals`."""

    out: Path
    jobs: int | executors.Cluster | Executor | None
    progress: Callable[[Progress], None] | None


@dataclass(eq=False)
class _Open:
    """A recording of which not all pieces are scanned."""

    task: Task
    done: dict[int, PieceScan] = field(default_factory=dict)
    failed: bool = False


Job = tuple[_Open, Piece]


def run_tasks(tasks: list[Task], journal: JournalWriter, settings: Settings) -> None:
    """Scan recordings and write them into the journal."""
    run = _Run(tasks, journal, settings)
    jobs = run.jobs()
    run.tell("")
    if not jobs:
        return
    if isinstance(settings.jobs, executors.Cluster):
        lost = run.on_cluster(settings.jobs, jobs)
    elif isinstance(settings.jobs, Executor):
        lost = run.drain(settings.jobs, jobs)
    else:
        workers = min(settings.jobs or executors.cores(), len(jobs))
        if workers == 1:
            lost = run.drain(executors.Here(), jobs)
        else:
            with executors.processes(workers) as pool:
                lost = run.drain(pool, jobs)
    # A worker died: each piece that was in hand gets a process of its own.
    run.alone(lost)


class _Run:
    def __init__(self, tasks: list[Task], journal: JournalWriter, settings: Settings) -> None:
        self._journal = journal
        self._settings = settings
        self._open = [_Open(task) for task in tasks]
        self._began = time.monotonic()
        self._total_s = sum(task.work_s for task in tasks)
        self._done_s = self._known_s = 0.0
        self._finished = 0
        self._cluster_gone = False
        jobs = settings.jobs
        self._wait_s = jobs.wait_s if isinstance(jobs, executors.Cluster) else executors.WAIT_S
        self._suspects: list[Job] = []

    def jobs(self) -> list[Job]:
        """Return the pieces that are left, once those on the disk are counted."""
        for recording in self._open:
            self._resume(recording)
        self._known_s = self._done_s
        return [
            (recording, piece)
            for recording in self._open
            for piece in recording.task.pieces
            if piece.number not in recording.done
        ]

    def drain(self, executor: Executor, jobs: Iterable[Job]) -> list[Job]:
        """Feed pieces through; return those lost because a worker died or a cluster went away."""
        lost: list[Job] = []
        waiting = iter(jobs)
        pending: dict[Future[PieceScan], Job] = {}
        # A bounded window: the executor never holds more than a few results.
        window = 1 if isinstance(executor, executors.Here) else 64
        deserted_since: float | None = None
        try:
            while True:
                self._submit(executor, waiting, pending, window, lost)
                if not pending:
                    return lost
                ready, _ = wait(pending, timeout=_LOOK_EVERY_S, return_when=FIRST_COMPLETED)
                for future in ready:
                    self._take(future, pending.pop(future), lost)
                if ready or executors.has_workers(executor):
                    deserted_since = None
                elif deserted_since is None:
                    # A worker may come back, or the scheduler's end be told any moment.
                    deserted_since = time.monotonic()
                    self.tell(
                        f"the cluster has no workers; waiting for one, {self._wait_s:g} s at most"
                    )
                elif time.monotonic() - deserted_since > self._wait_s:
                    self._cluster_gone = True
                    lost += [*pending.values(), *waiting]
                    _cancel(pending)
                    return lost
        except BaseException:
            _cancel(pending)
            raise

    def _submit(
        self,
        executor: Executor,
        waiting: Iterator[Job],
        pending: dict[Future[PieceScan], Job],
        window: int,
        lost: list[Job],
    ) -> None:
        """Hand out pieces until so many are in hand."""
        while len(pending) < window:
            job = next(waiting, None)
            if job is None:
                return
            if job[0].failed:
                continue
            try:
                future = executor.submit(scan_piece, job[1])
            except Exception:  # a pool that broke, or a cluster that closed
                lost.append(job)
                continue
            pending[future] = job

    def on_cluster(self, cluster: executors.Cluster, jobs: list[Job]) -> list[Job]:
        """Feed pieces through a cluster, which may go away and come back."""
        with executors.cluster(cluster.address, cluster.wait_s, self.tell) as executor:
            lost = self.drain(executor, jobs)
        for _ in range(_TRIES - 1):
            if not lost or self._cluster_gone:
                break
            self.tell(f"the cluster at {cluster.address} went away; asking it again")
            try:
                with executors.cluster(cluster.address, cluster.wait_s, self.tell) as executor:
                    lost = self.drain(executor, lost)
            except ParameterError:
                break
        for recording, _ in lost:
            self._fail(recording, "the cluster went away before it was scanned; run again")
        return self._suspects

    def alone(self, jobs: list[Job]) -> None:
        """Scan pieces one by one, each in a process of its own."""
        for recording, piece in jobs:
            if recording.failed:
                continue
            with executors.processes(1) as own:
                again = self.drain(own, [(recording, piece)])
            if again:
                self._fail(recording, "the scan of this file was killed; is memory short?")

    def tell(self, note: str, file: str = "") -> None:
        """Say how far the scan is."""
        if self._settings.progress is None:
            return
        elapsed = time.monotonic() - self._began
        here_s = self._done_s - self._known_s
        left = elapsed * (self._total_s - self._done_s) / here_s if here_s > 0 else None
        self._settings.progress(
            Progress(
                files_done=self._finished,
                files_total=len(self._open),
                audio_done_s=self._done_s,
                audio_total_s=self._total_s,
                elapsed_s=elapsed,
                remaining_s=left,
                file=file,
                note=note,
            )
        )

    def _take(self, future: Future[PieceScan], job: Job, lost: list[Job]) -> None:
        recording, piece = job
        try:
            result = future.result()
        except (BrokenExecutor, CancelledError):
            lost.append(job)
            return
        except Exception as error:  # one file must not end the scan of the others
            if type(error).__name__ == "KilledWorker":  # the piece brought down several workers
                self._suspects.append(job)
            elif isinstance(error, OSError):  # the line to the cluster
                lost.append(job)
            else:
                self._fail(recording, f"could not be scanned ({briefly(error)}); please report")
            return
        if recording.failed:
            return
        if result.failure is not None:
            self._fail(recording, f"cannot be read ({result.failure}); check the drive")
        elif result.damage is not None and not self._unchanged(recording):
            self._fail(recording, "changed, or could not be read any more, while it was scanned")
        else:
            self._settle(recording, piece, result)

    def _settle(self, recording: _Open, piece: Piece, result: PieceScan) -> None:
        # As the journal keeps it, so that a resumed scan ends the same.
        result = PieceScan.from_record(result.as_record())
        recording.done[piece.number] = result
        self._count(recording, piece)
        task = recording.task
        if len(recording.done) == len(task.pieces):
            self._finish(recording)
        else:
            pieces = JournalWriter(self._settings.out, task.identity.fingerprint)
            try:
                pieces.append(_piece_record(task, piece, result))
            finally:
                pieces.close()
        self.tell("", str(task.path))

    def _finish(self, recording: _Open) -> None:
        task = recording.task
        scans = [recording.done[piece.number] for piece in task.pieces]
        result = assembled(task.info, scans)
        if result.frames == 0:
            result = damaged(result.problem or "nothing of it could be read")
        self._journal.append(
            scan_record(task.path, task.identity, result, task.metadata, task.after)
        )
        drop_pieces(self._settings.out, task.identity.fingerprint)
        self._finished += 1

    def _resume(self, recording: _Open) -> None:
        task = recording.task
        if len(task.pieces) == 1:
            return
        by_number = {piece.number: piece for piece in task.pieces}
        for record in read_pieces(self._settings.out, task.identity.fingerprint):
            number = record.get("piece")
            piece = by_number.get(number) if isinstance(number, int) else None
            if piece is None or piece.number in recording.done:
                continue
            try:
                result = PieceScan.from_record(record)
            except (KeyError, TypeError, ValueError):
                continue
            if record == _piece_record(task, piece, result):
                recording.done[piece.number] = result
                self._count(recording, piece)
        if len(recording.done) == len(task.pieces):
            self._finish(recording)

    def _count(self, recording: _Open, piece: Piece) -> None:
        info = recording.task.info
        seconds = (piece.span.stop - piece.span.first) / info.sample_rate_hz
        self._done_s += seconds * info.channels

    def _unchanged(self, recording: _Open) -> bool:
        try:
            return identify(recording.task.path) == recording.task.identity
        except OSError:
            return False

    def _fail(self, recording: _Open, why: str) -> None:
        if recording.failed:
            return
        recording.failed = True
        self._finished += 1
        path = recording.task.path
        self._journal.append(unscanned_record(path, "failed", f"{shown(path)}: {why}"))
        self.tell("", str(path))


def _cancel(pending: Iterable[Future[PieceScan]]) -> None:
    for future in pending:
        future.cancel()


def _piece_record(task: Task, piece: Piece, result: PieceScan) -> dict[str, object]:
    return {
        "version": VERSION,
        "piece": piece.number,
        "of": len(task.pieces),
        "first": piece.span.first,
        "stop": piece.span.stop,
        "lead": None if piece.lead is None else [Path(piece.lead.path).name, piece.lead.first],
        **result.as_record(),
    }
