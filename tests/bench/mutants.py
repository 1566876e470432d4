"""How many small changes of the code the default suite notices.

    python tests/bench/mutants.py [--count 300] [--seed 1] [--only WORD] [--jobs 1]
                                     [--minutes M] [--work DIR]

Draws changes of the deciding rooms (`mutant_sites`), and for each runs the tests of the default
suite that reach the changed line (`reach`), the short ones first and until one fails. A test that
cannot reach a line cannot tell, so the share is that of the whole suite. A run that takes several
times its usual time, or much memory, counts as noticed too.

Works on copies of the tree, never in it. Stopped and started again with the same words it goes on
where it was; a change of the tree starts anew. 300 changes take about an hour on one core.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import json
import math
import os
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import pytest
from mutant_sites import ROOMS, Mutant, sample
from reach import Reach, record
from scipy.stats import binomtest

ROOT = Path(__file__).resolve().parents[2]
COPIED = (
    *("shaping", "tests", "audio_samples", "notebooks", ".ci"),
    *("README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", ".gitignore"),
)
"""What the suite needs of the tree."""

TARGET = 0.85

_LIMIT_TIMES, _LIMIT_S = 6.0, 30.0  # a run that takes so much longer than usual hangs
_MEMORY_BYTES = 8 * 2**30
_CONTROLS, _CONTROL_S = 6, 15.0  # so many runs on unchanged code, none of them long
_NOTHING_RAN = (pytest.ExitCode.USAGE_ERROR, pytest.ExitCode.NO_TESTS_COLLECTED)


@dataclass
class Slot:
    """A copy of the tree, and the mutant that is tried in it."""

    root: Path
    mutant: Mutant | None = None
    original: bytes = b""
    times: tuple[int, int] = (0, 0)
    process: int = 0
    until: float = 0.0

    def start(
        self, mutant: Mutant, tests: list[str], limit_s: float, *, changed: bool = True
    ) -> None:
        """Change the copy, or not, and begin the tests in a process of their own."""
        file = self.root / mutant.path
        self.mutant, self.original = mutant, file.read_bytes()
        self.times = file.stat().st_atime_ns, file.stat().st_mtime_ns
        if changed:
            file.write_text(mutant.source(self.root), encoding="utf-8")
        self.until = time.monotonic() + limit_s
        sys.stdout.flush()
        self.process = os.fork()
        if self.process == 0:
            os._exit(_tested(self.root, tests))

    def outcome(self) -> str | None:
        """Return what became of it, None while it runs; then the copy is whole again."""
        assert self.mutant is not None
        done, status = os.waitpid(self.process, os.WNOHANG)
        if not done and time.monotonic() < self.until:
            return None
        found = "time" if not done else "survived" if status == 0 else "failed"
        with contextlib.suppress(ProcessLookupError):  # what its tests may have left behind
            os.killpg(self.process, signal.SIGKILL)
        if not done:
            os.waitpid(self.process, 0)
        file = self.root / self.mutant.path
        file.write_bytes(self.original)
        os.utime(file, ns=self.times)  # so that its bytecode holds again
        self.mutant = None
        return found


def _tested(root: Path, tests: list[str]) -> int:
    """Run tests until one fails; return 0 if none does."""
    os.setsid()
    os.chdir(root)
    resource.setrlimit(resource.RLIMIT_AS, (_MEMORY_BYTES, _MEMORY_BYTES))
    quiet = os.open(str(root.with_suffix(".log")), os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(quiet, 1)
    os.dup2(quiet, 2)
    words = ["-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", "--no-header", "--tb=short"]
    words.append(f"--basetemp={root.with_suffix('.tmp')}")
    code = pytest.main([*words, *tests])
    if code in _NOTHING_RAN:  # names of tests that hang on the changed value: take whole files
        code = pytest.main([*words, *dict.fromkeys(t.split("::")[0] for t in tests)])
    return 1 if code else 0


def _tests_for(mutant: Mutant, reach: Reach) -> tuple[list[str], float]:
    """Return the tests for a mutant, its own room's and the short ones first, and their time."""
    reaching = reach.tests(mutant.path, mutant.line)
    own = f"tests/{mutant.room}/"

    def rank(test: str) -> tuple[float, str]:
        return reach.seconds[test] * (1 if test.startswith(own) else 3), test

    return sorted(reaching, key=rank), sum(reach.seconds[test] for test in reaching)


def _fingerprint(tree: Path) -> str:
    digest = hashlib.sha256()
    for part in ("shaping", "tests"):
        for path in sorted((tree / part).rglob("*")):
            if path.suffix in (".py", ".toml", ".html", ".json") and "bench" not in path.parts:
                digest.update(path.relative_to(tree).as_posix().encode() + path.read_bytes())
    return digest.hexdigest()[:12]


def _copy(source: Path, target: Path) -> Path:
    shutil.rmtree(target, ignore_errors=True)
    target.mkdir(parents=True)
    unwanted = shutil.ignore_patterns("__pycache__", ".*_cache")
    for name in COPIED:
        if (source / name).is_dir():
            shutil.copytree(source / name, target / name, ignore=unwanted)
        elif (source / name).exists():
            shutil.copy2(source / name, target / name)
    return target


def _prepare(slots: list[Slot]) -> None:
    """Compile all there is and load what is not ours, so that each run starts at once."""
    os.environ |= {"OPENBLAS_NUM_THREADS": "1", "MPLBACKEND": "Agg"}
    for slot in slots:
        words = [sys.executable, "-m", "pytest", "-q", "--collect-only", "-p", "no:cacheprovider"]
        subprocess.run(words, cwd=slot.root, stdout=subprocess.DEVNULL, check=False)
    os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
    sys.dont_write_bytecode = True
    for name in ("scipy.signal", "scipy.optimize", "scipy.stats", "matplotlib.pyplot", "soundfile"):
        __import__(name)
    for name in ("rich.console", "click", "jinja2"):
        __import__(name)


def run(
    count: int,
    seed: int,
    *,
    only: str = "",
    jobs: int = 1,
    work: Path | None = None,
    minutes: float = math.inf,
) -> dict[str, str]:
    """Try mutants; return what became of each, by its key.

    After so many `minutes` no further one is begun. The order is drawn too, so those tried are a
    fair sample, only a smaller one.
    """
    work = work or Path(tempfile.gettempdir()) / "shaping-mutants"
    tree = _copy(ROOT, work / "tree")
    print("which test reaches which line: what changed is run under coverage", file=sys.stderr)
    record(tree, work / "map", jobs=jobs)
    reach = Reach(tree, work / "map")
    if reach.failed:
        told = "\n  ".join(reach.failed)
        print(f"left out, for they fail before any change:\n  {told}", file=sys.stderr)
    mutants = sample(tree, count, seed, word=only)
    journal = work / f"outcomes-{_fingerprint(tree)}.jsonl"
    known = _known(journal)
    waiting = [mutant for mutant in mutants if mutant.key not in known]
    slots = [Slot(_copy(tree, work / f"slot{n}")) for n in range(jobs if waiting else 0)]
    _prepare(slots)
    for slot in slots:
        _control(slot, waiting, reach)
    last = time.monotonic() + 60 * minutes
    while waiting or any(slot.mutant for slot in slots):
        for slot in slots:
            if slot.mutant is not None:
                mutant, found = slot.mutant, slot.outcome()
                if found is not None:
                    _note(journal, known, mutant, found)
            if time.monotonic() > last:
                waiting.clear()
            if slot.mutant is None and waiting:
                _begin(slot, waiting.pop(), reach, journal, known)
        time.sleep(0.05)
    for slot in slots:
        shutil.rmtree(slot.root, ignore_errors=True)
    return {mutant.key: known[mutant.key] for mutant in mutants if mutant.key in known}


def _begin(slot: Slot, mutant: Mutant, reach: Reach, journal: Path, known: dict[str, str]) -> None:
    tests, usual_s = _tests_for(mutant, reach)
    if tests:
        os.environ["PYTHONPATH"] = str(slot.root)
        slot.start(mutant, tests, _LIMIT_S + _LIMIT_TIMES * usual_s)
    else:
        _note(journal, known, mutant, "not reached")


def _known(journal: Path) -> dict[str, str]:
    known: dict[str, str] = {}
    if journal.exists():
        for line in journal.read_text(encoding="utf-8").splitlines():
            known |= json.loads(line)
    return known


def _control(slot: Slot, mutants: list[Mutant], reach: Reach) -> None:
    """Make sure that the tests pass where nothing is changed: else all would seem noticed."""
    os.environ["PYTHONPATH"] = str(slot.root)
    known = {mutant: _tests_for(mutant, reach) for mutant in mutants[:_CONTROLS]}
    for mutant, (tests, usual_s) in known.items():
        if not tests or usual_s > _CONTROL_S:
            continue
        slot.start(mutant, tests, _LIMIT_S + _LIMIT_TIMES * usual_s, changed=False)
        while (found := slot.outcome()) is None:
            time.sleep(0.05)
        if found != "survived":
            log = slot.root.with_suffix(".log")
            raise SystemExit(f"tests fail in the copy although nothing is changed: see {log}")


def _note(journal: Path, known: dict[str, str], mutant: Mutant, found: str) -> None:
    known[mutant.key] = found
    with journal.open("a", encoding="utf-8") as stream:
        stream.write(json.dumps({mutant.key: found}) + "\n")
    print(f"{found:12} {mutant.key}", file=sys.stderr, flush=True)


def _noticed(found: str) -> bool:
    return found in ("failed", "time")


def measure(*, quick: bool = False) -> dict[str, float]:
    """Return the figures for the table of promises."""
    results = run(40 if quick else 300, seed=1)
    killed = sum(map(_noticed, results.values()))
    interval = binomtest(killed, len(results)).proportion_ci()
    return {
        "killed": killed,
        "sampled": len(results),
        "share": killed / len(results),
        "low": float(interval.low),
        "high": float(interval.high),
    }


def main() -> int:
    """Print the share, its exact 95 % interval, and what nothing noticed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", metavar="WORD", help="modules whose path holds it")
    parser.add_argument("--jobs", type=int, default=1, help="at a time")
    parser.add_argument("--work", type=Path, help="folder for copies and the journal")
    parser.add_argument("--minutes", type=float, default=math.inf, help="begin none after so long")
    options = parser.parse_args()
    results = run(
        options.count,
        options.seed,
        only=options.only,
        jobs=options.jobs,
        work=options.work,
        minutes=options.minutes,
    )
    drawn = sample(ROOT, options.count, options.seed, word=options.only)
    mutants = [mutant for mutant in drawn if mutant.key in results]
    killed = sum(map(_noticed, results.values()))
    interval = binomtest(killed, len(results)).proportion_ci()
    print(
        f"killed {killed} of {len(results)}: {killed / len(results):.1%} "
        f"(95 % interval {interval.low:.1%} to {interval.high:.1%}, exact)"
    )
    print(", ".join(f"{found}: {n}" for found, n in Counter(results.values()).most_common()))
    for room in ROOMS:
        inside = [results[m.key] for m in mutants if m.room == room]
        print(f"{room}: {sum(map(_noticed, inside))} of {len(inside)}")
    for mutant in sorted(mutants, key=lambda m: (m.path, m.line)):
        if not _noticed(results[mutant.key]):
            print(f"{mutant.path}:{mutant.line}: {mutant.change(ROOT)}  ({results[mutant.key]})")
    return int(killed < TARGET * len(results))


if __name__ == "__main__":
    sys.exit(main())
