"""Which tests of the default suite reach which line.

As a pytest plugin (``-p reach``) it names, for coverage, the test, the shared fixture or the file
of tests whose code runs, and notes how long each test takes. Coverage is started by the
environment in every process, children of tests included, which carry the name of their test in
PYTEST_CURRENT_TEST.

`Reach` reads the result. A line that runs when its module is imported, such as a constant, is
reached by the tests that reach a line on which one of its names stands, and so on.
"""

from __future__ import annotations

import ast
import gc
import hashlib
import json
import os
import re
import subprocess
import sys
from collections.abc import Generator, Iterator
from functools import _lru_cache_wrapper
from pathlib import Path

import coverage
import pytest

BENCH = Path(__file__).resolve().parent
_FIXTURE, _FILE = "fixture ", "file "


# --- the plugin ---------------------------------------------------------------------------------


def _name(context: str) -> None:
    current = coverage.Coverage.current()
    if current is not None:
        current.switch_context(context)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
    """Name the test, and forget what earlier ones left in the package's caches."""
    for found in gc.get_objects():
        if isinstance(found, _lru_cache_wrapper) and found.__module__.startswith("shaping"):
            found.cache_clear()
    _name(item.nodeid)
    result = yield
    _name("")
    return result


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, object, object]:
    """Name the file of tests whose own top is run."""
    if isinstance(collector, pytest.Module):
        _name(_FILE + collector.nodeid)
    result = yield
    _name("")
    return result


@pytest.hookimpl(wrapper=True)
def pytest_fixture_setup(
    fixturedef: pytest.FixtureDef[object], request: pytest.FixtureRequest
) -> Generator[None, object, object]:
    """Name a fixture that several tests share."""
    if fixturedef.scope != "function":
        _name(_FIXTURE + fixturedef.argname)
    result = yield
    _name(os.environ.get("PYTEST_CURRENT_TEST", "").rsplit(" ", 1)[0])
    return result


def pytest_collection_finish(session: pytest.Session) -> None:
    """Keep which fixtures each test uses, those of fixtures included."""
    names = {item.nodeid: list(getattr(item, "fixturenames", ())) for item in session.items}
    target = Path(os.environ["REACH_FOLDER"]) / "fixtures.json"
    part = target.with_suffix(f".{os.getpid()}")
    part.write_text(json.dumps({"fixtures": names}), encoding="utf-8")
    if names:
        part.replace(target)


def pytest_configure(config: pytest.Config) -> None:
    """Keep the times of all tests in the process that hears of all of them."""
    if not hasattr(config, "workerinput"):
        config.pluginmanager.register(_Times(), "times")


class _Times:
    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self.failed: list[str] = []

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.seconds[report.nodeid] = self.seconds.get(report.nodeid, 0.0) + report.duration
        if report.failed:
            self.failed.append(report.nodeid)

    def pytest_sessionfinish(self) -> None:
        text = json.dumps({"seconds": self.seconds, "failed": dict.fromkeys(self.failed, True)})
        (Path(os.environ["REACH_FOLDER"]) / "times.json").write_text(text, encoding="utf-8")


# --- making and reading the map -----------------------------------------------------------------


def record(root: Path, folder: Path, *, jobs: int) -> None:
    """Note in a folder which lines each test of the default suite reaches.

    Tests whose files are as they were when last noted are not run again.
    """
    folder.mkdir(parents=True, exist_ok=True)
    states = folder / "states.json"
    old = json.loads(states.read_text(encoding="utf-8")) if states.exists() else {}
    new = _states(root)
    if any(new.get(name) != digest for name, digest in old.items() if not _holds_tests(name)):
        old = {}
        (folder / "reached").unlink(missing_ok=True)
    changed = sorted(name for name in new if _holds_tests(name) and old.get(name) != new[name])
    if not changed:
        return
    for part in folder.glob("part*"):
        part.unlink()
    settings = folder / "coveragerc"
    settings.write_text(
        f"[run]\nsource = {root / 'shaping'}\ndata_file = {folder / 'part'}\nparallel = true\n"
        "context = ${PYTEST_CURRENT_TEST-}\n"
        "disable_warnings = no-data-collected,module-not-measured\n",
        encoding="utf-8",
    )
    environment = os.environ | {
        "COVERAGE_PROCESS_START": str(settings),
        "PYTHONPATH": f"{root}{os.pathsep}{BENCH}",
        "REACH_FOLDER": str(folder),
        "OPENBLAS_NUM_THREADS": "1",
        "MPLBACKEND": "Agg",
    }
    words = [sys.executable, "-m", "pytest", "-q", "-p", "reach", "-p", "no:cacheprovider"]
    words += ["-n", str(jobs), f"--basetemp={folder / 'tmp'}", *(changed if old else ())]
    subprocess.run(words, cwd=root, env=environment, check=False)
    whole = coverage.CoverageData(str(folder / "reached"))
    whole.read()
    for part in folder.glob("part*"):
        data = coverage.CoverageData(str(part))
        data.read()
        whole.update(data)
        part.unlink()
    whole.write()
    _keep_those_of(set(new) - set(changed), folder)
    states.write_text(json.dumps(new), encoding="utf-8")


def _keep_those_of(unchanged: set[str], folder: Path) -> None:
    """Join the times and fixtures of this run with those kept of files that did not change."""
    whole: dict[str, dict[str, object]] = {"seconds": {}, "failed": {}, "fixtures": {}}
    kept = folder / "tests.json"
    if kept.exists():
        for kind, values in json.loads(kept.read_text(encoding="utf-8")).items():
            whole[kind] = {t: v for t, v in values.items() if t.split("::")[0] in unchanged}
    for name in ("times.json", "fixtures.json"):
        for kind, values in json.loads((folder / name).read_text(encoding="utf-8")).items():
            whole[kind] |= values
    kept.write_text(json.dumps(whole), encoding="utf-8")


def _states(root: Path) -> dict[str, str]:
    """Return a digest of every file of code and of every test."""
    paths = [path for part in ("shaping", "tests") for path in (root / part).rglob("*.py")]
    return {
        path.relative_to(root).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(paths)
        if path.parent != root / "tests" / "bench"
    }


def _holds_tests(name: str) -> bool:
    return name.startswith("tests/") and Path(name).name.startswith("test_")


class Reach:
    """The tests that reach a line."""

    def __init__(self, root: Path, folder: Path) -> None:
        tests = json.loads((folder / "tests.json").read_text(encoding="utf-8"))
        self.failed: list[str] = sorted(tests["failed"])
        self.seconds: dict[str, float] = {
            test: seconds
            for test, seconds in tests["seconds"].items()
            if test not in tests["failed"]
        }
        self._fixtures: dict[str, list[str]] = tests["fixtures"]
        self._root = root
        self._data = coverage.CoverageData(str(folder / "reached"))
        self._data.read()
        self._contexts: dict[str, dict[int, list[str]]] = {}
        self._lines = {
            path.relative_to(root).as_posix(): path.read_text(encoding="utf-8").splitlines()
            for path in sorted((root / "shaping").rglob("*.py"))
        }
        self._trees = {path: ast.parse("\n".join(lines)) for path, lines in self._lines.items()}

    def tests(self, path: str, line: int) -> set[str]:
        """Return the tests that reach a line of a module."""
        contexts: set[str] = set()
        self._gather(path, line, contexts, set())
        named = {re.sub(r" \((setup|call|teardown)\)\|?$", "", context) for context in contexts}
        fixtures = {name.removeprefix(_FIXTURE) for name in named if name.startswith(_FIXTURE)}
        tests = named & self.seconds.keys()
        files = {name.removeprefix(_FILE) for name in named if name.startswith(_FILE)}
        return tests | {
            test
            for test, used in self._fixtures.items()
            if (fixtures & set(used) or test.split("::")[0] in files) and test in self.seconds
        }

    def _gather(self, path: str, line: int, contexts: set[str], seen: set[tuple[str, int]]) -> None:
        if (path, line) in seen:
            return
        seen.add((path, line))
        chain = _chain(self._trees[path], line)
        functions = [node for node in chain if isinstance(node, ast.FunctionDef)]
        if functions and line >= functions[-1].body[0].lineno:
            statement = chain[-1]
            contexts |= self._at(path, statement.lineno, _end(statement))
        elif functions:  # a default value: whoever runs the function
            contexts |= self._at(path, functions[-1].lineno, functions[-1].end_lineno or 0)
        else:  # run on import
            for name in _bound(chain):
                word = re.compile(rf"\b{re.escape(name)}\b")
                for other, lines in self._lines.items():
                    for number, text in enumerate(lines, start=1):
                        if word.search(text):
                            self._gather(other, number, contexts, seen)

    def _at(self, path: str, first: int, last: int) -> set[str]:
        if path not in self._contexts:
            self._contexts[path] = self._data.contexts_by_lineno(str(self._root / path))
        lines = self._contexts[path]
        return {context for n in range(first, last + 1) for context in lines.get(n, ())} - {""}


def _chain(tree: ast.Module, line: int) -> list[ast.stmt]:
    """Return the statements around a line, the innermost last."""
    chain: list[ast.stmt] = []
    inside: ast.AST = tree
    while True:
        for child in _statements(inside):
            start = min([child.lineno, *(d.lineno for d in getattr(child, "decorator_list", ()))])
            if start <= line <= (child.end_lineno or start):
                chain.append(child)
                inside = child
                break
        else:
            return chain


def _statements(node: ast.AST) -> Iterator[ast.stmt]:
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.stmt):
            yield child
        elif isinstance(child, ast.ExceptHandler | ast.match_case):
            yield from _statements(child)


def _end(statement: ast.stmt) -> int:
    """Return the last line of a statement, or of the head of one that holds others."""
    body = getattr(statement, "body", None)
    if isinstance(body, list) and body:
        return max(int(body[0].lineno) - 1, statement.lineno)
    return statement.end_lineno or statement.lineno


def _bound(chain: list[ast.stmt]) -> set[str]:
    """Return the names that a statement at the top of a module or class gives."""
    names = {node.name for node in chain if isinstance(node, ast.ClassDef | ast.FunctionDef)}
    if chain and isinstance(chain[-1], ast.Assign | ast.AnnAssign | ast.AugAssign):
        last = chain[-1]
        targets = last.targets if isinstance(last, ast.Assign) else [last.target]
        for target in targets:
            names |= {node.id for node in ast.walk(target) if isinstance(node, ast.Name)}
    return names
