"""The batch scan: many files, any executor, resumable.

Each finished file is one durable line of the journal in the results' folder, and each finished
piece of a long file one line beside it; tables and pages are made from the whole journal at the
end, in an order that depends on nothing but its content. So a scan that was stopped goes on where
it was, and a scan of new files adds to the old ones.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from shaping.capture.audio import RecordingInfo, inspect
from shaping.capture.metadata import Metadata, read_metadata
from shaping.equaliser.limits import Limits
from shaping.equaliser.limits_file import load_limits
from shaping.errors import CaptureError, ParameterError
from shaping.output import write_text
from shaping.rehearsals.archive.files import Identity, collect, identify, no_recording
from shaping.rehearsals.archive.journal import JournalWriter, locked, prepare_folder, read_journal
from shaping.rehearsals.archive.naming import Naming, naming_for
from shaping.rehearsals.archive.records import (
    forgotten_record,
    goes_on_from,
    gone_record,
    known,
    moved_record,
    scan_record,
    unscanned_record,
    unscanned_records,
)
from shaping.rehearsals.page.whole import rehearsals_page
from shaping.rehearsals.results import Summary, summarise, write_tables
from shaping.rehearsals.scanning.executors import Cluster
from shaping.rehearsals.scanning.pieces import Span, end_of, pieces_of
from shaping.rehearsals.scanning.scan_file import damaged
from shaping.rehearsals.scanning.work import Progress, Settings, Task, run_tasks
from shaping.text.names import shown


@dataclass(frozen=True, slots=True)
class Earlier:
    """What of earlier runs does not count any more.

    Attributes
    ----------
    retry : bool
        Whether damaged recordings are tried again.
    forget : sequence of path-like
        Recordings, or folders of them, of which all results are let go first.
    """

    retry: bool = False
    forget: Sequence[str | os.PathLike[str]] = ()


_KEEP_ALL = Earlier()


def scan_rehearsals(
    paths: Sequence[str | os.PathLike[str]],
    out: str | os.PathLike[str],
    *,
    jobs: int | Cluster | Executor | None = None,
    progress: Callable[[Progress], None] | None = None,
    limits: Limits | None = None,
    naming: Naming | None = None,
    earlier: Earlier = _KEEP_ALL,
) -> Summary:
    """Scan recordings for feedback and write events.csv, summary.json and report.html.

    Parameters
    ----------
    paths : sequence of path-like
        Files and folders. May be empty where something is forgotten.
    out : path-like
        Folder for the results; made if missing. What earlier runs left there is kept and added to.
    jobs : int, Cluster or Executor, optional
        Who does the work: so many processes, all cores by default; the workers of a cluster,
        which needs the extra ``cluster``; or any other executor, which is not shut down.
    progress : callable, optional
        Called at the start, after every piece of a recording, and where something is waited for.
    limits : Limits, optional
        The equaliser that suggested plans are for; four parametric bands by default.
    naming : Naming, optional
        What the channels are called, and which are left out; by default ``names.toml`` in the
        results' folder says, where there is one.
    earlier : Earlier
        What of earlier runs does not count any more; all of it counts by default.

    Returns
    -------
    Summary
        What was written; `Summary.unscanned` tells what is left to scan.

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
    if isinstance(jobs, int) and jobs < 1:
        raise ParameterError(f"jobs={jobs} must be 1 or more; leave it out for all cores")
    if not paths and not earlier.forget:
        raise ParameterError("there is nothing to scan; name recordings or folders")
    folder = Path(out)
    files = collect(paths, without=folder) if paths else []
    prepare_folder(folder)
    with locked(folder):
        named = naming or naming_for(folder)
        journal = JournalWriter(folder)
        try:
            for path in earlier.forget:
                journal.append(forgotten_record(shown(os.path.realpath(path))))
            tasks = _Sorting(read_journal(folder), journal, retry=earlier.retry).tasks(files)
            if tasks:
                run_tasks(tasks, journal, Settings(folder, jobs, progress))
        finally:
            journal.close()
        summary = summarise(
            folder, read_journal(folder), limits or load_limits("parametric-4"), named
        )
        write_tables(summary)
        page = rehearsals_page(summary)
        write_text(folder / "report.html", page, force=True)
        return summary


@dataclass(frozen=True, slots=True)
class _Seen:
    """A recording as it lies there."""

    path: Path
    identity: Identity
    info: RecordingInfo
    metadata: Metadata

    def as_record(self) -> dict[str, Any]:
        """Return what `goes_on_from` compares."""
        return {
            **self.identity.as_record(),
            "sample_rate_hz": self.info.sample_rate_hz,
            "channels": self.info.channels,
            "frames": self.info.frames,
            "first_frame": self.metadata.first_frame,
        }


class _Sorting:
    """Tells what is left to scan; what cannot be is written into the journal at once."""

    def __init__(
        self, records: list[dict[str, Any]], journal: JournalWriter, *, retry: bool
    ) -> None:
        self._journal = journal
        self._known = known(records)
        if retry:
            self._known = {
                key: record
                for key, record in self._known.items()
                if record["state"] == "done" and record["problem"] is None
            }
        self._told = {(r["path"], r["state"], r["problem"]) for r in unscanned_records(records)}
        for record in unscanned_records(records):
            path = Path(record["path"])
            if not os.path.lexists(path) and path.parent.is_dir():
                journal.append(gone_record(record["path"]))
        self._here: dict[str, str] = {}

    def tasks(self, files: Sequence[Path]) -> list[Task]:
        """Return what is left to scan, longest first."""
        tasks = []
        for path in files:
            wrong = no_recording(path)
            if wrong is not None:
                self._tell(path, "skipped", f"{shown(path)}: {wrong}; not a recording")
                continue
            try:
                identity = identify(path)
            except OSError as error:
                self._tell(path, "failed", f"{shown(path)}: {_unreadable(error)}")
                continue
            if not self._is_known(path, identity):
                task = self._task(path, identity)
                if task is not None:
                    tasks.append(task)
        return sorted(tasks, key=lambda task: (-task.work_s, str(task.path)))

    def _is_known(self, path: Path, identity: Identity) -> bool:
        """Tell whether this content is scanned; note where it lies now."""
        if identity.fingerprint in self._here:  # a copy of one of this run
            return True
        self._here[identity.fingerprint] = identity.path
        record = self._known.get(identity.fingerprint)
        if record is None:
            return False
        if record["path"] != identity.path and not _still_there(record):
            self._journal.append(moved_record(record, path, identity))
        return True

    def _task(self, path: Path, identity: Identity) -> Task | None:
        metadata = read_metadata(path)
        try:
            info = inspect(path.absolute())
        except CaptureError as error:
            if same_file(path, identity):
                record = scan_record(path, identity, damaged(str(error)), metadata, None)
                self._journal.append(record)
            else:
                self._tell(path, "failed", f"{shown(path)}: it changed while it was read")
            return None
        seen = _Seen(path, identity, info, metadata)
        before = _before(seen)
        return Task(
            path=path,
            identity=identity,
            info=info,
            metadata=metadata,
            pieces=tuple(pieces_of(info, None if before is None else before[0])),
            after=None if before is None else before[1],
        )

    def _tell(self, path: Path, state: str, problem: str) -> None:
        record = unscanned_record(path, state, problem)
        if (record["path"], state, problem) not in self._told:
            self._journal.append(record)


def same_file(path: Path, identity: Identity) -> bool:
    """Tell whether a file can be read and is what it was when it was identified."""
    try:
        return identify(path) == identity
    except OSError:
        return False


def _still_there(record: dict[str, Any]) -> bool:
    try:
        return bool(identify(Path(record["path"])).fingerprint == record["fingerprint"])
    except (OSError, ValueError):
        return False


def _before(seen: _Seen) -> tuple[Span, str] | None:
    """Return the end of the file that a split recording goes on from, and its fingerprint."""
    for stem in _stems_before(seen.path.stem):
        other = seen.path.with_name(stem + seen.path.suffix)
        try:
            if not other.is_file():
                continue
            early = _Seen(other, identify(other), inspect(other.absolute()), read_metadata(other))
        except (OSError, CaptureError):
            continue
        if goes_on_from(seen.as_record(), early.as_record()):
            return end_of(early.info), early.identity.fingerprint
    return None


def _stems_before(stem: str) -> list[str]:
    """Return what the file before may be called, where a name ends in a number."""
    head = stem.rstrip("0123456789")
    number = stem[len(head) :]
    if not number or len(number) > 9 or int(number) == 0:
        return []
    before = str(int(number) - 1)
    return list(
        dict.fromkeys([head + before.zfill(len(number)), head + before, head.rstrip(" _-.")])
    )


def _unreadable(error: OSError) -> str:
    return f"cannot be read ({error.strerror or error}); check the drive and the permissions"
